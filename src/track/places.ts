import type { Pose } from "../geometry/optics.ts";
import { type Prior, Registrar, rotationBetween, type Stage } from "./register.ts";
import { emptySamples } from "./sampler.ts";
import { PositionSearch } from "./search.ts";
import { type Placement, placement, poseOf, type Samples, type SurfelMap, setPlacement } from "./surfels.ts";

const DEGREE = Math.PI / 180;
/** Part of a normal along the vertical below which its surface is upright. */
const UPRIGHT = 0.7;
/** So many samples must be upright. */
const LEAST_UPRIGHT = 100;
/** So many must face each level direction, so far apart, and hold it so well: metres, 1 sigma. */
const LEAST_FACING = 40;
const LEAST_SPREAD = 0.15;
const MOST_SIGMA = 0.02;
/** Registration error is not that of independent samples. */
const HONESTY = 250;
/** A place with this share of the best one's upright samples on the map is a rival: two alike are none. */
const RIVAL = 0.7;
/** Places of a search that are looked at closely. */
const CANDIDATES = 10;
/** Metres: two candidates that end nearer to each other than this are one. */
const SAME = 0.2;

/** What is known of a place before it is looked for: 1 sigma, radians and metres. */
export interface PlaceDoubt {
  readonly tilt: number;
  readonly yaw: number;
  readonly position: number;
}

/**
 * Says whether a frame can only have been seen from one place of a map. It must be strict: a wrong place is worse than
 * none. Evidence is what stands upright, for a floor looks the same everywhere.
 */
export class PlaceMatcher {
  readonly registrar: Registrar;
  readonly #leastShare: number;
  readonly #search = new PositionSearch();
  readonly #upright: Samples;
  readonly #pose: Placement = placement();
  readonly #prior = { at: placement(), rotation: new Float64Array(9), position: new Float64Array(9) };
  readonly #off = new Float64Array(3);
  /** Upright samples of the last frame that lay on the map, fit or not. */
  #lying = 0;

  /** @param leastShare of a frame, and of its upright parts, that must lie on the map */
  constructor(capacity: number, leastShare: number) {
    this.#leastShare = leastShare;
    this.registrar = new Registrar(capacity);
    this.#upright = emptySamples(capacity);
  }

  /** Where the last fit placed the lens. */
  get pose(): Pose {
    return poseOf(this.#pose);
  }

  /** How many upright samples of the last frame lay on the map, fit or not. */
  get lying(): number {
    return this.#lying;
  }

  /**
   * Registers a frame near `guess`. Fit means: nearly all of it lies on the map, the upright parts too; they hold it in
   * every level direction; and its rotation is the guess's within three sigma.
   * @returns how many upright samples lie on the map, 0 when it does not fit; `pose` is where
   */
  fits(samples: Samples, guess: Pose, doubt: PlaceDoubt, stages: readonly Stage[]): number {
    const prior = this.#expect(guess, doubt);
    setPlacement(this.#pose, guess);
    this.#lying = 0;
    if (samples.count < LEAST_UPRIGHT) return 0;
    const { matched, strength } = this.registrar.register(samples, this.#pose, prior, stages);
    const upright = pickUpright(this.#upright, samples, this.#pose.rotation);
    const { normal, count } = this.registrar.matches;
    for (let k = 2; k < 3 * count; k += 3) if (Math.abs(normal[k]!) < UPRIGHT) this.#lying++;
    if (matched < this.#leastShare * samples.count || upright < LEAST_UPRIGHT) return 0;
    if (this.#lying < this.#leastShare * upright) return 0;
    const off = this.#off;
    rotationBetween(off, prior.at.rotation, this.#pose.rotation);
    if (Math.hypot(off[0]!, off[1]!) > 3 * doubt.tilt + 0.3 * DEGREE || Math.abs(off[2]!) > 3 * doubt.yaw)
      return 0;
    for (let k = 0; k < 3; k++) {
      const axis = strength.axes.subarray(3 * k, 3 * k + 3);
      if (Math.abs(axis[2]!) > UPRIGHT) continue; // the floor holds it
      const { count: facing, spread, information } = this.registrar.facing(prior, axis);
      const isHeld = HONESTY / information <= MOST_SIGMA ** 2;
      if (!isHeld || facing < LEAST_FACING || spread < LEAST_SPREAD) return 0;
    }
    return this.#lying;
  }

  /**
   * Looks for the one place around `guess` that fits; none when another within the radius fits nearly as well.
   * @param coarse  map that is searched, as in `stages`
   * @param radius  metres
   */
  find(
    samples: Samples,
    guess: Pose,
    doubt: PlaceDoubt,
    radius: number,
    coarse: SurfelMap,
    stages: readonly Stage[],
  ): { readonly pose: Pose; readonly upright: number } | null {
    setPlacement(this.#pose, guess);
    pickUpright(this.#upright, samples, this.#pose.rotation);
    const candidates = this.#search.search(
      ...([coarse, this.#upright, this.#pose, radius, coarse.voxelSize, CANDIDATES] as const),
    );
    const [x0, y0, z0] = guess.position;
    let best = 0;
    let second = 0;
    let pose: Pose | null = null;
    for (const { x, y } of [{ x: x0, y: y0 }, ...candidates]) {
      const upright = this.fits(samples, { rotation: guess.rotation, position: [x, y, z0] }, doubt, stages);
      const at = this.pose;
      if (pose !== null && apart(at, pose) < SAME) {
        if (upright > best) [best, pose] = [upright, at];
      } else if (upright > best) {
        second = Math.max(second, best);
        [best, pose] = [upright, at];
      } else second = Math.max(second, this.#lying);
    }
    return pose === null || second > RIVAL * best ? null : { pose, upright: best };
  }

  #expect(guess: Pose, { tilt, yaw, position }: PlaceDoubt): Prior {
    const prior = this.#prior;
    setPlacement(prior.at, guess);
    for (const [m, x, z] of [
      [prior.rotation, tilt, yaw],
      [prior.position, position, position],
    ] as const) {
      m[0] = m[4] = 1 / x ** 2;
      m[8] = 1 / z ** 2;
    }
    return prior;
  }
}

const apart = ({ position: [a, b, c] }: Pose, { position: [x, y, z] }: Pose): number =>
  Math.hypot(x - a, y - b, z - c);

/** Copies the samples whose normals are near level when the lens is turned by R; how many there are. */
function pickUpright(out: Samples, { count, point, normal, weight }: Samples, R: Float64Array): number {
  let n = 0;
  for (let i = 0, k = 0; i < count; i++, k += 3) {
    const up = R[6]! * normal[k]! + R[7]! * normal[k + 1]! + R[8]! * normal[k + 2]!;
    if (Math.abs(up) >= UPRIGHT) continue;
    for (let j = 0; j < 3; j++) {
      out.point[3 * n + j] = point[k + j]!;
      out.normal[3 * n + j] = normal[k + j]!;
    }
    out.weight[n++] = weight[i]!;
  }
  out.count = n;
  return n;
}
