import { cosOf, cube, expOf, sinOf, square } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { matrixInto, turn } from "../geometry/rigid.ts";
import type { InertialSpan } from "../sense/inertial-buffer.ts";
import type { Lean } from "./frame.ts";
import type { WheelStep } from "./wheel-step.ts";

/**
 * Errors of an accelerometer, 1 sigma: white noise, m/s^2 per root Hz; bias before any is learnt, m/s^2; random walk of the bias, m/s^2 per
 * root second; scale error as a share. Of a consumer-grade sensor (Woodman 2007, UCAM-CL-TR-696, ch. 3 and 7), with a margin for the tilt
 * error of the attitudes: 0.1 degrees are 0.017 m/s^2. Chosen by hand.
 */
const NOISE = 0.008;
const BIAS = 0.1;
const BIAS_WALK = 0.004;
const SCALE = 0.01;
/**
 * The random walk where the head computes the attitudes itself: they tilt by some tenths of a degree with every start and stop; and by more until a
 * rest has shown the gyro's bias. Found in generated homes (`score-homes`): with less, sound wheels were rejected.
 */
const LEANING_WALK = 0.04;
const UNSTEADY_WALK = 0.25;
/**
 * m/s^2, 1 sigma: bias of the accelerometer that leans such attitudes. In a turn the lean stays in the world while the bias turns with the imu, until
 * gravity has corrected the attitude: accelerations are then wrong by up to twice the bias. Found in generated homes (`score-homes`): without it a
 * turn on the spot made accelerations contradict sound wheels.
 */
const LEANING_BIAS = 0.05;
/** m/s^2: a larger acceleration may be a shock, whose samples are clipped or smeared; and the share of the excess that counts as noise. */
const BLOW = 3;
const BLOW_SHARE = 0.3;
/** m/s^2 per root Hz: acceleration assumed while no samples arrive. Chosen by hand. */
const UNKNOWN_ACCELERATION = 1.5;
/** 1 sigma: scale error of the wheels, as a share: worn tyres, and the pile of a rug. Chosen by hand. */
const WHEEL_SCALE = 0.02;
/**
 * 1 sigma: slip of the wheels beyond their scale error, as a share; and metres over which it changes: from floor to rug and back. Found with
 * `trouble` and the demo: without it the pose kept two thirds of what wheels slip on a rug; with a longer way, or more, corridors get worse.
 */
const SLIP = 0.05;
const SLIP_WAY = 0.3;
/** Metres: bias of positions by depth, 1 sigma, along an axis that all samples constrain equally; and its correlation length. */
export const DEPTH_BIAS = 0.008;
const DEPTH_BIAS_WAY = 2;
/** Metres, 1 sigma: of the first position, against the map near by. */
const FIRST_SIGMA = 0.003;
/** m/s^2, the standard value. The local difference from it goes into the bias. */
const GRAVITY = 9.80665;
/** Sigmas: an innovation beyond this is clipped to it, so that outliers have bounded influence. */
const GATE_SIGMAS = 3;

/** First indices of the state's blocks: position, velocity (world), bias (imu), position at the last frame, bias of depth (world), wheels' scale, slip. */
const [PLACE, VELOCITY, IMU_BIAS, LAST, DEPTH, WHEELS, SLIPPING, N] = [0, 3, 6, 9, 12, 15, 16, 17];

/**
 * The position of the imu by accelerations, wheels and depth. An error-state Kalman filter (Solà 2017, arXiv:1711.02508). The position at the
 * last frame is part of the state (stochastic cloning, Roumeliotis & Burdick 2002), so that wheels can measure a step. Attitudes are taken
 * as given. The lasting error of depth (range errors of surfaces, errors of the map) is a state, too: many frames with the same error do not
 * shrink the covariance to zero.
 */
export class PlaceFilter {
  readonly #x = new Float64Array(N);
  readonly #P = new Float64Array(N * N);
  /** (N) the row of a measurement, and the covariances of the state with it. */
  readonly #h = new Float64Array(N);
  readonly #gain = new Float64Array(N);
  /** (9) worldFromImu of the current sample. */
  readonly #R = new Float64Array(9);
  /** Whether inertial samples cover the whole time since the start. */
  isCovered = true;

  get place(): Vec3 {
    return this.#at(PLACE);
  }
  get velocity(): Vec3 {
    return this.#at(VELOCITY);
  }
  /** Metres since the last `mark`. */
  get step(): Vec3 {
    const x = this.#x;
    return [x[PLACE]! - x[LAST]!, x[PLACE + 1]! - x[LAST + 1]!, x[PLACE + 2]! - x[LAST + 2]!];
  }

  #at(block: number): Vec3 {
    return [this.#x[block]!, this.#x[block + 1]!, this.#x[block + 2]!];
  }

  /** Writes the covariance of the position, (9) m^2. */
  spreadInto(out: Float64Array): void {
    for (let i = 0; i < 3; i++) for (let j = 0; j < 3; j++) out[3 * i + j] = this.#P[N * i + j]!;
  }

  /** m/s, 1 sigma, along the world axis with the largest variance. */
  get speedSigma(): number {
    let most = 0;
    for (let i = VELOCITY; i < VELOCITY + 3; i++) most = Math.max(most, this.#P[(N + 1) * i]!);
    return Math.sqrt(most);
  }

  /** m^2, of the position along a unit axis. */
  varianceAlong(axis: Vec3): number {
    let sum = 0;
    for (let i = 0; i < 3; i++) for (let j = 0; j < 3; j++) sum += axis[i]! * axis[j]! * this.#P[N * i + j]!;
    return sum;
  }

  /** Begins at a position, with a velocity and its sigma, m/s. */
  start(place: Vec3, velocity: Vec3, sigma: number): void {
    this.#x.fill(0);
    this.#P.fill(0);
    this.isCovered = true;
    for (let i = 0; i < 3; i++) {
      this.#x[PLACE + i] = place[i]!;
      this.#x[VELOCITY + i] = velocity[i]!;
      this.#P[(N + 1) * (PLACE + i)] = square(FIRST_SIGMA);
      this.#P[(N + 1) * (VELOCITY + i)] = square(sigma);
      this.#P[(N + 1) * (IMU_BIAS + i)] = square(BIAS);
    }
    this.#P[(N + 1) * WHEELS] = square(WHEEL_SCALE);
    this.#P[(N + 1) * SLIPPING] = square(SLIP);
    this.mark();
  }

  copyFrom(other: PlaceFilter): void {
    this.#x.set(other.#x);
    this.#P.set(other.#P);
    this.isCovered = other.isCovered;
  }

  /** Resets the covariance of the position, so that from here on it is that of the displacement from here. */
  beginWay(): void {
    this.#forget(0, 0, 0);
  }

  /** Resets the covariance of the position against the map: the doubt was built into the map. */
  settle(sigma: number): void {
    this.#forget(sigma * sigma, sigma * sigma, sigma * sigma);
  }

  /** Sets the variances of the position, and makes it independent of the other states. */
  #forget(x: number, y: number, z: number): void {
    const P = this.#P;
    for (let i = PLACE; i < PLACE + 3; i++) {
      for (let j = 0; j < N; j++) {
        P[N * i + j] = 0;
        P[N * j + i] = 0;
      }
    }
    P[0] = x;
    P[N + 1] = y;
    P[2 * (N + 1)] = z;
    this.mark();
  }

  /** Adds a covariance, (9) m^2, to the position at the last frame, and so to the present one. */
  widen(spread: Float64Array): void {
    for (const row of [PLACE, LAST]) {
      for (const column of [PLACE, LAST]) {
        for (let i = 0; i < 3; i++) {
          for (let j = 0; j < 3; j++) this.#P[N * (row + i) + column + j]! += spread[3 * i + j]!;
        }
      }
    }
  }

  /**
   * Propagates the state over a span's samples.
   * @param yaw   radians about the vertical from the span's world to this one
   * @param lean  errors of attitudes that were computed from the same samples
   */
  advance(span: InertialSpan, yaw: number, lean?: Lean): void {
    const [sine, cosine] = [sinOf(yaw / 2), cosOf(yaw / 2)];
    const walk = lean === undefined ? BIAS_WALK : lean.gyroBias > 0 ? UNSTEADY_WALK : LEANING_WALK;
    // A correction of the tilt changes what the tilt has added to the bias.
    const jump = square(GRAVITY * (lean?.corrected ?? 0));
    for (let i = IMU_BIAS; i < IMU_BIAS + 3; i++) this.#P[(N + 1) * i]! += jump;
    const { x, R } = { x: this.#x, R: this.#R };
    const { rotation: q, owed } = span;
    for (let n = 0; n < span.count; n++) {
      const [a, b, d, e] = [q[4 * n]!, q[4 * n + 1]!, q[4 * n + 2]!, q[4 * n + 3]!];
      matrixInto(
        R,
        cosine * a - sine * b,
        cosine * b + sine * a,
        cosine * d + sine * e,
        cosine * e - sine * d,
      );
      for (let i = 0; i < 3 && n === 0; i++) {
        x[VELOCITY + i]! += R[3 * i]! * owed[0]! + R[3 * i + 1]! * owed[1]! + R[3 * i + 2]! * owed[2]!;
      }
      this.#sample(span.seconds[n]!, span.force, 3 * n, walk);
      if (lean !== undefined) this.#turnLean(span, n);
    }
    if (span.missing > 0) this.drift(span.missing);
  }

  /**
   * Adds the doubt about a leaning attitude over one sample's turn: to the level components of the bias, so much that half a turn adds twice
   * `LEANING_BIAS`.
   */
  #turnLean({ rate, seconds }: InertialSpan, n: number): void {
    const { P, R } = { P: this.#P, R: this.#R };
    // The third row of worldFromImu is the vertical in the imu's axes.
    const about = R[6]! * rate[3 * n]! + R[7]! * rate[3 * n + 1]! + R[8]! * rate[3 * n + 2]!;
    const more = (square(2 * LEANING_BIAS) / Math.PI) * Math.abs(about) * seconds[n]!;
    for (let i = 0; i < 3; i++) {
      for (let j = 0; j < 3; j++) {
        P[N * (IMU_BIAS + i) + IMU_BIAS + j]! += more * ((i === j ? 1 : 0) - R[6 + i]! * R[6 + j]!);
      }
    }
  }

  #sample(dt: number, force: Float64Array, at: number, walk: number): void {
    const { x, R } = { x: this.#x, R: this.#R };
    const fx = force[at]! - x[IMU_BIAS]!;
    const fy = force[at + 1]! - x[IMU_BIAS + 1]!;
    const fz = force[at + 2]! - x[IMU_BIAS + 2]!;
    let squares = 0;
    for (let i = 0; i < 3; i++) {
      const a = R[3 * i]! * fx + R[3 * i + 1]! * fy + R[3 * i + 2]! * fz - (i === 2 ? GRAVITY : 0);
      x[PLACE + i]! += dt * x[VELOCITY + i]! + 0.5 * dt * dt * a;
      x[VELOCITY + i]! += dt * a;
      squares += a * a;
    }
    this.#propagate(dt);
    const blow = BLOW_SHARE * Math.max(0, Math.sqrt(squares) - BLOW);
    this.#scatter(dt, square(NOISE) + square(SCALE) * squares + square(blow));
    for (let i = IMU_BIAS; i < IMU_BIAS + 3; i++) this.#P[(N + 1) * i]! += walk * walk * dt;
  }

  /** Propagates the state over a time without samples. */
  drift(seconds: number): void {
    for (let i = 0; i < 3; i++) this.#x[PLACE + i]! += seconds * this.#x[VELOCITY + i]!;
    this.#R.fill(0);
    this.#propagate(seconds);
    this.#scatter(seconds, square(UNKNOWN_ACCELERATION));
    this.isCovered = false;
  }

  /** place' = place + dt velocity - dt^2 / 2 R bias, velocity' = velocity - dt R bias: first the rows, then the columns. */
  #propagate(dt: number): void {
    const { P, R } = { P: this.#P, R: this.#R };
    for (let pass = 0; pass < 2; pass++) {
      const [along, across] = pass === 0 ? [1, N] : [N, 1];
      for (let j = 0; j < N; j++) {
        const k = j * along;
        const b0 = P[k + across * IMU_BIAS]!;
        const b1 = P[k + across * (IMU_BIAS + 1)]!;
        const b2 = P[k + across * (IMU_BIAS + 2)]!;
        for (let i = 0; i < 3; i++) {
          const turned = R[3 * i]! * b0 + R[3 * i + 1]! * b1 + R[3 * i + 2]! * b2;
          const v = k + across * (VELOCITY + i);
          P[k + across * (PLACE + i)]! += dt * P[v]! - 0.5 * dt * dt * turned;
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
      P[(N + 1) * (PLACE + i)]! += (density * cube(dt)) / 3;
      P[N * (PLACE + i) + VELOCITY + i]! += (density * dt * dt) / 2;
      P[N * (VELOCITY + i) + PLACE + i]! += (density * dt * dt) / 2;
    }
  }

  /** Ends the frame: steps count from here. */
  mark(): void {
    const { P, x } = { P: this.#P, x: this.#x };
    for (let i = 0; i < 3; i++) {
      x[LAST + i] = x[PLACE + i]!;
      for (let j = 0; j < N; j++) P[N * (LAST + i) + j] = P[N * (PLACE + i) + j]!;
    }
    for (let i = 0; i < 3; i++) {
      for (let j = 0; j < N; j++) P[N * j + LAST + i] = P[N * j + PLACE + i]!;
    }
  }

  /** Ages the bias of depth and the slip over distances, metres: Gauss-Markov processes. @param rolled by the wheels */
  age(way: number, rolled: number): void {
    for (let i = DEPTH; i < DEPTH + 3; i++) this.#age(i, DEPTH_BIAS, way / DEPTH_BIAS_WAY);
    this.#age(SLIPPING, SLIP, rolled / SLIP_WAY);
  }

  /** @param sigma of the state i without measurements */
  #age(i: number, sigma: number, lengths: number): void {
    const P = this.#P;
    const kept = expOf(-lengths);
    this.#x[i]! *= kept;
    for (let j = 0; j < N; j++) P[N * i + j]! *= kept;
    for (let j = 0; j < N; j++) P[N * j + i]! *= kept;
    P[(N + 1) * i]! += square(sigma) * (1 - kept * kept);
  }

  /** Corrects the state by the wheels' measurement of the step since the last `mark`. */
  correctByWheels(wheels: WheelStep): void {
    const { ahead, aside, up, swing, metres, sideways } = wheels;
    this.#stepRow(ahead);
    this.#h[WHEELS] = this.#h[SLIPPING] = -metres;
    this.#correct(metres + along(ahead, swing), wheels.aheadVariance);
    this.#stepRow(aside);
    this.#correct(sideways + along(aside, swing), wheels.asideVariance);
    this.#stepRow(up);
    this.#correct(along(up, swing), wheels.upVariance);
  }

  /** Zero-velocity update. @param sigma metres, 1 sigma, of the step */
  rest(sigma: number): void {
    for (let i = 0; i < 3; i++) {
      this.#h.fill(0);
      this.#h[PLACE + i] = 1;
      this.#h[LAST + i] = -1;
      this.#correct(0, sigma * sigma);
    }
  }

  #stepRow(axis: Vec3): void {
    this.#h.fill(0);
    for (let i = 0; i < 3; i++) {
      this.#h[PLACE + i] = axis[i]!;
      this.#h[LAST + i] = -axis[i]!;
    }
  }

  /**
   * Corrects the state by a position along a unit axis, measured by depth: metres, and m^2.
   * @param lever factor by which the geometry magnifies a range error along the axis
   */
  correctByDepth(axis: Vec3, metres: number, variance: number, lever: number): void {
    this.#depthRow(axis, lever);
    this.#correct(metres, variance);
  }

  /** The normalised innovation squared of such a measurement. Changes nothing. */
  innovationSquared(axis: Vec3, metres: number, variance: number, lever: number): number {
    this.#depthRow(axis, lever);
    const spread = this.#project() + variance;
    return square(metres - this.#expected()) / spread;
  }

  #depthRow(axis: Vec3, lever: number): void {
    this.#h.fill(0);
    for (let i = 0; i < 3; i++) {
      this.#h[PLACE + i] = axis[i]!;
      this.#h[DEPTH + i] = lever * axis[i]!;
    }
  }

  /** Sets `#gain` to the covariances of the state with the measurement `#h`. @returns the variance of the predicted measurement */
  #project(): number {
    const { P, h, gain } = { P: this.#P, h: this.#h, gain: this.#gain };
    let variance = 0;
    for (let i = 0; i < N; i++) {
      let sum = 0;
      for (let j = 0; j < N; j++) sum += P[N * i + j]! * h[j]!;
      gain[i] = sum;
    }
    for (let i = 0; i < N; i++) variance += gain[i]! * h[i]!;
    return variance;
  }

  #expected(): number {
    let sum = 0;
    for (let i = 0; i < N; i++) sum += this.#h[i]! * this.#x[i]!;
    return sum;
  }

  #correct(measured: number, variance: number): void {
    const { P, x, gain } = { P: this.#P, x: this.#x, gain: this.#gain };
    const off = measured - this.#expected();
    const expected = this.#project() + variance;
    const spread = Math.max(expected, square(off / GATE_SIGMAS));
    for (let i = 0; i < N; i++) x[i]! += (gain[i]! / spread) * off;
    for (let i = 0; i < N; i++) {
      const k = gain[i]! / spread;
      for (let j = 0; j < N; j++) P[N * i + j]! -= k * gain[j]!;
    }
  }

  /** Moves the state along with the world by a small motion. The covariance is not rotated. */
  move(rotation: Quat, apply: (pose: Pose) => Pose): void {
    for (const block of [PLACE, LAST]) {
      this.#x.set(apply({ rotation, position: this.#at(block) }).position, block);
    }
    for (const block of [VELOCITY, DEPTH]) this.#x.set(turn(rotation, this.#at(block)), block);
  }
}

const along = (axis: Vec3, v: Vec3): number => axis[0] * v[0] + axis[1] * v[1] + axis[2] * v[2];
