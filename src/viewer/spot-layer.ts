import { Group, type IUniform, type Vector2 } from "three";
import type { Spot } from "../terms/spots.ts";
import type { Tag } from "./map-marks.ts";
import type { Theme } from "./theme.ts";
import { WideLines } from "./wide-lines.ts";

/** Metres: height of the signs above the world's zero, radius of a spot, length of its arrow and of the strokes of the tip. */
const LIFT = 0.06;
const RADIUS = 0.1;
const ARROW = 0.35;
const TIP = 0.1;
/** Metres from the spot to its name, so that the name does not cover the arrow. */
const BELOW = 0.3;
/** Sides of the ring. */
const SIDES = 16;

/** Places with a name: a ring, an arrow where the heading is given, and the name. */
export class SpotLayer {
  readonly object = new Group();
  readonly #lines: WideLines;
  #spots: readonly Spot[] = [];

  constructor(viewport: IUniform<Vector2>) {
    this.#lines = new WideLines(viewport, [
      { colour: "paper", width: 5, isOnTop: true, order: 4 },
      { colour: "mark", width: 2.5, isOnTop: true, order: 5 },
    ]);
    this.object.add(this.#lines.object);
  }

  paint(theme: Theme): void {
    this.#lines.paint(theme);
  }

  show(spots: readonly Spot[]): void {
    this.#spots = spots;
    this.#lines.show(spots.flatMap(linesOf));
  }

  get tags(): readonly Tag[] {
    return this.#spots.map(({ name, x, y }) => ({ text: name, at: [x, y - BELOW, LIFT] as const }));
  }
}

/** Ends of the lines of a spot, as x, y, z. */
function linesOf({ x, y, heading }: Spot): number[] {
  const ends: number[] = [];
  const at = (angle: number, far: number): readonly [number, number] => [
    x + far * Math.cos(angle),
    y + far * Math.sin(angle),
  ];
  const add = (from: readonly [number, number], to: readonly [number, number]) =>
    ends.push(...from, LIFT, ...to, LIFT);
  for (let n = 0; n < SIDES; n++) {
    const turn = (2 * Math.PI) / SIDES;
    add(at(n * turn, RADIUS), at((n + 1) * turn, RADIUS));
  }
  if (heading === null) return ends;
  const tip = at(heading, ARROW);
  add(at(heading, RADIUS), tip);
  for (const side of [2.6, -2.6]) {
    add(tip, [tip[0] + TIP * Math.cos(heading + side), tip[1] + TIP * Math.sin(heading + side)]);
  }
  return ends;
}
