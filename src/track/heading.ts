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
/** Sigmas beyond which a step of the orientation's yaw is a jump: noise alone passes five once in 1.7 million frames. */
export const JUMP_SIGMAS = 5;
/** Radians: a smaller step of the yaw is no jump. Chosen by hand. */
export const LEAST_JUMP = 3 * DEGREE;
/** The share of a difference in yaw that goes into the rate of drift, each frame. Chosen by hand: it settles over some minutes. */
const DRIFT_GAIN = 0.0006;
/** Radians, 1 sigma: error of the heading of the map itself. Chosen by hand. */
const MAP_YAW_SIGMA = 0.2 * DEGREE;

/** Seconds of sight in which the variance of the drift falls to 1/e. Chosen by hand. */
const DRIFT_SECONDS = 15;
/** Share of the given drift that stays unknown. Chosen by hand. */
const LEAST_DRIFT = 0.1;
/** Seconds: a shorter stand tells nothing of the drift; and radians, 1 sigma, of a steadied attitude. Chosen by hand. */
const LEAST_STAND = 1;
const STAND_NOISE = 0.12 * DEGREE;
/** Radians per metre, 1 sigma. Chosen by hand: 1.0 degree after 10 m of corridor (`trouble`). */
const SLIDING_DRIFT = 0.08 * DEGREE;
/** Seconds, 1 sigma: by how much attitudes may be later than depth before it is learnt, and at the least. Chosen by hand. */
const FIRST_LATENESS = 0.01;
const LEAST_LATENESS = 0.0015;
/** Seconds: no more is learnt. */
const MOST_LATENESS = 0.15;
/** rad/s: slower turns tell nothing of lateness. Chosen by hand. */
const LEAST_RATE = 8 * DEGREE;
/** Radians, 1 sigma: of a yaw by depth, as lateness is learnt. Its errors last for some frames. Chosen by hand. */
const LATENESS_NOISE = 0.5 * DEGREE;

/** How depth corrects the heading. */
export interface HeadingCorrection {
  /** Radians: the base's yaw by depth minus that by the orientation sensor. */
  readonly off: number;
  /** Radians, 1 sigma: noise of the orientation's yaw. */
  readonly noise: number;
  /** Radians squared: of the yaw by depth; large where depth hardly holds it. */
  readonly variance: number;
  /** rad/s: how fast the base turns. */
  readonly rate: number;
  /** Seconds since the frame before. */
  readonly dt: number;
  /** Radians per second: the largest rate of drift to learn; null where noise hides it, then none is learnt. */
  readonly mostDrift: number | null;
}

/**
 * World yaw minus the orientation sensor's, which has an origin of its own and drifts: a Kalman filter of one state, and the rate at
 * which it drifts.
 */
export class Heading {
  #offset = 0;
  #variance = 0;
  /** Radians per second, by the orientation sensor. */
  #drift = 0;
  /** Seconds: for how long depth has not held the yaw. */
  #unseenFor = 0;
  /** (rad/s)^2: of the drift. */
  #driftVariance = Number.NaN;
  /** Seconds for which the base has stood, and radians by which the sensor's yaw drifted meanwhile, its sign turned. */
  #stoodFor = 0;
  #stoodOff = 0;
  /** Radians, 1 sigma: what the map's heading may have drifted by on ways where depth did not hold every direction. */
  #slid = 0;
  /** Seconds by which attitudes are late against depth, and its variance. */
  #lateness = 0;
  #latenessVariance = square(FIRST_LATENESS);
  /** rad/s: how fast the base turns. */
  #rate = 0;
  /** Seconds, 1 sigma: what else attitudes may be late by. */
  #otherLateness = 0;

  /** Radians: world yaw minus the sensor's. */
  get offset(): number {
    return this.#offset;
  }

  /** Radians squared, of `offset`. */
  get variance(): number {
    return this.#variance;
  }

  /** Radians, 1 sigma: what the sensor may have drifted by since depth last held the yaw. */
  get #unseen(): number {
    return this.#unseenFor > 0 ? Math.sqrt(this.#driftVariance) * this.#unseenFor : 0;
  }

  /** Radians, 1 sigma: how unsure the yaw of a pose is that depth has corrected. */
  get sigma(): number {
    return (
      Math.sqrt(this.variance + square(this.#rate * this.latenessSigma)) +
      this.#unseen +
      this.#slid +
      MAP_YAW_SIGMA
    );
  }

  /** Seconds by which attitudes are later than depth, as learnt from turns; and 1 sigma. */
  get lateness(): number {
    return this.#lateness;
  }
  get latenessSigma(): number {
    return Math.sqrt(this.#latenessVariance + square(this.#otherLateness));
  }

  /** The base stands as `world` says where the sensor says `attitude`. @param sigma radians */
  begin(world: Quat, attitude: Quat, sigma: number): void {
    this.#offset = toYawPitchRoll(world)[0] - toYawPitchRoll(attitude)[0];
    this.#variance = square(sigma);
  }

  /** The sensor's attitude with the world's yaw. */
  toWorld(attitude: Quat): Quat {
    return multiply(fromYawPitchRoll(this.#offset + this.#lateness * this.#rate, 0, 0), attitude);
  }

  /** Time passed. @param drift rad/s by which the sensor's yaw may drift, 1 sigma */
  age(drift: number, dt: number): void {
    this.#variance += square(drift * dt);
    if (Number.isNaN(this.#driftVariance)) this.#driftVariance = square(drift);
    this.#driftVariance = Math.max(this.#driftVariance, square(LEAST_DRIFT * drift));
    this.#unseenFor += dt;
  }

  /** The base turns: rad/s. @param otherLateness seconds, 1 sigma: what attitudes may be late by besides */
  turnAt(rate: number, otherLateness: number): void {
    this.#rate = rate;
    this.#otherLateness = otherLateness;
  }

  /**
   * The base stands still: its heading stays, and what the sensor's yaw does is drift.
   * @param off radians: what it was in the last frame less what the sensor says now
   */
  stand(off: number, dt: number): void {
    this.#offset += off;
    this.#unseenFor -= Math.min(this.#unseenFor, dt);
    this.#stoodFor += dt;
    this.#stoodOff += off + this.#drift * dt;
  }

  /** The base moves again: the sensor's drift while it stood is learnt. */
  goOn(): void {
    const [seconds, off] = [this.#stoodFor, this.#stoodOff];
    this.#stoodFor = 0;
    this.#stoodOff = 0;
    if (seconds < LEAST_STAND) return;
    const noise = square(STAND_NOISE / seconds);
    const gain = this.#driftVariance / (this.#driftVariance + noise);
    this.#drift += gain * (off / seconds - this.#drift);
    this.#driftVariance *= 1 - gain;
  }

  /** The base went on where depth does not hold every direction. @param way metres */
  slide(way: number): void {
    this.#slid += SLIDING_DRIFT * way;
  }

  /** Adds the drift that is expected at the learnt rate. */
  followDrift(seconds: number): void {
    this.#offset += this.#drift * seconds;
  }

  /** The world was turned by an angle about the vertical. */
  turn(angle: number): void {
    this.#offset += angle;
  }

  /** Follows what depth says of the yaw; a jump is taken over at once. @returns radians by which the sensor jumped, null when it did not */
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
    // Without sight of the yaw the doubt stays.
    const held = own / (own + variance);
    this.#variance = own * (1 - gain);
    this.#unseenFor *= 1 - held;
    if (mostDrift === null) return null;
    const drift = this.#drift + (held * DRIFT_GAIN * off) / dt;
    this.#drift = Math.max(-mostDrift, Math.min(mostDrift, drift));
    this.#driftVariance *= 1 - (held * dt) / DRIFT_SECONDS;
    return null;
  }

  /** In a turn attitudes that are late lag behind depth. */
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
