import { atan2Of, cosOf, expOf, hypot2, sinOf, square } from "../geometry/elementary.ts";
import type { Quat } from "../geometry/optics.ts";
import { conjugate, fromYawPitchRoll, multiply, toRotationVector } from "../geometry/rigid.ts";
import type { InertialSpan } from "./inertial-buffer.ts";

/** Time constant over which the orientation sensor's noise is averaged, seconds; and gain of the gyro's bias, 1/s^2. */
const SMOOTHING = 0.5;
const BIAS_GAIN = 0.05;
/** Difference between sensor and gyro, radians, that noise does not explain. `JUMP_SAMPLES` in a row are a jump; fewer are ignored as outliers. */
const JUMP = (3 * Math.PI) / 180;
const JUMP_SAMPLES = 3;
/** Seconds, 1 sigma, of the sensor's delay against the gyro: before it is learnt, and its lower bound. Chosen by hand. */
const FIRST_LATENESS = 0.05;
const LEAST_LATENESS = 0.001;
/** Largest delay that is learnt, seconds. */
const MOST_LATENESS = 0.15;
/** Radians, 1 sigma: noise of an attitude, as lateness is learnt. */
const SAID_NOISE = (0.5 * Math.PI) / 180;
/** rad/s: smaller changes of the turn rate are not used for the delay. Chosen by hand. */
const LEAST_CHANGE = (5 * Math.PI) / 180;

/** Result of `follow` for a span. */
export interface Steadied {
  /** worldFromImu at its end. */
  readonly rotation: Quat;
  /** Whether the sensor's tilt has jumped within. */
  readonly hasJumped: boolean;
  /** Radians: by how much its yaw has jumped within; the output attitudes do not follow that. */
  readonly yawJump: number;
}

/**
 * Filters the noise of the orientation sensor's attitudes: the gyro gives their changes, and they correct the drift of
 * the gyro. The sensor's own drift remains. A complementary filter (Mahony, Hamel & Pflimlin 2008) towards a fused
 * attitude in place of gravity. Late attitudes lag behind the gyro in every turn; the delay is estimated and compensated. A
 * yaw that jumps while the gyro measures no turn is an error of the sensor, and is not followed.
 */
export class SteadyAttitude {
  /** worldFromImu at the end of the last span; rad/s. */
  readonly #q = new Float64Array([0, 0, 0, 1]);
  readonly #bias = new Float64Array(3);
  readonly #off = new Float64Array(3);
  readonly #sensed = new Float64Array(4);
  /** rad/s: the gyro's rate, smoothed as the attitude is. */
  readonly #slow = new Float64Array(3);
  #age = 0;
  #strange = 0;
  /** Sum of the jumps of the sensor's yaw, radians about the vertical. */
  #jumped = 0;
  #lateness = 0;
  #latenessVariance = square(FIRST_LATENESS);

  /** Seconds by which the sensor's attitudes are later than the gyro, as learnt from turns; and 1 sigma. */
  get lateness(): number {
    return this.#lateness;
  }
  get latenessSigma(): number {
    return Math.sqrt(this.#latenessVariance);
  }

  /** An attitude of the sensor without the jumps of its yaw. */
  unjumped(said: Quat): Quat {
    return this.#jumped === 0 ? said : multiply(fromYawPitchRoll(-this.#jumped, 0, 0), said);
  }

  /**
   * Takes a span that follows the last one, and puts steady attitudes in the place of its own.
   * @returns null where the span has holes
   */
  follow(span: InertialSpan): Steadied | null {
    const { count, seconds, rotation, rate } = span;
    if (span.missing > 0 || count === 0) {
      this.#age = 0;
      return null;
    }
    const q = this.#q;
    const bias = this.#bias;
    let hasJumped = false;
    const jumped = this.#jumped;
    for (let n = 0; n < count; n++) {
      const dt = seconds[n]!;
      const half = dt / 2;
      const x = half * (rate[3 * n]! - bias[0]!);
      const y = half * (rate[3 * n + 1]! - bias[1]!);
      const z = half * (rate[3 * n + 2]! - bias[2]!);
      if (this.#age > 0) turnOn(q, x, y, z);
      this.#takeSensor(rotation, rate, n, dt);
      if (this.#correct(dt)) hasJumped = true;
      for (let i = 0; i < 4; i++) rotation[4 * n + i] = q[i]!;
      turnOn(q, x, y, z);
    }
    return { rotation: [q[0]!, q[1]!, q[2]!, q[3]!], hasJumped, yawJump: this.#jumped - jumped };
  }

  /** Sets `#sensed` to the sensor's attitude of sample `n`, without its jumps and shifted to the gyro's time; updates the delay. */
  #takeSensor(rotation: Float64Array, rate: Float64Array, n: number, dt: number): void {
    const at = 4 * n;
    const rateAt = 3 * n;
    const said = this.#sensed;
    for (let i = 0; i < 4; i++) said[i] = rotation[at + i]!;
    if (this.#jumped !== 0) said.set(this.unjumped([said[0]!, said[1]!, said[2]!, said[3]!]));
    const late = this.#lateness;
    turnOn(said, late * rate[rateAt]!, late * rate[rateAt + 1]!, late * rate[rateAt + 2]!);
    const share = Math.max(1 - expOf(-dt / SMOOTHING), dt / (this.#age + dt));
    const off = this.#off;
    if (this.#age > 0) difference(off, this.#q, said, 0);
    for (let i = 0; i < 3; i++) {
      const now = rate[rateAt + i]!;
      // The output attitude has already followed part of the lag; the rest is proportional to the rate minus its smoothed value.
      const change = now - this.#slow[i]!;
      this.#slow[i]! += share * change;
      if (this.#age < SMOOTHING || Math.abs(change) < LEAST_CHANGE || Math.abs(off[i]!) > JUMP) continue;
      const gain =
        (this.#latenessVariance * change) / (square(change) * this.#latenessVariance + square(SAID_NOISE));
      const learnt = this.#lateness - gain * off[i]!;
      this.#lateness = Math.max(-MOST_LATENESS, Math.min(MOST_LATENESS, learnt));
      const left = this.#latenessVariance * (1 - gain * change);
      this.#latenessVariance = Math.max(square(LEAST_LATENESS), left);
    }
  }

  /** Moves the attitude towards the sensor's; true when it is set to it because the sensor's tilt jumped. */
  #correct(dt: number): boolean {
    const [q, said] = [this.#q, this.#sensed];
    if (this.#age > 0) {
      const off = this.#off;
      difference(off, q, said, 0);
      const angle = Math.sqrt(square(off[0]!) + square(off[1]!) + square(off[2]!));
      this.#strange = angle > JUMP ? this.#strange + 1 : 0;
      if (this.#strange < JUMP_SAMPLES) {
        if (this.#strange > 0) return false;
        // At first a plain mean: the first sample has no extra weight.
        const share = Math.max(1 - expOf(-dt / SMOOTHING), dt / (this.#age + dt));
        this.#age += dt;
        turnOn(q, share * off[0]!, share * off[1]!, share * off[2]!);
        for (let i = 0; i < 3; i++) this.#bias[i]! -= BIAS_GAIN * dt * off[i]!;
        return false;
      }
    }
    this.#strange = 0;
    if (this.#age > 0 && this.#takeJump()) return false;
    const hasJumped = this.#age > 0;
    this.#age = dt;
    for (let i = 0; i < 4; i++) q[i] = said[i]!;
    return hasJumped;
  }

  /** Compensates a jump of the yaw as an error of the sensor; false for a jump of the tilt. */
  #takeJump(): boolean {
    const [q, said] = [this.#q, this.#sensed];
    const turned = multiply(
      [said[0]!, said[1]!, said[2]!, said[3]!],
      conjugate([q[0]!, q[1]!, q[2]!, q[3]!]),
    );
    const [x, y, z] = toRotationVector(turned);
    if (hypot2(x, y) > JUMP) return false;
    this.#jumped += z;
    return true;
  }
}

/** q = q * exp(v), kept of unit length. */
function turnOn(q: Float64Array, x: number, y: number, z: number): void {
  const angle = Math.sqrt(x * x + y * y + z * z);
  const k = angle < 1e-6 ? 0.5 : sinOf(angle / 2) / angle;
  const w = cosOf(angle / 2);
  const [a, b, c, d] = [q[0]!, q[1]!, q[2]!, q[3]!];
  const [i, j, l] = [k * x, k * y, k * z];
  q[0] = d * i + a * w + b * l - c * j;
  q[1] = d * j - a * l + b * w + c * i;
  q[2] = d * l + a * j - b * i + c * w;
  q[3] = d * w - a * i - b * j - c * l;
  const norm = Math.sqrt(square(q[0]!) + square(q[1]!) + square(q[2]!) + square(q[3]!));
  for (let n = 0; n < 4; n++) q[n]! /= norm;
}

/** The rotation vector v with `to = from * exp(v)`, of the short way round. */
function difference(out: Float64Array, from: Float64Array, to: Float64Array, at: number): void {
  const [a, b, c, d] = [-from[0]!, -from[1]!, -from[2]!, from[3]!];
  const [x, y, z, w] = [to[at]!, to[at + 1]!, to[at + 2]!, to[at + 3]!];
  const real = d * w - a * x - b * y - c * z;
  const sign = real < 0 ? -1 : 1;
  const u = sign * (d * x + a * w + b * z - c * y);
  const v = sign * (d * y - a * z + b * w + c * x);
  const t = sign * (d * z + a * y - b * x + c * w);
  const sine = Math.sqrt(u * u + v * v + t * t);
  const k = sine < 1e-9 ? 2 : (2 * atan2Of(sine, Math.abs(real))) / sine;
  out[0] = k * u;
  out[1] = k * v;
  out[2] = k * t;
}
