import type { Vec3 } from "../geometry/optics.ts";
import { largest, mix, subtract } from "../geometry/vec.ts";

/** Seconds after the wheels have stopped until the chassis stands still, too. Chosen by hand. */
const SWINGING = 0.6;
/** Seconds of samples after which their means count, and the longest time that the means are taken over. Chosen by hand. */
const STANDING = 0.15;
const STANDING_MEAN = 4;

/** A sample of the imu, and what the wheels do. */
export interface StandingSample {
  /** rad/s and m/s^2 in the imu frame. */
  readonly rate: Vec3;
  readonly force: Vec3;
  /** Seconds since the sample before. */
  readonly step: number;
  /** Whether no wheel turns. */
  readonly isStill: boolean;
}

/** Largest values of a sensor at rest: rad/s and m/s^2 around the mean; rad/s between the mean and the known bias of the gyro. */
export interface StandingLimits {
  readonly rate: number;
  readonly force: number;
  /** Known bias of the gyro, rad/s; zero while none is known. */
  readonly bias: Vec3;
  readonly biasChange: number;
}

/**
 * Rest of an imu on a base whose wheels tell that they stand. Gyro and accelerometer need only agree, so a rest is known soon: the mean rate is
 * then the gyro's bias, and the mean force is gravity.
 */
export class StandingRest {
  #rate: Vec3 = [0, 0, 0];
  #force: Vec3 = [0, 0, 0];
  /** A base that has not moved since the start does not swing. */
  #hasRolled = false;
  /** Seconds for which the wheels have stood and the sensors were quiet; and seconds in the means. */
  #stoodFor = 0;
  #meanFor = 0;

  /** Means since the chassis stood still: rad/s and m/s^2 in the imu frame, and seconds that they are taken over. */
  get rate(): Vec3 {
    return this.#rate;
  }
  get force(): Vec3 {
    return this.#force;
  }
  get seconds(): number {
    return this.#meanFor;
  }

  /** @returns "moves"; "waits" while a rest is not certain yet; "rests" when the means count */
  take({ rate, force, step, isStill }: StandingSample, limits: StandingLimits): "moves" | "waits" | "rests" {
    const isQuiet =
      this.#meanFor === 0 ||
      (largest(subtract(rate, this.#rate)) < limits.rate &&
        largest(subtract(force, this.#force)) < limits.force);
    const isBias = largest(subtract(rate, limits.bias)) < limits.biasChange + limits.rate;
    this.#hasRolled ||= !isStill;
    if (!isStill || !isQuiet || !isBias) {
      this.#stoodFor = this.#meanFor = 0;
      return "moves";
    }
    this.#stoodFor += step;
    if (this.#hasRolled && this.#stoodFor < SWINGING) return "waits";
    this.#meanFor = Math.min(STANDING_MEAN, this.#meanFor + step);
    const share = Math.min(1, step / this.#meanFor);
    this.#rate = mix(this.#rate, rate, share);
    this.#force = mix(this.#force, force, share);
    const isCertain =
      this.#meanFor >= STANDING && largest(subtract(this.#rate, limits.bias)) < limits.biasChange;
    return isCertain ? "rests" : "waits";
  }
}
