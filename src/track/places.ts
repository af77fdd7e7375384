import { hypot2, square } from "../geometry/elementary.ts";
import type { Pose } from "../geometry/optics.ts";
import { setDiagonal } from "../geometry/symmetric3.ts";
import { distance } from "../geometry/vec.ts";
import type { ExpectedView } from "./expected-view.ts";
import { VARIANCE_INFLATION } from "./matches.ts";
import { axisOf } from "./normal-equations.ts";
import { type Placement, placement, poseOf, rotationBetween, setPlacement } from "./placement.ts";
import { type Prior, Registrar, type Stage } from "./register.ts";
import { emptySamples, type Samples } from "./samples.ts";
import { PositionSearch } from "./search.ts";
import type { SurfelMap } from "./surfels.ts";

const DEGREE = Math.PI / 180;
/** A surface is upright when the vertical part of its unit normal is smaller than this: 45 degrees. */
const UPRIGHT = 0.7;
/** Fewest upright samples that can identify a place. Chosen by hand, like the three below. */
const LEAST_UPRIGHT = 100;
/** Fewest samples that must face each horizontal direction, and their least rms spread, metres. */
const LEAST_FACING = 40;
const LEAST_SPREAD = 0.15;
/** Metres, 1 sigma: each horizontal direction must be constrained at least this well. */
const MOST_SIGMA = 0.02;
/** The same for a lost base. Chosen by hand: most places in a small room are constrained to 2 to 3 cm. */
const MOST_SEEN_SIGMA = 0.03;
/** Radians added to three sigma in the test of the tilt: the map's own levelling error. */
const TILT_SLACK = 0.3 * DEGREE;
/**
 * Limits of the test with the expected view (`ExpectedView`): the share of the upright samples that must lie on the map; the surfaces that
 * must be found; the share found among found and pierced ones, and among all. Chosen by hand: on two rounds with a map that was cut off after
 * a third, 0.65, 0.9 and 0.8 pass 89 to 100 % of the right places and 0 to 4 % of wrong ones. A frame is never believed on its own.
 */
const LEAST_KNOWN = 0.6;
const LEAST_FOUND = 60;
const LEAST_UNPIERCED = 0.95;
const LEAST_UNCOVERED = 0.85;
/** A place is a rival when this share of the best place's count of upright samples lies on the map there. Then neither is believed. Chosen by hand. */
export const RIVAL_SHARE = 0.7;
/** Candidates of a search that are registered. Bounds the time of a frame while lost. */
const CANDIDATES = 10;
/** Metres: two candidates that converge to within this distance are one place. */
const SAME_PLACE = 0.2;

/** Uncertainty of a place before the search: 1 sigma, radians and metres. */
export interface PlaceDoubt {
  readonly tilt: number;
  readonly yaw: number;
  readonly position: number;
  /** Whether earlier frames and odometry tell the position, so that a frame need not. */
  readonly isPositionKnown?: boolean;
}

/** The map that a frame is compared with. */
export interface PlaceMap {
  readonly stages: readonly Stage[];
  /** The coarse map of `stages`, which is searched. */
  readonly coarse: SurfelMap;
}

/** A place that fits a frame. */
export interface Place {
  /** worldFromLens. */
  readonly pose: Pose;
  /** Upright samples of the frame that lie on the map there. */
  readonly upright: number;
}

/**
 * Decides whether a frame identifies one place on a map. The test is strict, because a wrong place is worse than none. Only upright surfaces
 * count as evidence, because a floor looks the same everywhere.
 */
export class PlaceMatcher {
  readonly #registrar: Registrar;
  readonly #leastShare: number;
  readonly #view: ExpectedView | null;
  readonly #search = new PositionSearch();
  readonly #upright: Samples;
  readonly #pose: Placement = placement();
  readonly #prior: Prior = {
    at: placement(),
    rotation: new Float64Array(9),
    position: new Float64Array(9),
  };
  readonly #off = new Float64Array(3);
  #uprightOnMap = 0;

  /**
   * @param capacity   most samples that a frame may have
   * @param leastShare of a frame, and of its upright samples, that must lie on the map
   * @param view       the expected view. Where it agrees, a frame fits with LEAST_KNOWN of its upright samples on the map, however much is new
   */
  constructor(capacity: number, leastShare: number, view: ExpectedView | null = null) {
    this.#leastShare = leastShare;
    this.#view = view;
    this.#registrar = new Registrar(capacity);
    this.#upright = emptySamples(capacity);
  }

  /** worldFromLens by the last fit. */
  get pose(): Pose {
    return poseOf(this.#pose);
  }

  /** Number of upright samples of the last frame that lay on the map, whether it fitted or not. */
  get uprightOnMap(): number {
    return this.#uprightOnMap;
  }

  /** The same as a share of its upright samples. */
  get uprightShare(): number {
    return this.#uprightOnMap / Math.max(1, this.#upright.count);
  }

  /**
   * Registers a frame near `guess`. It fits when three conditions hold: nearly all of its samples, and of its upright samples, lie on the map;
   * the upright samples constrain every horizontal direction, unless the position is known; its rotation agrees with the guess within three sigma.
   * @returns the number of upright samples on the map, 0 when the frame does not fit; `pose` is the result
   */
  fits(samples: Samples, guess: Pose, doubt: PlaceDoubt, stages: readonly Stage[]): number {
    const prior = this.#expect(guess, doubt);
    setPlacement(this.#pose, guess);
    this.#uprightOnMap = 0;
    if (samples.count < LEAST_UPRIGHT) return 0;
    const { matched } = this.#registrar.register(samples, this.#pose, { prior, stages });
    const upright = pickUpright(this.#upright, samples, this.#pose.rotation);
    const { normal, count } = this.#registrar.matches;
    for (let k = 2; k < 3 * count; k += 3) if (Math.abs(normal[k]!) < UPRIGHT) this.#uprightOnMap++;
    if (upright < LEAST_UPRIGHT) return 0;
    const isKnown =
      matched >= this.#leastShare * samples.count && this.#uprightOnMap >= this.#leastShare * upright;
    if (!isKnown && !(this.#uprightOnMap >= LEAST_KNOWN * upright && this.#isInView(stages))) return 0;
    const mostSigma = this.#view === null ? MOST_SIGMA : MOST_SEEN_SIGMA;
    const isHeld = doubt.isPositionKnown === true || this.#isHeldLevel(mostSigma);
    return isHeld && this.#isTurnedAsExpected(doubt) ? this.#uprightOnMap : 0;
  }

  /**
   * Searches for the one place around `guess` that fits; null when none fits, or another within the radius fits nearly as well.
   * @param radius metres
   */
  find(
    samples: Samples,
    guess: Pose,
    { doubt, radius, map }: { readonly doubt: PlaceDoubt; readonly radius: number; readonly map: PlaceMap },
  ): Place | null {
    const { coarse, stages } = map;
    setPlacement(this.#pose, guess);
    pickUpright(this.#upright, samples, this.#pose.rotation);
    const area = { radius, step: coarse.voxelSize, most: CANDIDATES };
    const candidates = this.#search.search(coarse, this.#upright, this.#pose, area);
    const [x0, y0, z0] = guess.position;
    let best = 0;
    let second = 0;
    let pose: Pose | null = null;
    for (const { x, y } of [{ x: x0, y: y0 }, ...candidates]) {
      const upright = this.fits(samples, { rotation: guess.rotation, position: [x, y, z0] }, doubt, stages);
      const at = this.pose;
      if (pose !== null && distance(at.position, pose.position) < SAME_PLACE) {
        if (upright > best) [best, pose] = [upright, at];
      } else if (upright > best) {
        second = Math.max(second, best);
        [best, pose] = [upright, at];
      } else second = Math.max(second, this.#uprightOnMap);
    }
    return pose === null || second > RIVAL_SHARE * best ? null : { pose, upright: best };
  }

  /** Whether the last frame looks through surfaces that the map has in view of the last fit. */
  isContradicted(stages: readonly Stage[]): boolean {
    if (this.#view === null) return false;
    const { found, pierced } = this.#view.compare(stages.at(-1)!.map, this.#pose);
    return found < LEAST_UNPIERCED * (found + pierced);
  }

  /** Whether the frame agrees with the expected view. */
  #isInView(stages: readonly Stage[]): boolean {
    if (this.#view === null) return false;
    const { found, pierced, covered } = this.#view.compare(stages.at(-1)!.map, this.#pose);
    const isSeen = found >= LEAST_UNPIERCED * (found + pierced);
    return found >= LEAST_FOUND && isSeen && found >= LEAST_UNCOVERED * (found + pierced + covered);
  }

  #isTurnedAsExpected({ tilt, yaw }: PlaceDoubt): boolean {
    const off = this.#off;
    rotationBetween(off, this.#prior.at.rotation, this.#pose.rotation);
    return hypot2(off[0]!, off[1]!) <= 3 * tilt + TILT_SLACK && Math.abs(off[2]!) <= 3 * yaw;
  }

  /** Whether the samples of the last registration constrain every horizontal direction. The floor constrains the height. */
  #isHeldLevel(mostSigma: number): boolean {
    const { strength } = this.#registrar.result;
    for (let k = 0; k < 3; k++) {
      const axis = axisOf(strength, k);
      if (Math.abs(axis[2]) > UPRIGHT) continue;
      const { count, spread, information } = this.#registrar.facing(this.#prior, axis);
      const isHeld = VARIANCE_INFLATION / information <= square(mostSigma);
      if (!isHeld || count < LEAST_FACING || spread < LEAST_SPREAD) return false;
    }
    return true;
  }

  #expect(guess: Pose, { tilt, yaw, position }: PlaceDoubt): Prior {
    const prior = this.#prior;
    setPlacement(prior.at, guess);
    setDiagonal(prior.rotation, 1 / square(tilt), 1 / square(tilt), 1 / square(yaw));
    setDiagonal(prior.position, 1 / square(position), 1 / square(position), 1 / square(position));
    return prior;
  }
}

/** Copies the upright samples, for a lens with rotation R. @returns their number */
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
