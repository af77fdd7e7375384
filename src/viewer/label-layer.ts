import { Group, type IUniform, type Vector2 } from "three";
import type { Tag } from "./map-marks.ts";
import type { Theme } from "./theme.ts";
import { WideLines } from "./wide-lines.ts";

/** Metres: height of the lines above the world's zero, and height of the posts at their corners. */
const LIFT = 0.06;
const POST = 0.25;
/** Metres: spacing of the ticks along an edge, and their length to either side. */
const TICKS = 0.25;
const TICK = 0.06;

/** What a person marked on the map: a line, or an outline. */
export interface Marked {
  /** Its name in the list: a letter or two and a number. */
  readonly tag: string;
  /** x, y of its corners, metres of the world. */
  readonly corners: readonly (readonly [x: number, y: number])[];
  readonly isOutline: boolean;
}

/** Labels of a recording: a line has ticks across it, an outline has spokes to its centre, and each has a tag. */
export class LabelLayer {
  readonly object = new Group();
  readonly #lines: WideLines;
  #labels: readonly Marked[] = [];

  constructor(viewport: IUniform<Vector2>) {
    this.#lines = new WideLines(viewport, [{ colour: "mark", width: 1.5, isOnTop: true, order: 4 }]);
    this.object.add(this.#lines.object);
  }

  paint(theme: Theme): void {
    this.#lines.paint(theme);
  }

  show(labels: readonly Marked[]): void {
    this.#labels = labels;
    this.#lines.show(labels.flatMap(linesOf));
  }

  /** Names of the labels. */
  get tags(): readonly Tag[] {
    return this.#labels
      .filter(({ corners }) => corners.length > 0)
      .map(({ tag, corners }) => {
        const [x, y] = corners[corners.length >> 1]!;
        return { text: tag, at: [x, y, POST] as const };
      });
  }
}

function linesOf({ corners, isOutline }: Marked): number[] {
  const ends: number[] = [];
  const all = isOutline && corners.length > 2 ? [...corners, corners[0]!] : corners;
  for (const [x, y] of corners) ends.push(x, y, 0, x, y, POST);
  for (let n = 1; n < all.length; n++) {
    const [[ax, ay], [bx, by]] = [all[n - 1]!, all[n]!];
    ends.push(ax, ay, LIFT, bx, by, LIFT);
    const length = Math.hypot(bx - ax, by - ay);
    if (isOutline || length === 0) continue;
    const [acrossX, acrossY] = [(-TICK * (by - ay)) / length, (TICK * (bx - ax)) / length];
    for (let along = TICKS / 2; along < length; along += TICKS) {
      const [x, y] = [ax + (along / length) * (bx - ax), ay + (along / length) * (by - ay)];
      ends.push(x - acrossX, y - acrossY, LIFT, x + acrossX, y + acrossY, LIFT);
    }
  }
  if (!isOutline || corners.length < 3) return ends;
  const mean = (k: 0 | 1) => corners.reduce((sum, corner) => sum + corner[k], 0) / corners.length;
  const [x, y] = [mean(0), mean(1)];
  for (const [cx, cy] of corners) ends.push(x, y, LIFT, cx, cy, LIFT);
  return ends;
}
