import { cosOf, sinOf } from "../geometry/elementary.ts";
import type { Outline } from "./outline.ts";

/**
 * The sum of an outline at one heading and of a cell's square: a cell's middle lies in it exactly where the cell touches the outline. It is convex,
 * with the sides of both. Source: Lozano-Perez 1983, "Spatial planning: a configuration space approach", IEEE Transactions on Computers
 * C-32:108-120.
 */
export class CellSum {
  /** Per side: unit normal outwards, and its distance from the base's floor point. */
  readonly normalX: Float64Array;
  readonly normalY: Float64Array;
  readonly support: Float64Array;
  minX = 0;
  maxX = 0;
  minY = 0;
  maxY = 0;
  readonly #outline: Outline;
  readonly #half: number;

  /** @param cellSize metres */
  constructor(outline: Outline, cellSize: number) {
    this.#outline = outline;
    this.#half = cellSize / 2;
    const sides = outline.corners.length + 4;
    this.normalX = new Float64Array(sides);
    this.normalY = new Float64Array(sides);
    this.support = new Float64Array(sides);
    const count = outline.corners.length;
    this.normalX[count] = this.normalY[count + 2] = 1;
    this.normalX[count + 1] = this.normalY[count + 3] = -1;
  }

  /** Sets the heading, radians in the world. */
  turnTo(yaw: number): void {
    const outline = this.#outline;
    const half = this.#half;
    const cos = cosOf(yaw);
    const sin = sinOf(yaw);
    const count = outline.corners.length;
    let minX = Number.POSITIVE_INFINITY;
    let maxX = Number.NEGATIVE_INFINITY;
    let minY = Number.POSITIVE_INFINITY;
    let maxY = Number.NEGATIVE_INFINITY;
    for (let k = 0; k < count; k++) {
      const nx = cos * outline.normalX[k]! - sin * outline.normalY[k]!;
      const ny = sin * outline.normalX[k]! + cos * outline.normalY[k]!;
      this.normalX[k] = nx;
      this.normalY[k] = ny;
      this.support[k] = outline.support[k]! + half * (Math.abs(nx) + Math.abs(ny));
      const cornerX = outline.cornerX[k]!;
      const cornerY = outline.cornerY[k]!;
      const x = cos * cornerX - sin * cornerY;
      const y = sin * cornerX + cos * cornerY;
      minX = Math.min(minX, x);
      maxX = Math.max(maxX, x);
      minY = Math.min(minY, y);
      maxY = Math.max(maxY, y);
    }
    this.minX = minX - half;
    this.maxX = maxX + half;
    this.minY = minY - half;
    this.maxY = maxY + half;
    this.support[count] = this.maxX;
    this.support[count + 1] = -this.minX;
    this.support[count + 2] = this.maxY;
    this.support[count + 3] = -this.minY;
  }

  /** Distance of a point from the farthest side, metres: less than 0 inside, never more than its distance from the sum. */
  distance(dx: number, dy: number): number {
    const { normalX, normalY, support } = this;
    let apart = Number.NEGATIVE_INFINITY;
    for (let k = 0; k < support.length; k++) {
      const beyond = normalX[k]! * dx + normalY[k]! * dy - support[k]!;
      if (beyond > apart) apart = beyond;
    }
    return apart;
  }
}
