import { expOf, square } from "../geometry/elementary.ts";

const DEGREE = Math.PI / 180;
/** Radians per root second: noise of a turn by a gyro. Of a consumer-grade sensor (Woodman 2007, UCAM-CL-TR-696, ch. 3), with a margin. */
const GYRO_NOISE = 0.025 * DEGREE;
/** Seconds in which the drift rate of a gyro changes: its bias follows the temperature. Chosen by hand. */
const DRIFT_SECONDS = 300;
/**
 * Metres, 1 sigma: range error that all samples share, as far as it differs from the error with which the map near by was built; and metres over
 * which it changes. Found with `score-homes`, `trouble` and the three rooms: with three times as much the heading of a round without wheels is twice as
 * far off, but a glass wall turns it half as much.
 */
const DEPTH_ERROR = 0.001;
const DEPTH_ERROR_WAY = 3;
/** Sigmas: an innovation beyond this is clipped to it, so that outliers have bounded influence. */
const GATE_SIGMAS = 3;

/** The states: yaw against the map near by, drift rate of the gyro, range error of depth, yaw of the map near by against the world. */
const [YAW, DRIFT, RANGE, MAP, N] = [0, 1, 2, 3, 4];

/**
 * The yaw of a base by a gyro and by depth: an error-state Kalman filter. Depth measures the yaw against the map near by, with a lasting error. New
 * ground is added to the map at the estimated yaw. So the yaw's error goes over into the map, where depth no longer shows it: the doubt against the
 * world grows with the ground that is new, and the doubt against the map near by shrinks.
 */
export class YawFilter {
  /** (N) radians, rad/s, metres, radians. The first one stays 0: its owner applies the corrections. */
  readonly #x = new Float64Array(N);
  readonly #P = new Float64Array(N * N);
  /** (N * N) covariance before the last `propagate`. */
  readonly #before = new Float64Array(N * N);
  readonly #gain = new Float64Array(N);

  /** Radians squared: variance of the yaw against the map near by. */
  get variance(): number {
    return this.#P[0]!;
  }

  /** Radians, 1 sigma: error of the yaw against the world. */
  get worldSigma(): number {
    const P = this.#P;
    const variance = P[0]! + P[(N + 1) * MAP]! - 2 * P[MAP]!;
    return Math.sqrt(Math.max(0, variance) + square(this.#x[MAP]!));
  }

  /** Radians per second: drift rate to be added to the sensor's yaw. */
  get drift(): number {
    return this.#x[DRIFT]!;
  }

  /** Begins. @param variance radians squared, of the yaw @param drift rad/s, 1 sigma, of the sensor's drift rate */
  start(variance: number, drift: number): void {
    this.#x.fill(0);
    this.#P.fill(0);
    this.#P[0] = variance;
    this.#P[(N + 1) * DRIFT] = square(drift);
  }

  /** Sets the variance of the yaw, radians squared, and makes it independent of the other states. */
  setVariance(variance: number): void {
    for (let j = 0; j < N; j++) this.#P[j] = this.#P[N * j] = 0;
    this.#P[0] = variance;
  }

  /** Propagates the state over a turn by the gyro. @param drift rad/s, 1 sigma, of the drift rate without measurements */
  propagate(dt: number, drift: number): void {
    const P = this.#P;
    this.#before.set(P);
    for (let j = 0; j < N; j++) P[j]! += dt * P[N * DRIFT + j]!;
    for (let j = 0; j < N; j++) P[N * j]! += dt * P[N * j + DRIFT]!;
    P[0]! += square(GYRO_NOISE) * dt;
    this.#revert(DRIFT, drift, dt / DRIFT_SECONDS);
  }

  /** Takes the last `propagate` back: the base rests, so the gyro's turn was not used. */
  rest(): void {
    this.#P.set(this.#before);
  }

  /** Ages the range error of depth. @param way metres, with those that turns count */
  age(way: number): void {
    this.#revert(RANGE, DEPTH_ERROR, way / DEPTH_ERROR_WAY);
  }

  /** Ages the state i as a Gauss-Markov process. @param sigma of the state without measurements */
  #revert(i: number, sigma: number, lengths: number): void {
    const P = this.#P;
    const kept = expOf(-lengths);
    this.#scale(i, kept);
    P[(N + 1) * i]! += square(sigma) * (1 - kept * kept);
  }

  #scale(i: number, factor: number): void {
    const P = this.#P;
    this.#x[i]! *= factor;
    for (let j = 0; j < N; j++) P[N * i + j]! *= factor;
    for (let j = 0; j < N; j++) P[N * j + i]! *= factor;
  }

  /** A share of the ground in view was added to the map, at the estimated yaw and with the present range error. */
  build(share: number): void {
    const P = this.#P;
    for (let j = 0; j < N; j++) P[N * MAP + j]! -= share * P[j]!;
    for (let j = 0; j < N; j++) P[N * j + MAP]! -= share * P[N * j]!;
    this.#scale(YAW, 1 - share);
    this.#scale(RANGE, 1 - share);
  }

  /**
   * Takes a yaw by depth.
   * @param off      radians: by depth minus the estimated one
   * @param variance radians squared: of independent errors
   * @param lever    radians per metre of range error
   * @returns radians to add to the estimated yaw
   */
  correct(off: number, variance: number, lever: number): number {
    return this.#correct(YAW, lever, off - lever * this.#x[RANGE]!, variance);
  }

  /** Takes a drift rate, rad/s, that was measured at rest. @returns radians to add to the estimated yaw */
  correctDrift(rate: number, variance: number): number {
    return this.#correct(DRIFT, 0, rate - this.#x[DRIFT]!, variance);
  }

  #correct(state: number, lever: number, off: number, variance: number): number {
    const { x, P, gain } = { x: this.#x, P: this.#P, gain: this.#gain };
    for (let i = 0; i < N; i++) gain[i] = P[N * i + state]! + lever * P[N * i + RANGE]!;
    const expected = gain[state]! + lever * gain[RANGE]! + variance;
    const spread = Math.max(expected, square(off / GATE_SIGMAS));
    for (let i = 0; i < N; i++) x[i]! += (gain[i]! / spread) * off;
    for (let i = 0; i < N; i++) {
      for (let j = 0; j < N; j++) P[N * i + j]! -= (gain[i]! * gain[j]!) / spread;
    }
    const turned = x[YAW]!;
    x[YAW] = 0;
    return turned;
  }
}
