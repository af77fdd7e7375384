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
/** Part of a normal along the vertical below which its surface is upright: 45 degrees. */
const UPRIGHT = 0.7;
/** Fewest upright samples that a place may be told by. Chosen by hand, like the three below. */
const LEAST_UPRIGHT = 100;
/** Fewest samples that face each level direction, and their least rms spread, metres. */
const LEAST_FACING = 40;
const LEAST_SPREAD = 0.15;
/** Metres, 1 sigma: each level direction must be held at least so well. */
const MOST_SIGMA = 0.02;
/** The same of a lost base. Chosen by hand: most places in a small room are held to 2 to 3 cm. */
const MOST_SEEN_SIGMA = 0.03;
/** Radians beyond three sigma by which the tilt of a place may differ from the expected one: the map's own error of level. */
const TILT_SLACK = 0.3 * DEGREE;
/**
 * Share of the upright samples that must lie on the map where what should be in view agrees; and for that: surfaces that must be found, share
 * of those found among found and pierced, and among all. Chosen by hand: on two rounds with a map that was cut off after a third, 0.65, 0.9 and
 * 0.8 pass 89 to 100 % of the right places and 0 to 4 % of wrong ones; a frame is believed only with others.
 */
const LEAST_KNOWN = 0.6;
const LEAST_FOUND = 60;
const LEAST_UNPIERCED = 0.95;
const LEAST_UNCOVERED = 0.85;
/** A place with this share of the best one's upright samples on the map is a rival: then neither is believed. Chosen by hand. */
export const RIVAL_SHARE = 0.7;
/** Positions of a search that are registered: bounds the time of a frame while lost. */
const CANDIDATES = 10;
/** Metres: two candidates that end nearer to each other than this are one. */
const SAME_PLACE = 0.2;

/** What is known of a place before it is looked for: 1 sigma, radians and metres. */
export interface PlaceDoubt {
  readonly tilt: number;
  readonly yaw: number;
  readonly position: number;
}

/** What a frame is compared with. */
export interface PlaceMap {
  readonly stages: readonly Stage[];
  /** The coarse map of `stages`: it is searched. */
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
 * Says whether a frame can only have been seen from one place of a map. It is strict: a wrong place is worse than
 * none. Only upright surfaces count as evidence, for a floor looks the same everywhere.
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
  #lying = 0;

  /**
   * @param capacity   most samples that a frame may have
   * @param leastShare of a frame, and of its upright samples, that must lie on the map
   * @param view       what the frame sees, to be compared with what should be in view; a place where that agrees fits with LEAST_KNOWN of
   *   the upright samples on the map, whatever else is new
   */
  constructor(capacity: number, leastShare: number, view: ExpectedView | null = null) {
    this.#leastShare = leastShare;
    this.#view = view;
    this.#registrar = new Registrar(capacity);
    this.#upright = emptySamples(capacity);
  }

  /** Where the last fit placed the lens. */
  get pose(): Pose {
    return poseOf(this.#pose);
  }

  /** How many upright samples of the last frame lay on the map, whether it fitted or not. */
  get lying(): number {
    return this.#lying;
  }

  /**
   * Registers a frame near `guess`. It fits when nearly all of it lies on the map, and of its upright samples too; when those hold it
   * in every level direction; and when its rotation is the guess's within three sigma.
   * @returns how many upright samples lie on the map, 0 when it does not fit; `pose` is where
   */
  fits(samples: Samples, guess: Pose, doubt: PlaceDoubt, stages: readonly Stage[]): number {
    const prior = this.#expect(guess, doubt);
    setPlacement(this.#pose, guess);
    this.#lying = 0;
    if (samples.count < LEAST_UPRIGHT) return 0;
    const { matched } = this.#registrar.register(samples, this.#pose, { prior, stages });
    const upright = pickUpright(this.#upright, samples, this.#pose.rotation);
    const { normal, count } = this.#registrar.matches;
    for (let k = 2; k < 3 * count; k += 3) if (Math.abs(normal[k]!) < UPRIGHT) this.#lying++;
    if (upright < LEAST_UPRIGHT) return 0;
    const isKnown = matched >= this.#leastShare * samples.count && this.#lying >= this.#leastShare * upright;
    if (!isKnown && !(this.#lying >= LEAST_KNOWN * upright && this.#isInView(stages))) return 0;
    const mostSigma = this.#view === null ? MOST_SIGMA : MOST_SEEN_SIGMA;
    return this.#isTurnedAsExpected(doubt) && this.#isHeldLevel(mostSigma) ? this.#lying : 0;
  }

  /**
   * Looks for the one place around `guess` that fits; null when another within the radius fits nearly as well.
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
      } else second = Math.max(second, this.#lying);
    }
    return pose === null || second > RIVAL_SHARE * best ? null : { pose, upright: best };
  }

  /** Whether the frame sees what the map expects in view. */
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

  /** Whether the last registration's samples hold the frame in every level direction; the floor holds the height. */
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
