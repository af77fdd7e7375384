import { expOf } from "../geometry/elementary.ts";

/** Seconds: time constants of the two means that are compared, and how long they must agree. Chosen by hand. */
const SHORT_MEAN = 0.08;
const LONG_MEAN = 0.4;
const QUIET_SECONDS = 0.5;
/** m/s^2 and rad/s: largest difference between the two means of a quiet imu. Chosen by hand. */
const QUIET_FORCE = 0.12;
const QUIET_RATE = 0.035;
/** rad/s: largest rate of a quiet imu, including the gyro's bias. Chosen by hand. */
const QUIET_TURN = 0.035;

/** One inertial sample, as an index into arrays. */
export interface InertialSample {
  /** Seconds since the sample before. */
  readonly dt: number;
  /** Specific force, m/s^2, and turn rate, rad/s; imu frame, triples. */
  readonly force: Float64Array;
  readonly rate: Float64Array;
  /** Index at which the triples of this sample begin. */
  readonly at: number;
  /** (3) m/s^2, world: gravity and bias taken off. */
  readonly acceleration: Float64Array;
}

/**
 * Whether an imu neither shakes, turns nor accelerates: the short and the long mean of its measurements agree for a while. A quiet imu is not
 * necessarily at rest: at constant velocity it is as quiet.
 */
export class Stillness {
  /** (6) means of force and rate, imu frame. */
  readonly #short = new Float64Array(6);
  readonly #long = new Float64Array(6);
  /** (3) m/s^2, world: long mean of the acceleration. */
  readonly acceleration = new Float64Array(3);
  #quietFor = 0;
  #hasMeans = false;

  /** Seconds for which the imu has been quiet. */
  get quietFor(): number {
    return this.#quietFor;
  }

  get isQuiet(): boolean {
    return this.#quietFor >= QUIET_SECONDS;
  }

  /** Restarts the means, because samples are missing. */
  restart(): void {
    this.#quietFor = 0;
    this.#hasMeans = false;
  }

  add({ dt, force, rate, at, acceleration }: InertialSample): void {
    const [short, long] = [this.#short, this.#long];
    const a = 1 - expOf(-dt / SHORT_MEAN);
    const b = 1 - expOf(-dt / LONG_MEAN);
    const share = this.#hasMeans ? b : 1;
    for (let i = 0; i < 3; i++) this.acceleration[i]! += share * (acceleration[i]! - this.acceleration[i]!);
    if (!this.#hasMeans) {
      for (let i = 0; i < 3; i++) {
        short[i] = long[i] = force[at + i]!;
        short[3 + i] = long[3 + i] = rate[at + i]!;
      }
      this.#hasMeans = true;
    }
    let isQuiet = true;
    for (let i = 0; i < 6; i++) {
      const value = i < 3 ? force[at + i]! : rate[at + i - 3]!;
      short[i]! += a * (value - short[i]!);
      long[i]! += b * (value - long[i]!);
      if (Math.abs(short[i]! - long[i]!) > (i < 3 ? QUIET_FORCE : QUIET_RATE)) isQuiet = false;
      if (i >= 3 && Math.abs(long[i]!) > QUIET_TURN) isQuiet = false;
    }
    this.#quietFor = isQuiet ? this.#quietFor + dt : 0;
  }
}
