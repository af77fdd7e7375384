import { square } from "../geometry/elementary.ts";
import { largestVariance, setDiagonal, widen } from "../geometry/symmetric3.ts";

/** How far the map near by may be off against the world's origin. */
export interface WorldDoubt {
  /** Metres of way since the origin, or since a loop was closed, over which the map may have drifted. */
  readonly drifted: number;
  /** m^2: doubt about the place that was built into the map where it was begun anew out of sight of the old. */
  readonly built: number;
}

/** Metres, 1 sigma: error of the map itself near by. Chosen by hand. */
export const MAP_SIGMA = 0.003;
/** Metres, 1 sigma: error of the map's first frames against the origin. Chosen by hand. */
const ORIGIN_SIGMA = 0.006;
/** 1 sigma: drift of the map as a share of the way. Chosen by hand: in three rooms it is under 0.2 % (`score-poses --rounds`). */
const MAP_DRIFT = 0.005;
/** Metres, 1 sigma: error of a place that is recognised. Chosen by hand. */
const RETURN_SIGMA = 0.02;
/**
 * Metres, 1 sigma: a pose on a map with more doubt than this built in is not called held. A third of the 10 cm that no held pose may be
 * off (three sigma).
 */
const HELD_DOUBT = 0.033;
/** 1 sigma: slope by which the ground may rise or fall along the way. Chosen by hand. */
const SLOPE = 0.06;

/** How unsure the base's place is: against the map near by, and against the world's origin. */
export class PoseDoubt {
  /** (9) m^2, of the position against the map near by. */
  readonly local = new Float64Array(9);
  /** (9) m^2, of the first hold's position against where the base began, along the axes that were free until then. */
  readonly anchor = new Float64Array(9);
  #drifted = 0;
  #built = 0;
  /** Metres, 1 sigma, of `#built`: what was built in since depth last held every direction. It is of one cause. */
  #slide = 0;

  get world(): WorldDoubt {
    return { drifted: this.#drifted, built: this.#built };
  }

  /** Metres, 1 sigma: `worldSigma` of `world`. */
  get worldSigma(): number {
    return worldSigma(this.world);
  }

  /** Metres, 1 sigma, along the axis where the place against the map near by is least sure. */
  get slack(): number {
    return Math.sqrt(largestVariance(this.local));
  }

  /** Whether so much doubt is built into the map that no pose on it is called held. */
  get isMapDoubtful(): boolean {
    return this.#built > square(HELD_DOUBT) || largestVariance(this.anchor) > square(HELD_DOUBT);
  }

  /** The base moved. @param metres of way */
  drift(metres: number): void {
    this.#drifted += metres;
  }

  /** The place became less sure: metres, 1 sigma, of one cause with what it was unsure by. */
  widen(sigma: number): void {
    widen(this.local, sigma);
  }

  /** The place is as sure as the map near by. */
  settle(): void {
    setDiagonal(this.local, square(MAP_SIGMA), square(MAP_SIGMA), square(MAP_SIGMA));
  }

  /** Depth holds every direction: doubt that is built in later has another cause. */
  endSlide(): void {
    this.#slide = 0;
  }

  /** Doubt about the place, m^2, becomes doubt about where the map lies. */
  build(variance: number): void {
    this.#built += variance;
  }

  /** New ground is added to the map where the place is unsure. @param sigma metres */
  buildSlide(sigma: number): void {
    // Within one slide sigmas add up, since they have one cause; between slides variances do. MAP_SIGMA is in the map anyway.
    const more = Math.max(0, sigma - MAP_SIGMA);
    this.#built += (2 * this.#slide + more) * more;
    this.#slide += more;
    this.settle();
  }

  /** A map begins here: all doubt so far becomes doubt about where the map lies against where the base began. */
  beginMap(): void {
    for (let i = 0; i < 9; i++) this.anchor[i]! += this.local[i]! + (i % 4 === 0 ? this.#built : 0);
    this.#built = 0;
    this.#slide = 0;
  }

  /** The place was known before: doubt about the world is no more than it was then. */
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
    // A floor in view holds the height above it; but which part of the ground that is, is as unsure as the place.
    covariance[8]! += square(SLOPE) * (local[0]! + local[4]!);
    covariance[8]! += square(SLOPE) * (anchor[0]! + anchor[4]!);
    return covariance;
  }
}

/** Metres, 1 sigma: how far the map near by may be off against the world's origin. */
export const worldSigma = ({ drifted, built }: WorldDoubt): number =>
  Math.sqrt(square(ORIGIN_SIGMA + MAP_DRIFT * drifted) + built);
