import { Group, type IUniform, type Vector2 } from "three";
import { pointsOf, type ShownWay } from "./goal-way.ts";
import type { Theme } from "./theme.ts";
import { WideLines } from "./wide-lines.ts";

/** Metres above the world's zero at which a way is drawn. */
const LIFT = 0.07;
/** Metres: half the length of the strokes of the cross at the goal. */
const CROSS = 0.12;

/** The way to a chosen goal, and a cross at the goal; only the cross where there is no way. */
export class GoalWayLayer {
  readonly object = new Group();
  readonly #line: WideLines;

  constructor(viewport: IUniform<Vector2>) {
    this.#line = new WideLines(viewport, [
      { colour: "paper", width: 6, isOnTop: true, order: 5 },
      { colour: "mark", width: 3, isOnTop: true, order: 6 },
    ]);
    this.object.add(this.#line.object);
  }

  paint(theme: Theme): void {
    this.#line.paint(theme);
  }

  show(shown: ShownWay | null): void {
    const ends: number[] = [];
    const add = (x: number, y: number, toX: number, toY: number) => ends.push(x, y, LIFT, toX, toY, LIFT);
    if (shown !== null) {
      const points = pointsOf(shown.way?.pieces ?? []);
      for (let n = 1; n < points.length; n++) add(...points[n - 1]!, ...points[n]!);
      const [x, y] = shown.to;
      add(x - CROSS, y - CROSS, x + CROSS, y + CROSS);
      add(x - CROSS, y + CROSS, x + CROSS, y - CROSS);
    }
    this.#line.show(ends);
  }
}
