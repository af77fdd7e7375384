import { square } from "../geometry/elementary.ts";
import type { Quat } from "../geometry/optics.ts";
import {
  conjugate,
  fromYawPitchRoll,
  multiply,
  toRotationVector,
  toYawPitchRoll,
} from "../geometry/rigid.ts";

const DEGREE = Math.PI / 180;
/** Sigmas: a larger step of the orientation's yaw is a jump. Noise alone exceeds five sigma once in 1.7 million frames. */
export const JUMP_SIGMAS = 5;
/** Radians: a smaller step of the yaw is never a jump. Chosen by hand. */
export const LEAST_JUMP = 3 * DEGREE;
/** Gain of the drift rate per frame: share of a difference in yaw that goes into it. Chosen by hand: it converges over some minutes. */
const DRIFT_GAIN = 0.0006;
/** Radians, 1 sigma: heading error of the map itself. Chosen by hand. */
const MAP_YAW_SIGMA = 0.2 * DEGREE;

/** Seconds of usable depth in which the variance of the drift falls to 1/e. Chosen by hand. */
const DRIFT_SECONDS = 15;
/** Floor of the drift's sigma, as a share of the given drift. Chosen by hand. */
const LEAST_DRIFT = 0.1;
/** Seconds: shortest rest that the drift is measured in; and radians, 1 sigma, noise of a steadied attitude. Chosen by hand. */
const LEAST_REST = 1;
const REST_NOISE = 0.12 * DEGREE;
/** Radians per metre, 1 sigma: drift of the map's heading on sliding stretches. Chosen by hand: 1.0 degree after 10 m of corridor (`trouble`). */
const SLIDING_DRIFT = 0.08 * DEGREE;
/** Share of the drift of the yaw that goes into a growing map in spite of depth. Found with a gyro of unknown bias (`score-homes`): up to a half. */
const GROWN_SHARE = 0.4;
/** Seconds, 1 sigma: doubt about the lateness of attitudes against depth: before any is learnt, and its floor. Chosen by hand. */
const FIRST_LATENESS = 0.01;
const LEAST_LATENESS = 0.0015;
/** Seconds: cap of the learnt lateness. */
const MOST_LATENESS = 0.15;
/** rad/s: slower turns do not update the lateness. Chosen by hand. */
const LEAST_RATE = 8 * DEGREE;
/** Radians, 1 sigma: noise of a yaw by depth in the estimate of the lateness. It is large because the errors last for some frames. Chosen by hand. */
const LATENESS_NOISE = 0.5 * DEGREE;

/** A measurement of the heading by depth. */
export interface HeadingCorrection {
  /** Radians: the base's yaw by depth minus the yaw by the orientation sensor. */
  readonly off: number;
  /** Radians, 1 sigma: noise of the orientation's yaw. */
  readonly noise: number;
  /** Radians squared: variance of the yaw by depth; large where depth hardly constrains it. */
  readonly variance: number;
  /** rad/s: turn rate of the base. */
  readonly rate: number;
  /** Seconds since the frame before. */
  readonly dt: number;
  /** Radians per second: cap of the learnt drift rate; null where noise hides the drift, so that none is learnt. */
  readonly mostDrift: number | null;
}

/**
 * The offset from the orientation sensor's yaw, which has an origin of its own and drifts, to the world's yaw. It is a Kalman filter with one
 * state, together with estimates of the drift rate and of the lateness of attitudes.
 */
export class Heading {
  #offset = 0;
  #variance = 0;
  /** Radians per second: drift rate of the offset. */
  #drift = 0;
  /** Seconds for which depth has not held the yaw. */
  #unseenFor = 0;
  /** (rad/s)^2: variance of the drift rate. */
  #driftVariance = Number.NaN;
  /** The present rest of the base: seconds, and radians of drift of the sensor's yaw in them, negated. */
  #restSeconds = 0;
  #restDrift = 0;
  /** Radians, 1 sigma: drift of the map's heading on stretches where depth did not hold every direction, or the yaw drifted fast. */
  #slidingSigma = 0;
  /** Lateness of attitudes against depth, seconds, and its variance. */
  #lateness = 0;
  #latenessVariance = square(FIRST_LATENESS);
  /** rad/s: turn rate of the base. */
  #rate = 0;
  /** Seconds, 1 sigma: further doubt about the lateness. */
  #otherLateness = 0;

  /** Radians: world yaw minus the sensor's. */
  get offset(): number {
    return this.#offset;
  }

  /** Radians squared, of `offset`. */
  get variance(): number {
    return this.#variance;
  }

  /** Radians, 1 sigma: drift of the sensor since depth last held the yaw. */
  get #unseen(): number {
    return this.#unseenFor > 0 ? Math.sqrt(this.#driftVariance) * this.#unseenFor : 0;
  }

  /** Radians, 1 sigma: doubt about the yaw of a pose that depth has corrected. */
  get sigma(): number {
    return (
      Math.sqrt(this.variance + square(this.#rate * this.latenessSigma)) +
      this.#unseen +
      this.#slidingSigma +
      MAP_YAW_SIGMA
    );
  }

  /** Lateness of attitudes against depth, seconds, as learnt from turns; and 1 sigma. */
  get lateness(): number {
    return this.#lateness;
  }
  get latenessSigma(): number {
    return Math.sqrt(this.#latenessVariance + square(this.#otherLateness));
  }

  /** Sets the offset: the base's rotation is `world` while the sensor's attitude is `attitude`. @param sigma radians */
  begin(world: Quat, attitude: Quat, sigma: number): void {
    this.#offset = toYawPitchRoll(world)[0] - toYawPitchRoll(attitude)[0];
    this.#variance = square(sigma);
  }

  /** The sensor's attitude with the world's yaw. */
  toWorld(attitude: Quat): Quat {
    return multiply(fromYawPitchRoll(this.#offset + this.#lateness * this.#rate, 0, 0), attitude);
  }

  /** Sets the offset after a search of the map, which knows nothing of the drift since the head was lost. @param sigma radians */
  findAgain(offset: number, sigma: number): void {
    this.#offset = offset;
    this.#variance = square(sigma);
    this.#unseenFor = 0;
  }

  /** Grows the doubt over `dt` seconds. @param drift rad/s, 1 sigma, of the sensor's yaw */
  age(drift: number, dt: number): void {
    this.#variance += square(drift * dt);
    if (Number.isNaN(this.#driftVariance)) this.#driftVariance = square(drift);
    this.#driftVariance = Math.max(this.#driftVariance, square(LEAST_DRIFT * drift));
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
    this.#restSeconds += dt;
    this.#restDrift += off + this.#drift * dt;
  }

  /** Ends a rest, and learns the sensor's drift rate from it. */
  endRest(): void {
    const [seconds, off] = [this.#restSeconds, this.#restDrift];
    this.#restSeconds = 0;
    this.#restDrift = 0;
    if (seconds < LEAST_REST) return;
    const noise = square(REST_NOISE / seconds);
    const gain = this.#driftVariance / (this.#driftVariance + noise);
    this.#drift += gain * (off / seconds - this.#drift);
    this.#driftVariance *= 1 - gain;
  }

  /** Takes a motion during which depth did not hold every direction. @param way metres */
  slide(way: number): void {
    this.#slidingSigma += SLIDING_DRIFT * way;
  }

  /** Takes a time in which the map grew while the yaw drifted fast: by `drift` radians, 1 sigma. */
  doubtMap(drift: number): void {
    this.#slidingSigma += GROWN_SHARE * drift;
  }

  /** Adds the drift at the learnt rate. */
  followDrift(seconds: number): void {
    this.#offset += this.#drift * seconds;
  }

  /** Turns the offset along with the world, by an angle about the vertical. */
  turn(angle: number): void {
    this.#offset += angle;
  }

  /** Corrects the offset by depth. A jump of the sensor is taken over at once. @returns radians of the jump, null without one */
  correct({ off, noise, variance, rate, dt, mostDrift }: HeadingCorrection): number | null {
    const before = this.variance;
    const sigma = Math.sqrt(before + square(noise));
    if (Math.abs(off) > Math.max(LEAST_JUMP, JUMP_SIGMAS * sigma)) {
      this.#offset += off;
      this.#variance = square(noise);
      return -off;
    }
    if (mostDrift !== null) this.#learnLateness(off, rate, variance);
    const late = mostDrift === null ? 0 : square(rate * this.latenessSigma);
    const own = this.#variance;
    const gain = own / (own + square(noise) + variance + late);
    this.#offset += gain * off;
    // A measurement that hardly constrains the yaw leaves the doubt as it is.
    const held = own / (own + variance);
    this.#variance = own * (1 - gain);
    this.#unseenFor *= 1 - held;
    if (mostDrift === null) return null;
    const drift = this.#drift + (held * DRIFT_GAIN * off) / dt;
    this.#drift = Math.max(-mostDrift, Math.min(mostDrift, drift));
    this.#driftVariance *= 1 - (held * dt) / DRIFT_SECONDS;
    return null;
  }

  /** Learns the lateness: in a turn, late attitudes lag behind depth in proportion to the rate. */
  #learnLateness(off: number, rate: number, variance: number): void {
    if (Math.abs(rate) < LEAST_RATE) return;
    const spread = this.#latenessVariance;
    const gain = (spread * rate) / (rate * rate * spread + square(LATENESS_NOISE) + variance);
    const learnt = this.#lateness + gain * off;
    this.#lateness = Math.max(-MOST_LATENESS, Math.min(MOST_LATENESS, learnt));
    this.#latenessVariance = Math.max(square(LEAST_LATENESS), spread * (1 - gain * rate));
  }
}

/** Radians about the vertical from one rotation to another. */
export const yawBetween = (from: Quat, turned: Quat): number =>
  toRotationVector(multiply(turned, conjugate(from)))[2];
