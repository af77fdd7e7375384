import { hypot3, square } from "../geometry/elementary.ts";
import type { Placement } from "./placement.ts";
import type { Samples } from "./samples.ts";
import type { SurfelMap } from "./surfels.ts";

/** Directions are told apart by this tangent, about 2 degrees; and bins to either side of the optical axis, up to 60 degrees. */
const BIN = 0.035;
const HALF = 50;
const SIDE = 2 * HALF;
/** Numbers of a mapped surface in a bin: centre, normal, both in the lens frame. */
const FLOATS = 6;
/** Metres from the lens within which a mapped surface is expected to be seen. Chosen by hand. */
const NEAREST = 0.4;
const FARTHEST = 4;
/** Cosine of the incidence on a surface below which it is not expected to be seen. Chosen by hand. */
const LEAST_FACING = 0.25;
/** A surface is found when the frame measures its distance within so many metres and this share of it. Chosen by hand. */
const TOLERANCE = 0.06;
const TOLERANCE_SHARE = 0.02;
/** Metres by which a surfel's plane may be nearer or farther in a sample's direction than the surfel. */
const MOST_SLOPE = 0.4;
/** Part of a normal along the vertical below which its surface is upright: 45 degrees. */
const UPRIGHT = 0.7;

/** Upright mapped surfaces that should be in view. */
export interface ViewTally {
  /** The frame sees them. */
  found: number;
  /** It looks through them. */
  pierced: number;
  /** Something nearer covers them. */
  covered: number;
}

/**
 * What a frame sees, by direction, compared with the upright surfaces that the map expects in view from a place. What is new is no
 * mismatch; what is mapped and looked through is one.
 */
export class ExpectedView {
  readonly #tally: ViewTally = { found: 0, pierced: 0, covered: 0 };
  /** (SIDE^2) metres to the nearest sample in a direction, Infinity without; and (3 * SIDE^2) its direction. */
  readonly #seen = new Float32Array(SIDE * SIDE);
  readonly #direction = new Float32Array(3 * SIDE * SIDE);
  /** (SIDE^2) metres to the nearest mapped surface; and what it is. */
  readonly #mapped = new Float32Array(SIDE * SIDE);
  readonly #surface = new Float32Array(FLOATS * SIDE * SIDE);

  /** Takes a frame. */
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

  /** Compares the frame with a map from a place of the lens. @returns the same object every time */
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

/** The bin of a point in the lens frame; -1 outside all. */
function binOf(x: number, y: number, z: number): number {
  if (z <= 0) return -1;
  const column = Math.floor(x / z / BIN) + HALF;
  const row = Math.floor(y / z / BIN) + HALF;
  return column < 0 || column >= SIDE || row < 0 || row >= SIDE ? -1 : SIDE * row + column;
}
