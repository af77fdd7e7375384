import { Group, type IUniform, type Vector2 } from "three";
import { type Held, heldBy } from "../terms/slowing.ts";
import type { CurvePoint } from "../wire/curve.ts";
import type { Theme } from "./theme.ts";
import { WideLines } from "./wide-lines.ts";

/** Metres: height above the world's zero. The curve has no heights, so the layer is drawn over surfaces that are nearer. */
const LIFT = 0.06;
/** Metres: half the length of the bar across the path at a stop; and the distance between two bars. */
const BAR = 0.14;
const BARS_APART = 0.1;
/** Metres: a longer step is a jump of the pose, and no way that was driven. */
const LONGEST_STEP = 0.5;

/** The path of a recording by the pace that the head permitted: a thin line, a wide one below half of the top speed, bars across it at stops. */
export class PaceLayer {
  readonly object = new Group();
  readonly #lines: Readonly<Record<Held, WideLines>>;

  constructor(viewport: IUniform<Vector2>) {
    const line = (colour: keyof Theme, width: number): WideLines =>
      new WideLines(viewport, [{ colour, width, order: 2, isOnTop: true }]);
    this.#lines = { free: line("high", 3), slow: line("doubtful", 6), stop: line("brink", 3) };
    for (const { object } of Object.values(this.#lines)) this.object.add(object);
  }

  paint(theme: Theme): void {
    for (const lines of Object.values(this.#lines)) lines.paint(theme);
  }

  /** @param topSpeed m/s */
  show(curve: readonly CurvePoint[], topSpeed: number): void {
    const ends: Record<Held, number[]> = { free: [], slow: [], stop: [] };
    let last: CurvePoint["place"] = null;
    let bar: CurvePoint["place"] = null;
    for (const { pace, place } of curve) {
      if (place === null) continue;
      const held = heldBy(pace, topSpeed);
      const { x, y, heading } = place;
      if (last !== null && Math.hypot(x - last.x, y - last.y) < LONGEST_STEP) {
        // At a stop the base may still roll: its way is drawn as slow, and the bars mark the stop.
        ends[held === "stop" ? "slow" : held].push(last.x, last.y, LIFT, x, y, LIFT);
      }
      last = place;
      if (held !== "stop" || (bar !== null && Math.hypot(x - bar.x, y - bar.y) < BARS_APART)) continue;
      bar = place;
      const [acrossX, acrossY] = [-BAR * Math.sin(heading), BAR * Math.cos(heading)];
      ends.stop.push(x - acrossX, y - acrossY, LIFT, x + acrossX, y + acrossY, LIFT);
    }
    for (const held of ["free", "slow", "stop"] as const) this.#lines[held].show(ends[held]);
  }
}
