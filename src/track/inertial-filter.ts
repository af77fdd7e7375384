import type { Quat, Vec3 } from "../geometry/optics.ts";
import { matrixInto, toMatrix } from "../geometry/rigid.ts";
import type { InertialSpan } from "../sense/inertial-buffer.ts";

export interface InertialFilterSettings {
  /** White noise of the accelerometer, m/s^2 per root Hz. */
  readonly noise: number;
  /** Radians, 1 sigma: white noise of the attitudes about level axes; gravity then shows as acceleration. */
  readonly tiltNoise: number;
  /** m/s^2, 1 sigma: bias of the accelerometer before any is learnt, an attitude's lasting tilt included ... */
  readonly bias: number;
  /** ... and how it wanders, m/s^2 per root second. */
  readonly biasWalk: number;
  /** 1 sigma: error of an acceleration as a share of it (scale, axes that are not square), lasting about a second. */
  readonly scale: number;
}

/**
 * Noise of consumer-grade accelerometers is 0.0005 to 0.003 m/s^2 per root Hz and their bias 0.05 to 0.5 before calibration, less
 * after (Woodman 2007, UCAM-CL-TR-696, ch. 3 and 7). What wanders is the attitude's tilt rather: 0.01 is 0.06 degrees in a second.
 */
export const DEFAULT_INERTIAL_FILTER: InertialFilterSettings = {
  noise: 0.004,
  tiltNoise: (0.3 * Math.PI) / 180,
  bias: 0.1,
  biasWalk: 0.006,
  scale: 0.01,
};

/** m/s^2, the standard value; what differs here goes into the bias. */
const GRAVITY = 9.80665;
/** m/s^2, 1 sigma: acceleration while no sample tells. */
const UNKNOWN_ACCELERATION = 2;
const SCALE_SECONDS = 1;
/** Measurements farther than this from what is expected, in sigmas, count only as if they were as near. */
export const ROBUST = 3;

/** Numbers of the state: sum of steps, step, velocity (all world), bias (imu). */
const [SUM, STEP, VELOCITY, BIAS, N] = [0, 3, 6, 9, 12];

/** Seconds: of the means by which rest is judged, and how long they must be quiet. */
const SHORT_MEAN = 0.08;
const LONG_MEAN = 0.4;
const QUIET_SECONDS = 0.5;
/** Quiet is: m/s^2 and rad/s between the two means, and rad/s in all, the gyro's bias included. */
const QUIET_FORCE = 0.12;
const QUIET_RATE = 0.035;
const QUIET_TURN = 0.035;
/** Rest is: m/s, and m/s^2 beyond what the bias may be. The sigma of the speed must be below the first, too. */
const REST_SPEED = 0.07;
const REST_FORCE = 0.03;
/** Metres, 1 sigma, of a step at rest. */
const REST_STEP = 1e-5;

/**
 * How a point moves by the accelerations that an imu there feels: steps between frames, velocity, and the accelerometer's bias, which
 * takes a lasting tilt of the attitude in, too; with their covariance. A Kalman filter of error-free attitudes: what those err by is
 * in its noise. `correctStep` and `rest` are what it learns by.
 */
export class InertialFilter {
  readonly #settings: InertialFilterSettings;
  /** (N), and (N * N) its covariance. */
  readonly #x = new Float64Array(N);
  readonly #P = new Float64Array(N * N);
  readonly #gain = new Float64Array(N);
  /** (9) worldFromImu of the sample in hand. */
  readonly #R = new Float64Array(9);
  #isRunning = false;
  #isFresh = true;
  /** (6) short and long means of force and rate, (3) long mean of the acceleration in the world; imu frame but for the last. */
  readonly #short = new Float64Array(6);
  readonly #long = new Float64Array(6);
  readonly #felt = new Float64Array(3);
  #quietFor = 0;
  #hasMeans = false;

  constructor(settings: Partial<InertialFilterSettings> = {}) {
    this.#settings = { ...DEFAULT_INERTIAL_FILTER, ...settings };
  }

  /** False until `start`, and after `stop`. */
  get isRunning(): boolean {
    return this.#isRunning;
  }

  /** Metres, world: from the last `mark` to now, and from `start` or `forget` to the last `mark`. */
  get step(): Vec3 {
    return this.#at(STEP);
  }
  get sum(): Vec3 {
    return this.#at(SUM);
  }
  /** m/s, world. */
  get velocity(): Vec3 {
    return this.#at(VELOCITY);
  }
  /** m/s^2, imu frame. */
  get bias(): Vec3 {
    return this.#at(BIAS);
  }

  #at(block: number): Vec3 {
    return [this.#x[block]!, this.#x[block + 1]!, this.#x[block + 2]!];
  }

  /** (9) covariances of these, copied. */
  get stepSpread(): Float64Array {
    return this.#block(STEP);
  }
  get sumSpread(): Float64Array {
    return this.#block(SUM);
  }
  get velocitySpread(): Float64Array {
    return this.#block(VELOCITY);
  }
  get biasSpread(): Float64Array {
    return this.#block(BIAS);
  }

  #block(at: number): Float64Array {
    const out = new Float64Array(9);
    for (let i = 0; i < 3; i++) for (let j = 0; j < 3; j++) out[3 * i + j] = this.#P[N * (at + i) + at + j]!;
    return out;
  }

  /** Begins with a velocity, m/s in the world, and its sigma; what was learnt of the bias goes on. */
  start(velocity: Vec3, sigma: number): void {
    this.stop();
    this.#isRunning = true;
    for (let i = 0; i < 3; i++) {
      this.#x[VELOCITY + i] = velocity[i]!;
      this.#P[(N + 1) * (VELOCITY + i)] = sigma * sigma;
      if (this.#isFresh) this.#P[(N + 1) * (BIAS + i)] = this.#settings.bias ** 2;
    }
    this.#isFresh = false;
  }

  /** Forgets all but the bias. */
  stop(): void {
    this.#isRunning = false;
    this.#quietFor = 0;
    this.#hasMeans = false;
    for (let i = 0; i < BIAS; i++) this.#clear(i);
  }

  /** Of no value and no variance. */
  #clear(i: number): void {
    this.#x[i] = 0;
    for (let j = 0; j < N; j++) {
      this.#P[N * i + j] = 0;
      this.#P[N * j + i] = 0;
    }
  }

  /** Goes on through a span's samples. @param yaw radians about the vertical from the span's world to this one */
  advance(span: InertialSpan, yaw: number): void {
    const [sine, cosine] = [Math.sin(yaw / 2), Math.cos(yaw / 2)];
    for (let n = 0; n < span.count; n++) {
      this.#turnTo(span.rotation, 4 * n, sine, cosine);
      if (n === 0) this.#settle(span.owed);
      this.#sample(span.seconds[n]!, span.force, 3 * n);
      this.#watch(span.seconds[n]!, span.force, span.rate, 3 * n);
    }
    if (span.missing > 0) this.#drift(span.missing);
  }

  /** Sets `#R` to the rotation of a quaternion, turned further about the vertical. */
  #turnTo(q: ArrayLike<number>, at: number, s: number, c: number): void {
    const [a, b, d, e] = [q[at]!, q[at + 1]!, q[at + 2]!, q[at + 3]!];
    matrixInto(this.#R, c * a - s * b, c * b + s * a, c * d + s * e, c * e - s * d);
  }

  #settle(owed: Float64Array): void {
    const R = this.#R;
    for (let i = 0; i < 3; i++) {
      this.#x[VELOCITY + i]! += R[3 * i]! * owed[0]! + R[3 * i + 1]! * owed[1]! + R[3 * i + 2]! * owed[2]!;
    }
  }

  #sample(dt: number, force: Float64Array, at: number): void {
    const { noise, tiltNoise, biasWalk, scale } = this.#settings;
    const x = this.#x;
    const R = this.#R;
    const fx = force[at]! - x[BIAS]!;
    const fy = force[at + 1]! - x[BIAS + 1]!;
    const fz = force[at + 2]! - x[BIAS + 2]!;
    const share = this.#hasMeans ? 1 - Math.exp(-dt / LONG_MEAN) : 1;
    let squares = 0;
    for (let i = 0; i < 3; i++) {
      const a = R[3 * i]! * fx + R[3 * i + 1]! * fy + R[3 * i + 2]! * fz - (i === 2 ? GRAVITY : 0);
      this.#felt[i]! += share * (a - this.#felt[i]!);
      x[STEP + i]! += dt * x[VELOCITY + i]! + 0.5 * dt * dt * a;
      x[VELOCITY + i]! += dt * a;
      squares += a * a;
    }
    this.#carry(dt);
    const q = noise * noise + (GRAVITY * tiltNoise) ** 2 * dt + scale * scale * squares * SCALE_SECONDS;
    this.#scatter(dt, q);
    for (let i = BIAS; i < N; i++) this.#P[(N + 1) * i]! += biasWalk * biasWalk * dt;
  }

  /** Covariance carried on: step' = step + dt velocity - dt^2 / 2 R bias, velocity' = velocity - dt R bias. */
  #carry(dt: number): void {
    const P = this.#P;
    const R = this.#R;
    for (let pass = 0; pass < 2; pass++) {
      // Rows first, then columns.
      const [along, across] = pass === 0 ? [1, N] : [N, 1];
      for (let j = 0; j < N; j++) {
        const k = j * along;
        const b0 = P[k + across * BIAS]!;
        const b1 = P[k + across * (BIAS + 1)]!;
        const b2 = P[k + across * (BIAS + 2)]!;
        for (let i = 0; i < 3; i++) {
          const turned = R[3 * i]! * b0 + R[3 * i + 1]! * b1 + R[3 * i + 2]! * b2;
          const v = k + across * (VELOCITY + i);
          P[k + across * (STEP + i)]! += dt * P[v]! - 0.5 * dt * dt * turned;
          P[v]! -= dt * turned;
        }
      }
    }
  }

  /** White acceleration of a density, (m/s^2)^2 per Hz, over a time. */
  #scatter(dt: number, density: number): void {
    const P = this.#P;
    for (let i = 0; i < 3; i++) {
      P[(N + 1) * (VELOCITY + i)]! += density * dt;
      P[(N + 1) * (STEP + i)]! += (density * dt ** 3) / 3;
      P[N * (STEP + i) + VELOCITY + i]! += (density * dt * dt) / 2;
      P[N * (VELOCITY + i) + STEP + i]! += (density * dt * dt) / 2;
    }
  }

  /** On without a sample. */
  #drift(seconds: number): void {
    for (let i = 0; i < 3; i++) this.#x[STEP + i]! += seconds * this.#x[VELOCITY + i]!;
    this.#R.fill(0);
    this.#carry(seconds);
    this.#scatter(seconds, UNKNOWN_ACCELERATION ** 2 * seconds);
    this.#quietFor = 0;
    this.#hasMeans = false;
  }

  /** Whether the imu shakes, turns or speeds up. */
  #watch(dt: number, force: Float64Array, rate: Float64Array, at: number): void {
    const [short, long] = [this.#short, this.#long];
    if (!this.#hasMeans) {
      for (let i = 0; i < 3; i++) {
        short[i] = long[i] = force[at + i]!;
        short[3 + i] = long[3 + i] = rate[at + i]!;
      }
      this.#hasMeans = true;
    }
    const a = 1 - Math.exp(-dt / SHORT_MEAN);
    const b = 1 - Math.exp(-dt / LONG_MEAN);
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

  /**
   * Whether the point stands still: nothing is felt, *and* the velocity is known to be next to none. What is felt alone does not tell
   * rest from an even way: a speed that is not known stays unknown however quiet it is.
   */
  get isAtRest(): boolean {
    if (!(this.#isRunning && this.#quietFor >= QUIET_SECONDS)) return false;
    for (let i = 0; i < 3; i++) {
      const speedSigma = Math.sqrt(this.#P[(N + 1) * (VELOCITY + i)]!);
      const biasSigma = Math.sqrt(this.#P[(N + 1) * (BIAS + i)]!);
      if (speedSigma > REST_SPEED || Math.abs(this.#x[VELOCITY + i]!) > REST_SPEED) return false;
      if (Math.abs(this.#felt[i]!) > REST_FORCE + 3 * biasSigma) return false;
    }
    return true;
  }

  /** It stands still: the step is none, and what is felt is bias. */
  rest(): void {
    for (let i = 0; i < 3; i++) {
      const axis: Vec3 = [i === 0 ? 1 : 0, i === 1 ? 1 : 0, i === 2 ? 1 : 0];
      this.#correct(STEP, axis, 0, REST_STEP ** 2);
    }
  }

  /**
   * The step since the last `mark` was measured along a unit axis of the world: metres, and m^2.
   * @returns how far off it had been thought, squared, in variances of that difference
   */
  correctStep(axis: Vec3, metres: number, variance: number): number {
    return this.#correct(STEP, axis, metres, variance);
  }

  /** The same without taking it in. */
  surprise(axis: Vec3, metres: number, variance: number): number {
    const off = metres - this.#along(STEP, axis);
    return (off * off) / (this.#project(STEP, axis) + variance);
  }

  /** Its velocity along a unit axis is less sure than thought: m/s, 1 sigma, more. */
  unsettle(axis: Vec3, sigma: number): void {
    for (let i = 0; i < 3; i++) {
      for (let j = 0; j < 3; j++) {
        this.#P[N * (VELOCITY + i) + VELOCITY + j]! += sigma * sigma * axis[i]! * axis[j]!;
      }
    }
  }

  #along(block: number, axis: Vec3): number {
    const x = this.#x;
    return axis[0] * x[block]! + axis[1] * x[block + 1]! + axis[2] * x[block + 2]!;
  }

  /** Sets `#gain` to the covariances with a block along an axis; the variance there. */
  #project(block: number, axis: Vec3): number {
    const P = this.#P;
    const gain = this.#gain;
    for (let i = 0; i < N; i++) {
      const k = N * i + block;
      gain[i] = P[k]! * axis[0] + P[k + 1]! * axis[1] + P[k + 2]! * axis[2];
    }
    return axis[0] * gain[block]! + axis[1] * gain[block + 1]! + axis[2] * gain[block + 2]!;
  }

  #correct(block: number, axis: Vec3, value: number, variance: number): number {
    const off = value - this.#along(block, axis);
    const spread = this.#project(block, axis) + variance;
    const surprise = (off * off) / spread;
    const s = spread * Math.max(1, surprise / ROBUST ** 2);
    const [x, P, gain] = [this.#x, this.#P, this.#gain];
    for (let i = 0; i < N; i++) {
      const k = gain[i]! / s;
      x[i]! += k * off;
      for (let j = 0; j < N; j++) P[N * i + j]! -= k * gain[j]!;
    }
    return surprise;
  }

  /** A frame is done: the step joins the sum, and the next one begins. */
  mark(): void {
    const P = this.#P;
    for (let i = 0; i < 3; i++) this.#x[SUM + i]! += this.#x[STEP + i]!;
    for (let i = 0; i < 3; i++) {
      for (let j = 0; j < N; j++) P[N * (SUM + i) + j]! += P[N * (STEP + i) + j]!;
    }
    for (let i = 0; i < 3; i++) {
      for (let j = 0; j < N; j++) P[N * j + SUM + i]! += P[N * j + STEP + i]!;
    }
    for (let i = 0; i < 3; i++) this.#clear(STEP + i);
  }

  /** The sum begins anew. */
  forget(): void {
    for (let i = 0; i < 3; i++) this.#clear(SUM + i);
  }

  /** Goes on in a world that is turned. */
  turn(rotation: Quat): void {
    const m = toMatrix({ rotation, position: [0, 0, 0] });
    for (let block = 0; block < BIAS; block += 3) {
      this.#rotate(this.#x, block, 1, m);
      for (let j = 0; j < N; j++) this.#rotate(this.#P, N * block + j, N, m);
    }
    for (let block = 0; block < BIAS; block += 3) {
      for (let i = 0; i < N; i++) this.#rotate(this.#P, N * i + block, 1, m);
    }
  }

  /** Turns three numbers, `step` apart. @param m (16) column-major */
  #rotate(values: Float64Array, at: number, step: number, m: Float64Array): void {
    const [a, b, c] = [values[at]!, values[at + step]!, values[at + 2 * step]!];
    for (let i = 0; i < 3; i++) values[at + i * step] = m[i]! * a + m[4 + i]! * b + m[8 + i]! * c;
  }
}
