import { hypot2, square } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import { wrapAngle } from "../geometry/vec.ts";
import type { InertialEvent, MotionEvent } from "./events.ts";

/** Sources that show motion of the head. */
export type MotionSource = "odometry" | "gyro" | "accelerometer";

/** rad/s: twice the bias of a cheap gyro before its first rest (`largestBias` in attitude.ts). */
const TURNING = (4 * Math.PI) / 180;
/** m/s^2: below the accelerations of starting and braking, and several times the noise of the mean. Chosen by hand. */
const PUSHED = 0.4;
/** Number of samples in a mean: five of a 200 Hz sensor take 25 ms, and a single spike among them is no motion. */
const MEAN_OF = 5;
/** Seconds: time constant of the accelerometer's reference mean; it is not used before that time. */
const MEAN_TIME = 1;

/** Finds motion in raw inertial samples. It needs no attitude, so that a frozen attitude cannot hide what it finds. */
export class InertialMotion {
  #count = 0;
  #first = Number.NaN;
  #last = Number.NaN;
  readonly #rates = new Float64Array(3 * MEAN_OF);
  readonly #forces = new Float64Array(3 * MEAN_OF);
  readonly #rest = new Float64Array(3);

  /** The source of motion in the newest samples; null without motion. */
  take({ time, gyro, accel }: InertialEvent): MotionSource | null {
    if (!(time > this.#last) && this.#count > 0) return null;
    const step = (time - this.#last) / 1e6;
    this.#last = time;
    if (this.#count === 0) this.#first = time;
    const at = 3 * (this.#count++ % MEAN_OF);
    for (let k = 0; k < 3; k++) {
      this.#rates[at + k] = gyro[k]!;
      this.#forces[at + k] = accel[k]!;
    }
    if (this.#count < MEAN_OF) {
      this.#rest.set(accel);
      return null;
    }
    const rate = lengthOf(this.#rates, null);
    const force = lengthOf(this.#forces, this.#rest);
    const share = Math.min(1, step / MEAN_TIME);
    for (let k = 0; k < 3; k++) this.#rest[k] = this.#rest[k]! + share * (accel[k]! - this.#rest[k]!);
    if (rate > TURNING) return "gyro";
    return force > PUSHED && time - this.#first > 1e6 * MEAN_TIME ? "accelerometer" : null;
  }
}

/** Length of the mean of `MEAN_OF` vectors, less another. */
function lengthOf(vectors: Float64Array, less: Float64Array | null): number {
  let squares = 0;
  for (let k = 0; k < 3; k++) {
    let sum = 0;
    for (let n = k; n < vectors.length; n += 3) sum += vectors[n]!;
    squares += square(sum / MEAN_OF - (less?.[k] ?? 0));
  }
  return Math.sqrt(squares);
}

/** Motion by the wheels between two samples: metres, and radians to either side. */
export function wheelMotion(
  from: Vec3,
  { pose }: MotionEvent,
): { readonly way: number; readonly turn: number } {
  return {
    way: hypot2(pose[0] - from[0], pose[1] - from[1]),
    turn: Math.abs(wrapAngle(pose[2] - from[2])),
  };
}
