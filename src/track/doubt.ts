import { square } from "../geometry/elementary.ts";
import { largestVariance, setDiagonal, widen } from "../geometry/symmetric3.ts";

/** Error of the map near by against the world's origin. */
export interface WorldDoubt {
  /** Metres: path length since the origin or the last loop closure, over which the map has drifted. */
  readonly drifted: number;
  /** m^2: doubt about the position that was built into the map with new ground out of view of the old. */
  readonly built: number;
}

/** Metres, 1 sigma: error of the map itself near by. Chosen by hand. */
export const MAP_SIGMA = 0.003;
/** Metres, 1 sigma: error of the map's first frames against the origin. Chosen by hand. */
const ORIGIN_SIGMA = 0.006;
/** 1 sigma: drift of the map as a share of the path length. Chosen by hand: in three rooms it is under 0.2 % (`score-poses --rounds`). */
const MAP_DRIFT = 0.005;
/** Metres, 1 sigma: error of a loop closure. Chosen by hand. */
const RETURN_SIGMA = 0.02;
/**
 * Metres, 1 sigma: a pose on a map with more built-in doubt does not count as held. It is a third of 10 cm, the largest error of a held pose
 * (three sigma).
 */
const HELD_DOUBT = 0.033;
/** Radians, 1 sigma: error of the map's level, which shows as height along the way: of attitudes and of the lens's mount. Chosen by hand. */
const LEVEL_ERROR = 0.01;
/** 1 sigma: slope of unseen ground. Chosen by hand. */
const SLOPE = 0.06;

/** Doubt about the base's position: against the map near by, and against the world's origin. */
export class PoseDoubt {
  /** (9) m^2, of the position against the map near by. */
  readonly local = new Float64Array(9);
  /** (9) m^2, of the position at which depth first held the base, against its start, along the axes that were free until then. */
  readonly anchor = new Float64Array(9);
  #drifted = 0;
  #built = 0;
  /** Metres, 1 sigma: the part of `#built` that was added since depth last held every direction. It has one cause. */
  #slide = 0;

  get world(): WorldDoubt {
    return { drifted: this.#drifted, built: this.#built };
  }

  /** Metres, 1 sigma: `worldSigma` of `world`. */
  get worldSigma(): number {
    return worldSigma(this.world);
  }

  /** Metres, 1 sigma, of the position against the map near by, along the axis with the largest variance. */
  get worstSigma(): number {
    return Math.sqrt(largestVariance(this.local));
  }

  /** Whether the built-in doubt is so large that no pose on the map counts as held. */
  get isMapDoubtful(): boolean {
    return this.#built > square(HELD_DOUBT) || largestVariance(this.anchor) > square(HELD_DOUBT);
  }

  /** Adds to the path length. */
  drift(metres: number): void {
    this.#drifted += metres;
  }

  /** Adds doubt about the position: metres, 1 sigma, fully correlated with the present doubt. */
  widen(sigma: number): void {
    widen(this.local, sigma);
  }

  /** Resets the doubt about the position to the error of the map near by. */
  settle(): void {
    setDiagonal(this.local, square(MAP_SIGMA), square(MAP_SIGMA), square(MAP_SIGMA));
  }

  /** Notes that depth holds every direction: doubt that is built in later has another cause. */
  endSlide(): void {
    this.#slide = 0;
  }

  /** Moves doubt about the position, m^2, into the map. */
  build(variance: number): void {
    this.#built += variance;
  }

  /** Moves doubt about the position into the map, as new ground is added. @param sigma metres */
  buildSlide(sigma: number): void {
    // Within one slide sigmas add up, because they have one cause; between slides variances add up. The map has MAP_SIGMA already.
    const more = Math.max(0, sigma - MAP_SIGMA);
    this.#built += (2 * this.#slide + more) * more;
    this.#slide += more;
    this.settle();
  }

  /** Begins a map: all doubt so far becomes doubt about the map's position against the start of the base. */
  beginMap(): void {
    for (let i = 0; i < 9; i++) this.anchor[i]! += this.local[i]! + (i % 4 === 0 ? this.#built : 0);
    this.#built = 0;
    this.#slide = 0;
  }

  /** Takes a loop closure: the doubt about the world is no more than at the earlier visit. */
  returnTo({ drifted, built }: WorldDoubt): void {
    this.#drifted = Math.min(this.#drifted, drifted);
    this.#built = Math.min(this.#built, built + square(RETURN_SIGMA));
    this.#slide = Math.min(this.#slide, Math.sqrt(this.#built));
  }

  /** (9) m^2, of the position against the world's origin. */
  covariance(): number[] {
    const { local, anchor } = this;
    const covariance = Array.from(local);
    const map = square(this.worldSigma);
    for (const i of [0, 4, 8]) covariance[i]! += map;
    for (let i = 0; i < 9; i++) covariance[i]! += anchor[i]!;
    // A floor in view constrains the height above it. But the ground may slope, so the height above the origin is as doubtful as the position.
    covariance[8]! += square(SLOPE) * (local[0]! + local[4]!);
    covariance[8]! += square(LEVEL_ERROR * this.#drifted);
    covariance[8]! += square(SLOPE) * (anchor[0]! + anchor[4]!);
    return covariance;
  }
}

/** Metres, 1 sigma: error of the map near by against the world's origin. */
export const worldSigma = ({ drifted, built }: WorldDoubt): number =>
  Math.sqrt(square(ORIGIN_SIGMA + MAP_DRIFT * drifted) + built);
