import { hypot3, square } from "../geometry/elementary.ts";
import type { Placement } from "./placement.ts";
import type { Samples } from "./samples.ts";
import type { SurfelMap } from "./surfels.ts";

/** Tangent of the angle of one bin, about 2 degrees; and the number of bins on either side of the optical axis, up to 60 degrees. */
const BIN = 0.035;
const HALF = 50;
const SIDE = 2 * HALF;
/** Numbers stored for the mapped surface of a bin: its centre and its normal, in the lens frame. */
const FLOATS = 6;
/** Metres from the lens: nearest and farthest mapped surface that is expected in view. Chosen by hand. */
const NEAREST = 0.4;
const FARTHEST = 4;
/** Least cosine of the incidence angle at which a surface is expected in view. Chosen by hand. */
const LEAST_FACING = 0.25;
/** A surface counts as found when the measured distance differs by no more than TOLERANCE metres plus this share of it. Chosen by hand. */
const TOLERANCE = 0.06;
const TOLERANCE_SHARE = 0.02;
/** Metres: the most that a surfel's plane may be extrapolated in depth, from the surfel's centre to a sample's ray. */
const MOST_SLOPE = 0.4;
/** A surface is upright when the vertical part of its unit normal is smaller than this: 45 degrees. */
const UPRIGHT = 0.7;

/** Counts of upright mapped surfaces that should be in view. */
export interface ViewTally {
  /** The frame measures them where the map has them. */
  found: number;
  /** The frame measures something behind them. */
  pierced: number;
  /** The frame measures something in front of them. */
  covered: number;
}

/**
 * Compares a frame, direction by direction, with the upright surfaces that the map expects in view from a pose. A surface that is new is no
 * mismatch. A mapped surface that the frame looks through is one.
 */
export class ExpectedView {
  readonly #tally: ViewTally = { found: 0, pierced: 0, covered: 0 };
  /** (SIDE^2) metres to the nearest sample of each bin, Infinity where there is none; and (3 * SIDE^2) its direction. */
  readonly #seen = new Float32Array(SIDE * SIDE);
  readonly #direction = new Float32Array(3 * SIDE * SIDE);
  /** (SIDE^2) metres to the nearest mapped surface of each bin; and (FLOATS * SIDE^2) that surface. */
  readonly #mapped = new Float32Array(SIDE * SIDE);
  readonly #surface = new Float32Array(FLOATS * SIDE * SIDE);

  /** Sets the frame that later calls of `compare` use. */
  take({ count, point }: Samples): void {
    const [seen, direction] = [this.#seen, this.#direction];
    seen.fill(Number.POSITIVE_INFINITY);
    for (let k = 0; k < 3 * count; k += 3) {
      const [x, y, z] = [point[k]!, point[k + 1]!, point[k + 2]!];
      const bin = binOf(x, y, z);
      if (bin < 0) continue;
      const range = hypot3(x, y, z);
      if (range >= seen[bin]!) continue;
      seen[bin] = range;
      direction[3 * bin] = x / range;
      direction[3 * bin + 1] = y / range;
      direction[3 * bin + 2] = z / range;
    }
  }

  /** Compares the frame with a map, seen from a pose of the lens. @returns the same object every time */
  compare(map: SurfelMap, { rotation: R, position: t }: Placement): Readonly<ViewTally> {
    const [mapped, surface] = [this.#mapped, this.#surface];
    mapped.fill(Number.POSITIVE_INFINITY);
    map.forEach((surfel) => {
      if (Math.abs(surfel[5]!) >= UPRIGHT) return;
      const [a, b, c] = [surfel[0]! - t[0]!, surfel[1]! - t[1]!, surfel[2]! - t[2]!];
      const squared = a * a + b * b + c * c;
      if (squared > square(FARTHEST) || squared < square(NEAREST)) return;
      const z = R[2]! * a + R[5]! * b + R[8]! * c;
      if (z <= 0) return;
      const range = Math.sqrt(squared);
      const facing = -(surfel[3]! * a + surfel[4]! * b + surfel[5]! * c);
      if (facing < LEAST_FACING * range) return;
      const [x, y] = [R[0]! * a + R[3]! * b + R[6]! * c, R[1]! * a + R[4]! * b + R[7]! * c];
      const bin = binOf(x, y, z);
      if (bin < 0 || range >= mapped[bin]!) return;
      mapped[bin] = range;
      const at = FLOATS * bin;
      surface[at] = x;
      surface[at + 1] = y;
      surface[at + 2] = z;
      for (let i = 0; i < 3; i++) {
        surface[at + 3 + i] = R[i]! * surfel[3]! + R[3 + i]! * surfel[4]! + R[6 + i]! * surfel[5]!;
      }
    });
    return this.#count();
  }

  #count(): Readonly<ViewTally> {
    const tally = this.#tally;
    tally.found = tally.pierced = tally.covered = 0;
    const [seen, mapped, surface, direction] = [this.#seen, this.#mapped, this.#surface, this.#direction];
    for (let bin = 0; bin < SIDE * SIDE; bin++) {
      const [range, centre] = [seen[bin]!, mapped[bin]!];
      if (range === Number.POSITIVE_INFINITY || centre === Number.POSITIVE_INFINITY) continue;
      const [at, d] = [FLOATS * bin, 3 * bin];
      // Where the sample's ray meets the surface's plane.
      const height =
        surface[at]! * surface[at + 3]! +
        surface[at + 1]! * surface[at + 4]! +
        surface[at + 2]! * surface[at + 5]!;
      const along =
        direction[d]! * surface[at + 3]! +
        direction[d + 1]! * surface[at + 4]! +
        direction[d + 2]! * surface[at + 5]!;
      const expected = height / along;
      if (!(Math.abs(expected - centre) < MOST_SLOPE)) continue;
      const tolerance = TOLERANCE + TOLERANCE_SHARE * expected;
      if (range > expected + tolerance) tally.pierced++;
      else if (range < expected - tolerance) tally.covered++;
      else tally.found++;
    }
    return tally;
  }
}

/** The bin of a point in the lens frame; -1 outside the field of view. */
function binOf(x: number, y: number, z: number): number {
  if (z <= 0) return -1;
  const column = Math.floor(x / z / BIN) + HALF;
  const row = Math.floor(y / z / BIN) + HALF;
  return column < 0 || column >= SIDE || row < 0 || row >= SIDE ? -1 : SIDE * row + column;
}
