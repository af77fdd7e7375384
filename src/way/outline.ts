import { hypot2 } from "../geometry/elementary.ts";
import { type Footprint, radiusOf } from "../guard/body.ts";

/**
 * The outline of a body, for ways: the convex hull of its footprint. A dent of the footprint is not used to pass an obstacle.
 * Source of the hull: Andrew 1979, "Another efficient algorithm for convex hulls in two dimensions".
 */
export class Outline {
  /** Corners, counter-clockwise, metres in the base frame. */
  readonly corners: Footprint;
  readonly cornerX: Float64Array;
  readonly cornerY: Float64Array;
  /** Per side: unit normal outwards, and its distance from the base's floor point, metres. */
  readonly normalX: Float64Array;
  readonly normalY: Float64Array;
  readonly support: Float64Array;
  /** Radii around the base's floor point, metres: of the largest circle inside, and of the smallest around. */
  readonly inner: number;
  readonly outer: number;
  /** Metres: the narrowest gap between two parallel walls that the outline fits through. */
  readonly width: number;

  /** @throws {RangeError} if the corners do not go around the base's floor point */
  constructor(footprint: Footprint) {
    const corners = hullOf(footprint);
    const count = corners.length;
    this.corners = corners;
    this.cornerX = Float64Array.from(corners, ([x]) => x);
    this.cornerY = Float64Array.from(corners, ([, y]) => y);
    this.normalX = new Float64Array(count);
    this.normalY = new Float64Array(count);
    this.support = new Float64Array(count);
    let width = Number.POSITIVE_INFINITY;
    for (let k = 0; k < count; k++) {
      const [ax, ay] = corners[k]!;
      const [bx, by] = corners[(k + 1) % count]!;
      const length = hypot2(bx - ax, by - ay);
      const nx = (by - ay) / length;
      const ny = (ax - bx) / length;
      this.normalX[k] = nx;
      this.normalY[k] = ny;
      this.support[k] = nx * ax + ny * ay;
      // The narrowest strip around a convex outline lies along one of its sides.
      width = Math.min(width, Math.max(...corners.map(([x, y]) => this.support[k]! - nx * x - ny * y)));
    }
    this.inner = Math.min(...this.support);
    this.outer = radiusOf(corners);
    this.width = width;
    if (!(this.inner > 0)) throw new RangeError("a footprint must go around the base's floor point (0, 0)");
  }

  /** Distance of a place of the base frame from the farthest side, metres: less than 0 inside. */
  distance(x: number, y: number): number {
    let apart = Number.NEGATIVE_INFINITY;
    for (let k = 0; k < this.support.length; k++) {
      apart = Math.max(apart, this.normalX[k]! * x + this.normalY[k]! * y - this.support[k]!);
    }
    return apart;
  }
}

function hullOf(points: Footprint): Footprint {
  const sorted = [...points].sort(([ax, ay], [bx, by]) => ax - bx || ay - by);
  const half = (order: Footprint): [number, number][] => {
    const chain: [number, number][] = [];
    for (const [x, y] of order) {
      while (chain.length >= 2) {
        const [ax, ay] = chain.at(-2)!;
        const [bx, by] = chain.at(-1)!;
        if ((bx - ax) * (y - ay) - (by - ay) * (x - ax) > 0) break;
        chain.pop();
      }
      chain.push([x, y]);
    }
    chain.pop();
    return chain;
  };
  return [...half(sorted), ...half(sorted.reverse())];
}
