import { cosOf, cube, sinOf, square } from "../geometry/elementary.ts";
import type { Quat, Vec3 } from "../geometry/optics.ts";
import { matrixInto, toMatrix } from "../geometry/rigid.ts";
import type { InertialSpan } from "../sense/inertial-buffer.ts";
import { Stillness } from "./stillness.ts";

/** Errors of an accelerometer. */
export interface AccelerometerNoise {
  /** White noise, m/s^2 per root Hz. */
  readonly noise: number;
  /** m/s^2, 1 sigma: bias before any is learnt. A lasting tilt of the attitudes counts as bias, too. */
  readonly bias: number;
  /** Random walk of the bias, m/s^2 per root second. */
  readonly biasWalk: number;
  /** 1 sigma: error of an acceleration as a share of it (scale, axes that are not orthogonal). It lasts about a second. */
  readonly scale: number;
}

/**
 * Of a consumer-grade accelerometer: noise 0.0005 to 0.003 m/s^2 per root Hz; bias 0.05 to 0.5 before calibration, less after (Woodman
 * 2007, UCAM-CL-TR-696, ch. 3 and 7). The random walk is mostly the attitude's tilt: 0.01 m/s^2 is 0.06 degrees. Walk and scale are
 * chosen by hand.
 */
const CONSUMER: AccelerometerNoise = { noise: 0.004, bias: 0.1, biasWalk: 0.006, scale: 0.01 };

/** m/s^2, the standard value. The local difference from it goes into the bias. */
const GRAVITY = 9.80665;
/** m/s^2, 1 sigma: acceleration assumed while no samples arrive. Chosen by hand. */
const UNKNOWN_ACCELERATION = 2;
/** Seconds for which a scale error keeps its sign: one stretch of speeding up or braking. Chosen by hand. */
const SCALE_SECONDS = 1;
/** Sigmas: an innovation beyond this is clipped to it, so that outliers have bounded influence. */
export const GATE_SIGMAS = 3;
/** m/s: the most that the estimated speed of a base at rest, and its sigma, may be. Chosen by hand. */
const REST_SPEED = 0.07;
/** m/s^2: the most that the measured acceleration of a base at rest exceeds three sigma of the bias. Chosen by hand. */
const REST_FORCE = 0.03;
/** Metres, 1 sigma: of a step at rest. */
const REST_STEP = 1e-5;

/** First indices of the state's blocks: sum of steps, step, velocity (all world), bias (imu); and the state's size. */
const [SUM, STEP, VELOCITY, BIAS, N] = [0, 3, 6, 9, 12];

/**
 * Inertial dead reckoning of one point: a Kalman filter of the step since the last frame, the velocity, and the accelerometer's bias. It
 * takes the attitudes as given: their noise is part of the filter's process noise, and a lasting tilt part of the bias. `correctStep` and
 * `rest` correct it. Checked against one dense least-squares solution (tests/outside).
 */
export class InertialFilter {
  readonly #imu: AccelerometerNoise;
  readonly #tiltNoise: number;
  /** (N) the state, and (N * N) its covariance. */
  readonly #x = new Float64Array(N);
  readonly #P = new Float64Array(N * N);
  readonly #gain = new Float64Array(N);
  /** (9) worldFromImu of the current sample. */
  readonly #R = new Float64Array(9);
  /** (3) m/s^2, world: of the sample in hand. */
  readonly #acceleration = new Float64Array(3);
  readonly #stillness = new Stillness();
  #isRunning = false;
  #isFresh = true;

  /** @param tiltNoise radians, 1 sigma: white noise of the attitudes about level axes; gravity then shows as acceleration */
  constructor(tiltNoise: number, imu: AccelerometerNoise = CONSUMER) {
    this.#tiltNoise = tiltNoise;
    this.#imu = imu;
  }

  /** False until `start`, and after `stop`. */
  get isRunning(): boolean {
    return this.#isRunning;
  }

  /** Metres, world: since the last `mark`. */
  get step(): Vec3 {
    return this.#at(STEP);
  }
  /** Metres, world: from `start` or `forget` to the last `mark`. */
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

  /** (9) covariances of the step, the velocity and the sum; copies. */
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

  /** Begins with a velocity, m/s in the world, and its sigma. Keeps the bias. */
  start(velocity: Vec3, sigma: number): void {
    this.stop();
    this.#isRunning = true;
    for (let i = 0; i < 3; i++) {
      this.#x[VELOCITY + i] = velocity[i]!;
      this.#P[(N + 1) * (VELOCITY + i)] = sigma * sigma;
      if (this.#isFresh) this.#P[(N + 1) * (BIAS + i)] = square(this.#imu.bias);
    }
    this.#isFresh = false;
  }

  /** Forgets all but the bias. */
  stop(): void {
    this.#isRunning = false;
    this.#stillness.restart();
    for (let i = 0; i < BIAS; i++) this.#clear(i);
  }

  /** Sets one number of the state, and its covariances, to 0. */
  #clear(i: number): void {
    this.#x[i] = 0;
    for (let j = 0; j < N; j++) {
      this.#P[N * i + j] = 0;
      this.#P[N * j + i] = 0;
    }
  }

  /** Propagates the state over a span's samples. @param yaw radians about the vertical from the span's world to this one */
  advance(span: InertialSpan, yaw: number): void {
    const [sine, cosine] = [sinOf(yaw / 2), cosOf(yaw / 2)];
    for (let n = 0; n < span.count; n++) {
      this.#turnTo(span.rotation, 4 * n, sine, cosine);
      if (n === 0) this.#addOwed(span.owed);
      const [dt, at] = [span.seconds[n]!, 3 * n];
      this.#sample(dt, span.force, at);
      const { force, rate } = span;
      this.#stillness.add({ dt, force, rate, at, acceleration: this.#acceleration });
    }
    if (span.missing > 0) this.#skip(span.missing);
  }

  /** Sets `#R` to the rotation of a quaternion, turned further about the vertical. */
  #turnTo(q: ArrayLike<number>, at: number, s: number, c: number): void {
    const [a, b, d, e] = [q[at]!, q[at + 1]!, q[at + 2]!, q[at + 3]!];
    matrixInto(this.#R, c * a - s * b, c * b + s * a, c * d + s * e, c * e - s * d);
  }

  /** Corrects the velocity for the end of the previous span, whose last sample arrived only now. @param owed (3) m/s, imu frame */
  #addOwed(owed: Float64Array): void {
    const R = this.#R;
    for (let i = 0; i < 3; i++) {
      this.#x[VELOCITY + i]! += R[3 * i]! * owed[0]! + R[3 * i + 1]! * owed[1]! + R[3 * i + 2]! * owed[2]!;
    }
  }

  #sample(dt: number, force: Float64Array, at: number): void {
    const { noise, biasWalk, scale } = this.#imu;
    const tiltNoise = this.#tiltNoise;
    const x = this.#x;
    const R = this.#R;
    const fx = force[at]! - x[BIAS]!;
    const fy = force[at + 1]! - x[BIAS + 1]!;
    const fz = force[at + 2]! - x[BIAS + 2]!;
    let squares = 0;
    for (let i = 0; i < 3; i++) {
      const a = R[3 * i]! * fx + R[3 * i + 1]! * fy + R[3 * i + 2]! * fz - (i === 2 ? GRAVITY : 0);
      this.#acceleration[i] = a;
      x[STEP + i]! += dt * x[VELOCITY + i]! + 0.5 * dt * dt * a;
      x[VELOCITY + i]! += dt * a;
      squares += a * a;
    }
    this.#propagate(dt);
    const q = noise * noise + square(GRAVITY * tiltNoise) * dt + scale * scale * squares * SCALE_SECONDS;
    this.#scatter(dt, q);
    for (let i = BIAS; i < N; i++) this.#P[(N + 1) * i]! += biasWalk * biasWalk * dt;
  }

  /** Propagates the covariance: step' = step + dt velocity - dt^2 / 2 R bias, velocity' = velocity - dt R bias. */
  #propagate(dt: number): void {
    const P = this.#P;
    const R = this.#R;
    for (let pass = 0; pass < 2; pass++) {
      // First the rows, then the columns.
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

  /** Adds the noise of a white acceleration over a time. @param density (m/s^2)^2 per Hz */
  #scatter(dt: number, density: number): void {
    const P = this.#P;
    for (let i = 0; i < 3; i++) {
      P[(N + 1) * (VELOCITY + i)]! += density * dt;
      P[(N + 1) * (STEP + i)]! += (density * cube(dt)) / 3;
      P[N * (STEP + i) + VELOCITY + i]! += (density * dt * dt) / 2;
      P[N * (VELOCITY + i) + STEP + i]! += (density * dt * dt) / 2;
    }
  }

  /** Propagates the state over a time without samples. */
  #skip(seconds: number): void {
    for (let i = 0; i < 3; i++) this.#x[STEP + i]! += seconds * this.#x[VELOCITY + i]!;
    this.#R.fill(0);
    this.#propagate(seconds);
    this.#scatter(seconds, square(UNKNOWN_ACCELERATION) * seconds);
    this.#stillness.restart();
  }

  /**
   * Whether the point stands still: the imu is quiet, *and* the velocity is known to be near zero. A quiet imu alone does not tell rest from
   * constant velocity, so an unknown speed stays unknown however quiet the imu is.
   */
  get isAtRest(): boolean {
    if (!(this.#isRunning && this.#stillness.isQuiet)) return false;
    for (let i = 0; i < 3; i++) {
      const speedSigma = Math.sqrt(this.#P[(N + 1) * (VELOCITY + i)]!);
      const biasSigma = Math.sqrt(this.#P[(N + 1) * (BIAS + i)]!);
      if (speedSigma > REST_SPEED || Math.abs(this.#x[VELOCITY + i]!) > REST_SPEED) return false;
      if (Math.abs(this.#stillness.acceleration[i]!) > REST_FORCE + 3 * biasSigma) return false;
    }
    return true;
  }

  /** Zero-velocity update: the step is zero, and the measured acceleration is bias. */
  rest(): void {
    for (let i = 0; i < 3; i++) {
      const axis: Vec3 = [i === 0 ? 1 : 0, i === 1 ? 1 : 0, i === 2 ? 1 : 0];
      this.#correct(STEP, axis, 0, square(REST_STEP));
    }
  }

  /**
   * Corrects the state by a step since the last `mark` that was measured along a unit axis of the world: metres, and m^2.
   * @returns the normalised innovation squared
   */
  correctStep(axis: Vec3, metres: number, variance: number): number {
    return this.#correct(STEP, axis, metres, variance);
  }

  /** The normalised innovation squared that `correctStep` would return. Changes nothing. */
  innovationSquared(axis: Vec3, metres: number, variance: number): number {
    const off = metres - this.#along(STEP, axis);
    return (off * off) / (this.#project(STEP, axis) + variance);
  }

  /** Increases the variance of the velocity along a unit axis. @param sigma m/s, 1 sigma, that is added */
  inflateVelocity(axis: Vec3, sigma: number): void {
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

  /** Sets `#gain` to the covariances of the whole state with a block along an axis. @returns the variance of the block along the axis */
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
    const innovationSquared = (off * off) / spread;
    const s = spread * Math.max(1, innovationSquared / square(GATE_SIGMAS));
    const [x, P, gain] = [this.#x, this.#P, this.#gain];
    for (let i = 0; i < N; i++) {
      const k = gain[i]! / s;
      x[i]! += k * off;
      for (let j = 0; j < N; j++) P[N * i + j]! -= k * gain[j]!;
    }
    return innovationSquared;
  }

  /** Ends a frame: adds the step to the sum, and starts the next step at zero. */
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

  /** Resets the sum to zero. */
  forget(): void {
    for (let i = 0; i < 3; i++) this.#clear(SUM + i);
  }

  /** Turns the state along with the world. */
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

  /** Turns three numbers that lie `step` apart. @param m (16) column-major */
  #rotate(values: Float64Array, at: number, step: number, m: Float64Array): void {
    const [a, b, c] = [values[at]!, values[at + step]!, values[at + 2 * step]!];
    for (let i = 0; i < 3; i++) values[at + i * step] = m[i]! * a + m[4 + i]! * b + m[8 + i]! * c;
  }
}
