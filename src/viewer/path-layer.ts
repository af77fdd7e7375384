import type { IUniform, Vector2 } from "three";
import { lineOf } from "./page-state.ts";
import type { Theme } from "./theme.ts";
import { WideLines } from "./wide-lines.ts";
import type { Trail } from "./worker-messages.ts";

/** Metres: height above the floor at which the path is drawn. */
const LIFT = 0.06;
/** Metres: half the length of a rung across the path, and stroke length of a keyframe's arrowhead. */
const RUNG = 0.07;
const ARROW = 0.09;
/** Drawn share of each segment. */
const SHARES = { whole: 1, dashed: 0.5, dotted: 0.15 } as const;

/** The robot's path: a whole line where the pose was well known, a broken one elsewhere. Keyframes are arrowheads on it. */
export class PathLayer {
  readonly #lines: WideLines;

  constructor(viewport: IUniform<Vector2>) {
    this.#lines = new WideLines(viewport, [{ colour: "robot", width: 2, order: 1 }]);
  }

  get object(): WideLines["object"] {
    return this.#lines.object;
  }

  paint(theme: Theme): void {
    this.#lines.paint(theme);
  }

  show(trail: Trail | null): void {
    const ends: number[] = [];
    if (trail !== null) {
      addStretches(ends, trail);
      addKeyframes(ends, trail);
    }
    this.#lines.show(ends);
  }
}

function addStretches(ends: number[], { points, codes, classes }: Trail): void {
  for (let n = 1; n < codes.length; n++) {
    const line = lineOf(classes[codes[n]!] ?? "");
    const [x, y, z] = [points[3 * n - 3]!, points[3 * n - 2]!, points[3 * n - 1]!];
    const [toX, toY, toZ] = [points[3 * n]!, points[3 * n + 1]!, points[3 * n + 2]!];
    if (line === "rungs") {
      const length = Math.hypot(toX - x, toY - y);
      if (length === 0) continue;
      const [acrossX, acrossY] = [(-RUNG * (toY - y)) / length, (RUNG * (toX - x)) / length];
      const [midX, midY] = [(x + toX) / 2, (y + toY) / 2];
      ends.push(midX - acrossX, midY - acrossY, z + LIFT, midX + acrossX, midY + acrossY, z + LIFT);
      continue;
    }
    const share = SHARES[line];
    ends.push(x, y, z + LIFT, x + share * (toX - x), y + share * (toY - y), z + share * (toZ - z) + LIFT);
  }
}

function addKeyframes(ends: number[], { keyframes, keyframeCodes, classes }: Trail): void {
  for (let n = 0; n < keyframeCodes.length; n++) {
    const [x, y, bearing] = keyframes.subarray(3 * n, 3 * n + 3) as unknown as [number, number, number];
    // Arrowheads of poses with doubt are wider.
    const open = lineOf(classes[keyframeCodes[n]!] ?? "") === "whole" ? 2.5 : 2;
    for (const side of [open, -open]) {
      ends.push(x, y, LIFT, x + ARROW * Math.cos(bearing + side), y + ARROW * Math.sin(bearing + side), LIFT);
    }
  }
}
