import { cosOf, cube, expOf, sinOf, square } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { matrixInto, turn } from "../geometry/rigid.ts";
import type { InertialSpan } from "../sense/inertial-buffer.ts";
import type { WheelStep } from "./wheel-step.ts";

/**
 * Errors of an accelerometer, 1 sigma: white noise, m/s^2 per root Hz; bias before any is learnt, m/s^2, and how it wanders, m/s^2 per root
 * second; error of scale as a share. Of a consumer-grade sensor (Woodman 2007, UCAM-CL-TR-696, ch. 3 and 7), with room for attitudes whose
 * tilt errs: 0.1 degrees are 0.017 m/s^2. Chosen by hand.
 */
const NOISE = 0.008;
const BIAS = 0.1;
const BIAS_WALK = 0.004;
const SCALE = 0.01;
/** The walk where the head makes the attitudes itself: they lean with every start and stop, by some tenths of a degree. Chosen by hand. */
const LEANING_WALK = 0.05;
/** m/s^2: what is felt beyond this may be a blow, whose samples are cut off or smeared; and the share of the excess that is noise. */
const BLOW = 3;
const BLOW_SHARE = 0.3;
/** m/s^2 per root Hz: acceleration of a base while no sample tells. Chosen by hand. */
const UNKNOWN_ACCELERATION = 1.5;
/** 1 sigma: error of the wheels' scale, as a share. Worn tyres, and a rug's pile. Chosen by hand. */
const WHEEL_SCALE = 0.02;
/** Metres, 1 sigma: error that the places by depth share, along an axis that all samples hold alike; and the way over which it changes. */
const DEPTH_BIAS = 0.008;
const DEPTH_BIAS_WAY = 2;
/** Metres, 1 sigma: of the place that the filter begins at, against the map near by. */
const FIRST_SIGMA = 0.003;
/** m/s^2, the standard value; what differs from it at a place goes into the bias. */
const GRAVITY = 9.80665;
/** Measurements farther from the expected one than this, in sigmas, count only as if they were as near: an outlier gate. */
const ROBUST = 3;

/** Where the blocks of the state begin: place, velocity (world), bias (imu), place at the last frame, bias of depth (world); wheels' scale. */
const [PLACE, VELOCITY, IMU_BIAS, LAST, DEPTH, WHEELS, N] = [0, 3, 6, 9, 12, 15, 16];

/**
 * Where the imu's point is: by accelerations, wheels and depth, each with errors that last. An error-state Kalman filter (Solà 2017,
 * arXiv:1711.02508) with the place at the last frame as part of the state (stochastic cloning, Roumeliotis & Burdick 2002), so that wheels
 * measure a step. Attitudes are taken as given. That depth's error lasts (surfaces measured too far, flaws of the map) is a state: so many
 * frames do not make it sure.
 */
export class PlaceFilter {
  readonly #x = new Float64Array(N);
  readonly #P = new Float64Array(N * N);
  /** (N) a measurement's row, and the covariances of all states with what it measures. */
  readonly #h = new Float64Array(N);
  readonly #gain = new Float64Array(N);
  /** (9) worldFromImu of the sample in hand. */
  readonly #R = new Float64Array(9);
  /** False once a time passed in which no sample told of the motion. */
  isFelt = true;

  get place(): Vec3 {
    return this.#at(PLACE);
  }
  get velocity(): Vec3 {
    return this.#at(VELOCITY);
  }
  /** Since the last `mark`, metres. */
  get step(): Vec3 {
    const x = this.#x;
    return [x[PLACE]! - x[LAST]!, x[PLACE + 1]! - x[LAST + 1]!, x[PLACE + 2]! - x[LAST + 2]!];
  }

  #at(block: number): Vec3 {
    return [this.#x[block]!, this.#x[block + 1]!, this.#x[block + 2]!];
  }

  /** Writes the place's covariance, (9) m^2. */
  spreadInto(out: Float64Array): void {
    for (let i = 0; i < 3; i++) for (let j = 0; j < 3; j++) out[3 * i + j] = this.#P[N * i + j]!;
  }

  /** m/s, 1 sigma, along the axis of the world that is least sure. */
  get speedSigma(): number {
    let most = 0;
    for (let i = VELOCITY; i < VELOCITY + 3; i++) most = Math.max(most, this.#P[(N + 1) * i]!);
    return Math.sqrt(most);
  }

  /** m^2, of the place along a unit axis. */
  varianceAlong(axis: Vec3): number {
    let sum = 0;
    for (let i = 0; i < 3; i++) for (let j = 0; j < 3; j++) sum += axis[i]! * axis[j]! * this.#P[N * i + j]!;
    return sum;
  }

  /** Begins at a place, with a velocity and its sigma, m/s. */
  start(place: Vec3, velocity: Vec3, sigma: number): void {
    this.#x.fill(0);
    this.#P.fill(0);
    this.isFelt = true;
    for (let i = 0; i < 3; i++) {
      this.#x[PLACE + i] = place[i]!;
      this.#x[VELOCITY + i] = velocity[i]!;
      this.#P[(N + 1) * (PLACE + i)] = square(FIRST_SIGMA);
      this.#P[(N + 1) * (VELOCITY + i)] = square(sigma);
      this.#P[(N + 1) * (IMU_BIAS + i)] = square(BIAS);
    }
    this.#P[(N + 1) * WHEELS] = square(WHEEL_SCALE);
    this.mark();
  }

  copyFrom(other: PlaceFilter): void {
    this.#x.set(other.#x);
    this.#P.set(other.#P);
    this.isFelt = other.isFelt;
  }

  /** From here on the filter's covariance is that of the way from here. */
  beginWay(): void {
    this.#forget(0, 0, 0);
  }

  /** Doubt about the place has become doubt about the map: the place is as sure as the map near by. */
  settle(sigma: number): void {
    this.#forget(sigma * sigma, sigma * sigma, sigma * sigma);
  }

  /** The place's covariance becomes this, and the place independent of all else. */
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

  /** The place at the last frame, and so this one, becomes less sure: (9) m^2 that are added. */
  widen(spread: Float64Array): void {
    for (const row of [PLACE, LAST]) {
      for (const column of [PLACE, LAST]) {
        for (let i = 0; i < 3; i++) {
          for (let j = 0; j < 3; j++) this.#P[N * (row + i) + column + j]! += spread[3 * i + j]!;
        }
      }
    }
  }

  /** Follows a span's samples. @param yaw radians about the vertical from the span's world to this one */
  advance(span: InertialSpan, yaw: number, isLeaning: boolean): void {
    const [sine, cosine] = [sinOf(yaw / 2), cosOf(yaw / 2)];
    const walk = isLeaning ? LEANING_WALK : BIAS_WALK;
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
    }
    if (span.missing > 0) this.drift(span.missing);
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

  /** Goes on for a time without samples. */
  drift(seconds: number): void {
    for (let i = 0; i < 3; i++) this.#x[PLACE + i]! += seconds * this.#x[VELOCITY + i]!;
    this.#R.fill(0);
    this.#propagate(seconds);
    this.#scatter(seconds, square(UNKNOWN_ACCELERATION));
    this.isFelt = false;
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

  /** The frame is done: steps count from here. */
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

  /** The bias of depth changes with the way, metres: a Gauss-Markov process. */
  moveOn(way: number): void {
    const P = this.#P;
    const kept = expOf(-way / DEPTH_BIAS_WAY);
    for (let i = DEPTH; i < DEPTH + 3; i++) {
      this.#x[i]! *= kept;
      for (let j = 0; j < N; j++) P[N * i + j]! *= kept;
      for (let j = 0; j < N; j++) P[N * j + i]! *= kept;
      P[(N + 1) * i]! += square(DEPTH_BIAS) * (1 - kept * kept);
    }
  }

  /** The wheels measured the step since the last `mark`. */
  rollOn(wheels: WheelStep): void {
    const { ahead, aside, up, swing, metres, sideways } = wheels;
    this.#stepRow(ahead);
    this.#h[WHEELS] = -metres;
    this.#correct(metres + along(ahead, swing), wheels.aheadVariance);
    this.#stepRow(aside);
    this.#correct(sideways + along(aside, swing), wheels.asideVariance);
    this.#stepRow(up);
    this.#correct(along(up, swing), wheels.upVariance);
  }

  /** The point stands still. @param sigma metres, 1 sigma, of the step */
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
   * Depth measured the place along a unit axis: metres, and m^2.
   * @param lever by how much an error of ranges is magnified along the axis
   */
  see(axis: Vec3, metres: number, variance: number, lever: number): void {
    this.#depthRow(axis, lever);
    this.#correct(metres, variance);
  }

  /** The squared difference of such a measurement to what is expected, in variances of that difference; changes nothing. */
  surprise(axis: Vec3, metres: number, variance: number, lever: number): number {
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

  /** Sets `#gain` to the covariances of all states with what `#h` measures. @returns the variance of that */
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
    const spread = Math.max(expected, square(off / ROBUST));
    for (let i = 0; i < N; i++) x[i]! += (gain[i]! / spread) * off;
    for (let i = 0; i < N; i++) {
      const k = gain[i]! / spread;
      for (let j = 0; j < N; j++) P[N * i + j]! -= k * gain[j]!;
    }
  }

  /** The world was moved a little; the covariance keeps its axes. */
  move(rotation: Quat, apply: (pose: Pose) => Pose): void {
    for (const block of [PLACE, LAST]) {
      this.#x.set(apply({ rotation, position: this.#at(block) }).position, block);
    }
    for (const block of [VELOCITY, DEPTH]) this.#x.set(turn(rotation, this.#at(block)), block);
  }
}

const along = (axis: Vec3, v: Vec3): number => axis[0] * v[0] + axis[1] * v[1] + axis[2] * v[2];
