import type { Rect } from "./rect.ts";
import type { ShapeJson } from "./shapes.ts";

type Point = readonly [x: number, y: number];

/** Moves a home so that `origin` becomes (0, 0), and rotates it by quarter turns, so that rectangles stay rectangles. */
export class QuarterTurn {
  readonly #origin: Point;
  /** Counter-clockwise, 0 to 3. */
  readonly #quarters: number;

  constructor(origin: Point, quarters: number) {
    this.#origin = origin;
    this.#quarters = ((quarters % 4) + 4) % 4;
  }

  /** Radians. */
  get angle(): number {
    return (this.#quarters * Math.PI) / 2;
  }

  #turn([x, y]: Point): Point {
    // Adding 0 makes a negative zero a plain one.
    switch (this.#quarters) {
      case 1:
        return [0 - y, x];
      case 2:
        return [0 - x, 0 - y];
      case 3:
        return [y, 0 - x];
      default:
        return [x, y];
    }
  }

  point([x, y]: Point): Point {
    return this.#turn([x - this.#origin[0], y - this.#origin[1]]);
  }

  rect([x0, y0, x1, y1]: Rect): Rect {
    const [ax, ay] = this.point([x0, y0]);
    const [bx, by] = this.point([x1, y1]);
    return [Math.min(ax, bx), Math.min(ay, by), Math.max(ax, bx), Math.max(ay, by)];
  }

  /** A shape of the scene; the parts of kits move with them. */
  shape(shape: ShapeJson): ShapeJson {
    if (shape["shape"] === "floor") {
      return {
        ...shape,
        rect: this.rect(shape["rect"] as Rect),
        holes: (shape["holes"] as readonly Rect[]).map((hole) => this.rect(hole)),
      };
    }
    const yaw = ((((shape["yaw"] as number | undefined) ?? 0) + 90 * this.#quarters + 180) % 360) - 180;
    const at = this.point(shape["at"] as Point);
    const isRound = shape["shape"] === "cylinder" || shape["shape"] === "capsule";
    const turned: ShapeJson = isRound ? { ...shape, at } : { ...shape, at, yaw };
    const copies = shape["copies"] as { count: Point; step: Point } | undefined;
    if (copies === undefined) return turned;
    const { count, step } = copies;
    return {
      ...turned,
      copies: { count: this.#quarters % 2 === 1 ? [count[1], count[0]] : count, step: this.#turn(step) },
    };
  }
}
