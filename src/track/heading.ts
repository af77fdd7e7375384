import { square } from "../geometry/elementary.ts";
import type { Quat } from "../geometry/optics.ts";
import {
  conjugate,
  fromYawPitchRoll,
  multiply,
  toRotationVector,
  toYawPitchRoll,
} from "../geometry/rigid.ts";
import { Lateness } from "./lateness.ts";
import { DEPTH_BIAS } from "./place-filter.ts";
import { YawFilter } from "./yaw-filter.ts";

const DEGREE = Math.PI / 180;
/** Sigmas: a larger step of the orientation's yaw is a jump. Noise alone exceeds five sigma once in 1.7 million frames. */
export const JUMP_SIGMAS = 5;
/** Radians: a smaller step of the yaw is never a jump. Chosen by hand. */
export const LEAST_JUMP = 3 * DEGREE;
/** Radians, 1 sigma: heading error of the map itself. Chosen by hand. */
const MAP_YAW_SIGMA = 0.2 * DEGREE;
/** Seconds: shortest rest that the drift is measured in; and radians, 1 sigma, noise of a steadied attitude. Chosen by hand. */
const LEAST_REST = 1;
const REST_NOISE = 0.12 * DEGREE;
/** Radians per metre, 1 sigma: drift of the map's heading on sliding stretches. Chosen by hand: 1.0 degree after 10 m of corridor (`trouble`). */
const SLIDING_DRIFT = 0.08 * DEGREE;
/** Metres per radian: a turn changes what is in view, and so the range error, as much as this distance. Chosen by hand. */
const VIEW_WAY = 1;

/** A measurement of the heading by depth. */
export interface HeadingCorrection {
  /** Radians: the base's yaw by depth minus the yaw by the orientation sensor. */
  readonly off: number;
  /** Radians, 1 sigma: noise of the orientation's yaw. */
  readonly noise: number;
  /** Radians squared: variance of the yaw by depth; large where depth hardly constrains it. */
  readonly variance: number;
}

/** The same while a gyro steadies the attitude. */
export interface SteadiedCorrection extends HeadingCorrection {
  /** rad/s: turn rate of the base. */
  readonly rate: number;
  /** Radians per metre: how much a range error that all samples share can turn the yaw by depth. */
  readonly lever: number;
}

/**
 * The offset from the orientation sensor's yaw, which has an origin of its own and drifts, to the world's yaw. While a gyro steadies the attitude
 * (`isSteadied`) a filter weighs gyro against depth and learns the sensor's drift rate. Without it an attitude is noisier and may jump: the
 * offset then follows depth within some frames.
 */
export class Heading {
  #offset = 0;
  #isSteadied = false;
  readonly #filter = new YawFilter();
  #hasFiltered = false;
  readonly #lateness = new Lateness();
  /** Radians squared, of the offset while no gyro steadies the attitude. */
  #variance = 0;
  /** Seconds for which depth has not held the yaw meanwhile; and rad/s, 1 sigma, of the drift. */
  #unseenFor = 0;
  #drift = 0;
  /** The present rest of the base: seconds, and radians of drift of the sensor's yaw in them, negated. */
  #restSeconds = 0;
  #restDrift = 0;
  /** Radians, 1 sigma: drift of the map's heading on stretches where depth did not hold every direction. */
  #slidingSigma = 0;
  /** rad/s: turn rate of the base. */
  #rate = 0;
  /** Seconds, 1 sigma: further doubt about the lateness. */
  #otherLateness = 0;

  /** Radians: world yaw minus the sensor's. */
  get offset(): number {
    return this.#offset;
  }

  /** Radians squared, of `offset` against the map near by. */
  get variance(): number {
    return this.#isSteadied ? this.#filter.variance : this.#variance;
  }

  /** Radians, 1 sigma: doubt about the yaw of a pose that depth has corrected, against the world. */
  get sigma(): number {
    const variance = this.#isSteadied ? square(this.#filter.worldSigma) : this.#variance;
    const unseen = this.#isSteadied ? 0 : this.#drift * this.#unseenFor;
    const late = square(this.#rate) * (this.#lateness.variance + square(this.#otherLateness));
    return Math.sqrt(variance + late) + unseen + this.#slidingSigma + MAP_YAW_SIGMA;
  }

  /** Sets the offset: the base's rotation is `world` while the sensor's attitude is `attitude`. @param sigma radians */
  begin(world: Quat, attitude: Quat, sigma: number): void {
    this.#offset = toYawPitchRoll(world)[0] - toYawPitchRoll(attitude)[0];
    this.#variance = square(sigma);
  }

  /** The sensor's attitude with the world's yaw. */
  toWorld(attitude: Quat): Quat {
    return multiply(fromYawPitchRoll(this.#offset + this.#lateness.seconds * this.#rate, 0, 0), attitude);
  }

  /** Sets the offset after a search of the map, which knows nothing of the drift since the head was lost. @param sigma radians */
  findAgain(offset: number, sigma: number): void {
    this.#offset = offset;
    this.#variance = square(sigma);
    this.#filter.setVariance(square(sigma));
    this.#unseenFor = 0;
  }

  /**
   * Propagates the offset over `dt` seconds.
   * @param drift      rad/s, 1 sigma, of the sensor's yaw
   * @param isSteadied whether a gyro steadies the attitude
   */
  age(drift: number, dt: number, isSteadied: boolean): void {
    if (isSteadied && !this.#hasFiltered) this.#filter.start(this.#variance, drift);
    else if (isSteadied && !this.#isSteadied) this.#filter.setVariance(this.#variance);
    else if (!isSteadied && this.#isSteadied) this.#variance = this.#filter.variance;
    this.#hasFiltered ||= isSteadied;
    this.#isSteadied = isSteadied;
    if (isSteadied) {
      this.#offset += this.#filter.drift * dt;
      this.#filter.propagate(dt, drift);
      this.#unseenFor = 0;
      return;
    }
    this.#variance += square(drift * dt);
    this.#drift = drift;
    this.#unseenFor += dt;
  }

  /** Sets the turn rate of the base, rad/s. @param otherLateness seconds, 1 sigma: further doubt about the lateness of attitudes */
  turnAt(rate: number, otherLateness: number): void {
    this.#rate = rate;
    this.#otherLateness = otherLateness;
  }

  /**
   * Takes a frame at rest: the heading is constant, and any change of the sensor's yaw is drift.
   * @param off radians: the yaw of the last frame less the yaw by the sensor now
   */
  addRest(off: number, dt: number): void {
    this.#offset += off;
    this.#unseenFor -= Math.min(this.#unseenFor, dt);
    if (!this.#isSteadied) return;
    this.#filter.rest();
    this.#restSeconds += dt;
    this.#restDrift += off + this.#filter.drift * dt;
  }

  /** Ends a rest, and learns the sensor's drift rate from it. */
  endRest(): void {
    const [seconds, off] = [this.#restSeconds, this.#restDrift];
    this.#restSeconds = 0;
    this.#restDrift = 0;
    if (seconds < LEAST_REST || !this.#isSteadied) return;
    this.#offset += this.#filter.correctDrift(off / seconds, square(REST_NOISE / seconds));
  }

  /** Takes a motion: metres, and radians about the vertical. @param isFree whether depth did not hold every direction */
  move(way: number, turned: number, isFree: boolean): void {
    this.#filter.age(way + VIEW_WAY * Math.abs(turned));
    if (isFree) this.#slidingSigma += SLIDING_DRIFT * way;
  }

  /** A share of the ground in view was added to the map. */
  build(share: number): void {
    this.#filter.build(share);
  }

  /** Turns the offset along with the world, by an angle about the vertical. */
  turn(angle: number): void {
    this.#offset += angle;
  }

  /** Corrects the offset by depth while a gyro steadies the attitude. */
  correctSteadied({ off, noise, variance, rate, lever }: SteadiedCorrection): void {
    const doubt = variance + square(lever * DEPTH_BIAS) + this.#filter.variance;
    this.#lateness.learn(off, rate, doubt);
    this.#offset += this.#filter.correct(off, square(noise) + variance, lever);
  }

  /** Corrects the offset by depth. A jump of the sensor is taken over at once. @returns radians of the jump, null without one */
  correct({ off, noise, variance }: HeadingCorrection): number | null {
    const own = this.#variance;
    if (Math.abs(off) > Math.max(LEAST_JUMP, JUMP_SIGMAS * Math.sqrt(own + square(noise)))) {
      this.#offset += off;
      this.#variance = square(noise);
      return -off;
    }
    const gain = own / (own + square(noise) + variance);
    this.#offset += gain * off;
    // A measurement that hardly constrains the yaw leaves the doubt as it is.
    const held = own / (own + variance);
    this.#variance = own * (1 - gain);
    this.#unseenFor *= 1 - held;
    return null;
  }
}

/** Radians about the vertical from one rotation to another. */
export const yawBetween = (from: Quat, turned: Quat): number =>
  toRotationVector(multiply(turned, conjugate(from)))[2];
