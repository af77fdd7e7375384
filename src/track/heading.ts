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

/** How depth corrects the heading. */
export interface HeadingCorrection {
  /** Radians: the base's yaw by depth minus that by the orientation sensor. */
  readonly off: number;
  /** Radians, 1 sigma: noise of the orientation's yaw. */
  readonly noise: number;
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

  /** Radians: world yaw minus the sensor's. */
  get offset(): number {
    return this.#offset;
  }

  /** Radians squared, of `offset`. */
  get variance(): number {
    return this.#variance;
  }

  /** Radians, 1 sigma: how unsure the yaw of a pose is that depth has corrected. */
  get sigma(): number {
    return Math.sqrt(this.#variance) + MAP_YAW_SIGMA;
  }

  /** The base stands as `world` says where the sensor says `attitude`. @param sigma radians */
  begin(world: Quat, attitude: Quat, sigma: number): void {
    this.#offset = toYawPitchRoll(world)[0] - toYawPitchRoll(attitude)[0];
    this.#variance = square(sigma);
  }

  /** The sensor's attitude with the world's yaw. */
  toWorld(attitude: Quat): Quat {
    return multiply(fromYawPitchRoll(this.#offset, 0, 0), attitude);
  }

  /** Time passed. @param drift radians by which the sensor's yaw may have drifted, 1 sigma */
  age(drift: number): void {
    this.#variance += square(drift);
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
  correct({ off, noise, dt, mostDrift }: HeadingCorrection): number | null {
    const sigma = Math.sqrt(this.#variance + square(noise));
    if (Math.abs(off) > Math.max(LEAST_JUMP, JUMP_SIGMAS * sigma)) {
      this.#offset += off;
      this.#variance = square(noise);
      return -off;
    }
    const gain = this.#variance / (sigma * sigma);
    this.#offset += gain * off;
    this.#variance *= 1 - gain;
    if (mostDrift === null) return null;
    const rate = this.#drift + (DRIFT_GAIN * off) / dt;
    this.#drift = Math.max(-mostDrift, Math.min(mostDrift, rate));
    return null;
  }
}

/** Radians about the vertical from one rotation to another. */
export const yawBetween = (from: Quat, turned: Quat): number =>
  toRotationVector(multiply(turned, conjugate(from)))[2];
