import { hypot3 } from "../geometry/elementary.ts";
import { isSound, type Keyframe } from "./keyframes.ts";
import { type Placement, placement, setPlacement } from "./placement.ts";
import { emptySamples, MOST_PACKED, type Samples, unpackSamples } from "./samples.ts";
import type { SurfelMap } from "./surfels.ts";
import { UPRIGHT } from "./upright-raster.ts";

/** Tangent of the angle of one bin, about 3 degrees; and the number of bins on either side of the optical axis. */
const BIN = 0.05;
const HALF = 36;
const SIDE = 2 * HALF;
/** Metres and share by which a view must look past a point before it counts as seen through. Chosen by hand, like the number below. */
const PAST = 0.12;
const PAST_SHARE = 0.03;
/** Metres: farther surfaces are not judged. */
const FARTHEST = 4;
/** Least cosine of the incidence angle of a surface: at a grazing one a neighbouring bin lies far behind. */
const LEAST_FACING = 0.25;

/**
 * Counts in how many views a point is looked through: what stood there has gone, or was never there. A view is the samples of one frame; of each
 * direction it knows the nearest one, and says nothing where a neighbouring direction has something nearer.
 */
export class SeenThrough {
  /** (SIDE^2) metres to the nearest sample in and around each bin; Infinity where there is none. */
  readonly #nearest = new Float32Array(SIDE * SIDE);
  readonly #own = new Float32Array(SIDE * SIDE);

  /** Sets the view that `test` uses. */
  take({ count, point }: Samples): void {
    const own = this.#own;
    own.fill(Number.POSITIVE_INFINITY);
    for (let k = 0; k < 3 * count; k += 3) {
      const [x, y, z] = [point[k]!, point[k + 1]!, point[k + 2]!];
      const bin = binOf(x, y, z);
      if (bin >= 0) own[bin] = Math.min(own[bin]!, hypot3(x, y, z));
    }
    for (let row = 1; row < SIDE - 1; row++) {
      for (let column = 1; column < SIDE - 1; column++) {
        const at = row * SIDE + column;
        let least = own[at]!;
        // Without a sample of its own a direction tells nothing.
        if (least < Number.POSITIVE_INFINITY) {
          for (let near = at - SIDE; near <= at + SIDE; near += SIDE) {
            least = Math.min(least, own[near - 1]!, own[near]!, own[near + 1]!);
          }
        }
        this.#nearest[at] = least;
      }
    }
  }

  /**
   * What the view says of a surface, seen from a pose of the lens: 1 it looks through it, -1 it sees it, 0 nothing. It takes numbers, not
   * objects: it is called for each point.
   * @param nx, ny, nz unit normal, on the side from which the surface was seen
   */
  test(
    { rotation: R, position: t }: Placement,
    x: number,
    y: number,
    z: number,
    nx: number,
    ny: number,
    nz: number,
  ): number {
    const [a, b, c] = [x - t[0]!, y - t[1]!, z - t[2]!];
    const depth = R[2]! * a + R[5]! * b + R[8]! * c;
    if (depth <= 0) return 0;
    const range = hypot3(a, b, c);
    if (range > FARTHEST || -(a * nx + b * ny + c * nz) < LEAST_FACING * range) return 0;
    const bin = binOf(R[0]! * a + R[3]! * b + R[6]! * c, R[1]! * a + R[4]! * b + R[7]! * c, depth);
    if (bin < 0) return 0;
    const off = this.#nearest[bin]! - range;
    const tolerance = PAST + PAST_SHARE * range;
    if (off > tolerance) return off < Number.POSITIVE_INFINITY ? 1 : 0;
    return off < -tolerance ? 0 : -1;
  }
}

/** The bin of a point in the lens frame; -1 outside the field of view, and at its border, which has no neighbours. */
function binOf(x: number, y: number, z: number): number {
  if (z <= 0) return -1;
  const column = Math.floor(x / z / BIN) + HALF;
  const row = Math.floor(y / z / BIN) + HALF;
  return column < 1 || column >= SIDE - 1 || row < 1 || row >= SIDE - 1 ? -1 : SIDE * row + column;
}

/** Views that must look through a surface before it counts as gone: one may be wrong at an edge. */
export const GONE_FROM = 2;

/** Surfels that are compared with a keyframe in one step: some milliseconds. Chosen by hand. */
const WORK = 60_000;

/**
 * Drops upright surfels that the keyframes look through, unless a later one sees them again: of people who have walked on, and of things that were
 * moved away. Work is done in steps, which are counted, not timed.
 */
export class GoneSurfels {
  readonly #map: SurfelMap;
  readonly #frames: readonly Keyframe[];
  readonly #view = new SeenThrough();
  readonly #samples = emptySamples(MOST_PACKED);
  readonly #at = placement();
  /** Views that looked through each surfel since it was seen last. */
  readonly #through: Uint8Array;
  #next = 0;

  /**
   * @param map    must not change until `step` has said true
   * @param frames oldest first
   */
  constructor(map: SurfelMap, frames: readonly Keyframe[]) {
    this.#map = map;
    this.#frames = frames;
    this.#through = new Uint8Array(2 * map.count);
  }

  /** Does one step; true when the surfels are dropped. */
  step(): boolean {
    for (let left = WORK; left > 0; left -= this.#map.count) {
      const frame = this.#frames[this.#next++];
      if (frame === undefined) {
        let n = 0;
        this.#map.filter(() => this.#through[n++]! < GONE_FROM);
        return true;
      }
      if (isSound(frame)) this.#look(frame);
    }
    return false;
  }

  #look({ samples, worldFromLens }: Keyframe): void {
    const [view, at, through] = [this.#view, this.#at, this.#through];
    unpackSamples(this.#samples, samples);
    view.take(this.#samples);
    setPlacement(at, worldFromLens);
    let n = 0;
    this.#map.forEach((surfel) => {
      const isUpright = Math.abs(surfel[5]!) < UPRIGHT;
      const says = isUpright
        ? view.test(at, surfel[0]!, surfel[1]!, surfel[2]!, surfel[3]!, surfel[4]!, surfel[5]!)
        : 0;
      if (says > 0) through[n] = Math.min(255, through[n]! + 1);
      else if (says < 0) through[n] = 0;
      n++;
    });
  }
}
