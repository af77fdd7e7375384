import { atan2Of, expOf, hypot2, hypot3, lengthOf } from "../geometry/elementary.ts";
import type { Quat, Vec3 } from "../geometry/optics.ts";
import { conjugate, fromRotationVector, fromYawPitchRoll, multiply, turn } from "../geometry/rigid.ts";
import { dot, largest, mix, scaled, subtract } from "../geometry/vec.ts";
import { StandingRest } from "./standing-rest.ts";

export interface AttitudeSettings {
  /** Seconds: time constant of each of the two low-passes on acceleration. */
  readonly smoothing: number;
  /** 1/s: gain with which corrections by gravity go into the gyro's bias. */
  readonly biasGain: number;
  /** Rest: no rate changes by more than this, rad/s, and no acceleration by more than this, m/s^2, ... */
  readonly restRate: number;
  readonly restAcceleration: number;
  /** ... for this many seconds, with a mean rate that can be bias: at most this, rad/s, before the first rest and after it. */
  readonly restTime: number;
  readonly largestBias: number;
  readonly largestBiasChange: number;
  /** The tilt restarts after this many seconds without a sample. */
  readonly maxGap: number;
}

/** Motion of the imu by the wheels of its base. */
export interface WheelMotion {
  /** m/s in the imu frame. */
  readonly velocity: Vec3;
  /** Whether no wheel turns. */
  readonly isStill: boolean;
}

const DEGREE = Math.PI / 180;

export const DEFAULT_ATTITUDE_SETTINGS: AttitudeSettings = {
  smoothing: 3,
  biasGain: 0.03,
  restRate: 2 * DEGREE,
  restAcceleration: 0.5,
  restTime: 1.5,
  largestBias: 2 * DEGREE,
  largestBiasChange: 0.5 * DEGREE,
  maxGap: 0.25,
};

/** Seconds: of the means that rest is judged by, and of how fast the bias follows while at rest. */
const REST_MEAN = 0.5;
const REST_FOLLOW = 1;
/**
 * Seconds of rest in which the reference of `largestBiasChange` follows the bias. A gyro that warms up changes over minutes. If the limit held
 * against the newest bias instead, a slow turn that looks like rest would become the bias step by step. Chosen by hand.
 */
const REFERENCE_FOLLOW = 60;
/** Seconds of a rest that the wheels tell of, after which its bias is sure. Chosen by hand. */
const SURE_AFTER = 1;
/**
 * The same as `smoothing` and `biasGain` where the wheels tell of accelerations: with a gyro of unknown bias, which is followed fast; and the gain
 * with a known one, where a long mean keeps the slip of wheels out of the tilt. Chosen by hand (`score-homes`; `trouble` with slip).
 */
const UNKNOWN_SMOOTHING = 0.7;
const UNKNOWN_GAIN = 0.15;
const WHEELED_GAIN = 0.06;

/**
 * Roll and pitch of a sensor at rest, yaw 0.
 * @param force specific force, any unit, in the sensor's frame: +g along up
 * @throws {RangeError} if it is zero or not finite
 */
export function levelFromGravity([x, y, z]: Vec3): Quat {
  const norm = hypot3(x, y, z);
  if (!(norm > 0 && Number.isFinite(norm)))
    throw new RangeError(`specific force [${[x, y, z]}] has no direction`);
  return fromYawPitchRoll(0, atan2Of(-x, hypot2(y, z)), atan2Of(y, z));
}

/**
 * Attitude from raw rates and accelerations: worldFromImu with z up. Gravity corrects the tilt; yaw starts at 0 and drifts
 * with the remaining error of the gyro.
 *
 * Rates are integrated exactly (each sample's rate holds since the sample before). Acceleration is turned into the frame
 * that the gyro alone keeps, where gravity stands still while motion's own acceleration swings about zero, and is
 * smoothed *there*: over some seconds only gravity remains. Smoothing in the sensor's frame, or correcting by each
 * sample at a small gain, would have to choose between following turns and ignoring motion. The gyro's bias is its mean
 * rate at rest, and in motion what the tilt has to be corrected by.
 *
 * Sources: the explicit complementary filter with bias of Mahony, Hamel & Pflimlin 2008, with the acceleration smoothed
 * in an almost inertial frame as proposed by Laidig & Seel 2023 (Information Fusion 91); the two low-passes and the rest
 * test are our own choice.
 */
export class AttitudeFilter {
  readonly #settings: AttitudeSettings;
  #time = Number.NaN;
  /** Seconds since the last start of the tilt. */
  #age = 0;
  /** The gyro's own frame from the imu; and the world from that frame, which contains the corrections. */
  #gyroFrame: Quat = [0, 0, 0, 1];
  #worldFrame: Quat = [0, 0, 0, 1];
  #rotation: Quat = [0, 0, 0, 1];
  #leant = 0;
  /** In the gyro's frame, after one low-pass and after two: acceleration, and the imu's three axes. */
  #once: readonly Vec3[] = [];
  #twice: readonly Vec3[] = [];
  /** m/s, in the gyro's frame, by the wheels at the last sample. */
  #velocity: Vec3 | null = null;
  #bias: Vec3 = [0, 0, 0];
  #meanRate: Vec3 = [0, 0, 0];
  #meanForce: Vec3 = [0, 0, 0];
  #restFor = 0;
  readonly #standing = new StandingRest();
  #isBiasKnown = false;
  /** Whether the bias is known well enough that a larger change is a turn. */
  #isBiasSure = false;
  /** rad/s: bias that a mean rate at rest is compared with, once the bias is sure. */
  #reference: Vec3 = [0, 0, 0];
  /** Mean rates at rest of the last two seconds, one each: the newest may contain the start of a turn. */
  #settledBias: Vec3 = [0, 0, 0];
  #recentBias: Vec3 = [0, 0, 0];
  #recentAge = 0;

  /** @throws {RangeError} naming a setting that is not above 0 */
  constructor(settings: AttitudeSettings = DEFAULT_ATTITUDE_SETTINGS) {
    for (const [field, value] of Object.entries(settings)) {
      if (!(value > 0 && value < 1e6))
        throw new RangeError(`attitude.${field} is ${value}; it must be above 0`);
    }
    this.#settings = settings;
  }

  /** worldFromImu after the last sample. */
  get rotation(): Quat {
    return this.#rotation;
  }

  /** rad/s, in the imu frame. */
  get gyroBias(): Vec3 {
    return this.#bias;
  }

  /** Radians: sum of the corrections of the tilt by gravity since the start. */
  get leant(): number {
    return this.#leant;
  }

  /** Whether a rest has shown the gyro's bias. */
  get isBiasKnown(): boolean {
    return this.#isBiasKnown;
  }

  get isAtRest(): boolean {
    return this.#restFor >= this.#settings.restTime;
  }

  /** False for one `smoothing` time after the start or a gap, while acceleration may still look like tilt. */
  get isSettled(): boolean {
    return this.#age >= this.#settings.smoothing;
  }

  /**
   * @param time     microseconds
   * @param rate     rad/s in the imu frame
   * @param force    specific force, m/s^2, in the imu frame: +g along up at rest
   * @param wheels   null where they are not known. Changes of the velocity are taken out of the force, so that starts and stops do not look
   *                 like tilt; and wheels that turn show that the sensor is not at rest, though a slow steady turn looks like rest
   * @returns false when the sample was left out: not later than the one before it
   * @throws {RangeError} if a value is not finite
   */
  push(time: number, rate: Vec3, force: Vec3, wheels: WheelMotion | null = null): boolean {
    if (!Number.isFinite(time + rate[0] + rate[1] + rate[2] + force[0] + force[1] + force[2])) {
      throw new RangeError(
        `inertial sample at ${time}: rate [${rate}], specific force [${force}] must be finite`,
      );
    }
    if (time <= this.#time) return false;
    const step = (time - this.#time) * 1e-6;
    this.#time = time;
    if (!(step <= this.#settings.maxGap)) {
      this.#start(rate, force);
      return true;
    }
    this.#age += step;
    this.#watchRest(rate, force, step, wheels);
    const turned = scaled(subtract(rate, this.#bias), step);
    this.#gyroFrame = multiply(this.#gyroFrame, fromRotationVector(turned));

    const isHasty = wheels !== null && !this.#isBiasKnown;
    const smoothing = isHasty ? UNKNOWN_SMOOTHING : this.#settings.smoothing;
    const biasGain = isHasty ? UNKNOWN_GAIN : wheels !== null ? WHEELED_GAIN : this.#settings.biasGain;
    // At first a plain mean, so that the first sample has no extra weight.
    const share = Math.max(1 - expOf(-step / smoothing), step / (this.#age + step));
    const signals = this.#signals(force);
    signals[0] = subtract(signals[0]!, this.#speedingUp(wheels?.velocity ?? null, step));
    this.#once = signals.map((now, k) => mix(this.#once[k]!, now, share));
    this.#twice = this.#once.map((once, k) => mix(this.#twice[k]!, once, share));
    const [gravity, x, y, z] = this.#twice as readonly [Vec3, Vec3, Vec3, Vec3];
    const correction = uprighting(turn(this.#worldFrame, gravity));
    this.#worldFrame = multiply(correction, this.#worldFrame);
    this.#leant += 2 * hypot2(correction[0], correction[1]);
    this.#rotation = multiply(this.#worldFrame, this.#gyroFrame);
    if (this.isSettled && !this.isAtRest) {
      // A bias rotates with the imu, and its effect appears as late as gravity. The axes, smoothed in the same way, give its direction
      // at the time of the error that is corrected now, and fade out in a fast spin. The vector part is half the angle.
      const drift = turn(conjugate(this.#worldFrame), [2 * correction[0], 2 * correction[1], 0]);
      this.#bias = subtract(this.#bias, scaled([dot(x, drift), dot(y, drift), dot(z, drift)], biasGain));
    }
    return true;
  }

  /** Acceleration by the wheels since the last sample, m/s^2, in the gyro's frame. */
  #speedingUp(velocity: Vec3 | null, step: number): Vec3 {
    const before = this.#velocity;
    this.#velocity = velocity === null ? null : turn(this.#gyroFrame, velocity);
    if (before === null || this.#velocity === null) return [0, 0, 0];
    return scaled(subtract(this.#velocity, before), 1 / step);
  }

  #signals(force: Vec3): Vec3[] {
    return [force, [1, 0, 0] as const, [0, 1, 0] as const, [0, 0, 1] as const].map((v) =>
      turn(this.#gyroFrame, v),
    );
  }

  /** Sets the tilt from this sample alone; keeps yaw and bias. */
  #start(rate: Vec3, force: Vec3): void {
    const [x, y] = turn(this.#rotation, [1, 0, 0]);
    const level = levelFromGravity(lengthOf(force) > 0 ? force : [0, 0, 1]);
    this.#rotation = multiply(fromYawPitchRoll(atan2Of(y, x), 0, 0), level);
    this.#gyroFrame = this.#rotation;
    this.#worldFrame = [0, 0, 0, 1];
    this.#once = this.#signals(force);
    this.#twice = this.#once;
    this.#meanRate = rate;
    this.#meanForce = force;
    this.#velocity = null;
    this.#restFor = 0;
    this.#age = 0;
  }

  #watchRest(rate: Vec3, force: Vec3, step: number, wheels: WheelMotion | null): void {
    if (wheels !== null) {
      this.#watchStanding(rate, force, step, wheels.isStill);
      return;
    }
    const { restRate, restAcceleration, restTime, largestBias, largestBiasChange } = this.#settings;
    const share = 1 - expOf(-step / REST_MEAN);
    this.#meanRate = mix(this.#meanRate, rate, share);
    this.#meanForce = mix(this.#meanForce, force, share);
    const change = this.#isBiasSure ? subtract(this.#meanRate, this.#reference) : this.#meanRate;
    const still =
      largest(subtract(rate, this.#meanRate)) < restRate &&
      largest(subtract(force, this.#meanForce)) < restAcceleration &&
      largest(change) < (this.#isBiasSure ? largestBiasChange : largestBias);
    if (!still) {
      if (this.isAtRest) this.#bias = this.#settledBias;
      this.#restFor = 0;
      return;
    }
    this.#restFor += step;
    if (!this.isAtRest) return;
    this.#bias = this.#isBiasSure
      ? mix(this.#bias, this.#meanRate, 1 - expOf(-step / REST_FOLLOW))
      : this.#meanRate;
    this.#followBias(step);
    if (this.#restFor - step < restTime) this.#settledBias = this.#recentBias = this.#bias;
    this.#recentAge += step;
    if (this.#recentAge < 1) return;
    this.#recentAge = 0;
    this.#settledBias = this.#recentBias;
    this.#recentBias = this.#bias;
    this.#isBiasKnown = true;
    this.#makeSure();
  }

  /** From here on a larger change of the bias is a turn. */
  #makeSure(): void {
    if (!this.#isBiasSure) this.#reference = this.#bias;
    this.#isBiasSure = true;
  }

  #followBias(step: number): void {
    this.#reference = mix(this.#reference, this.#bias, Math.min(1, step / REFERENCE_FOLLOW));
  }

  /** Takes bias and gravity from the means of a rest that the wheels tell of. */
  #watchStanding(rate: Vec3, force: Vec3, step: number, isStill: boolean): void {
    const { restRate, restAcceleration, restTime, largestBias, largestBiasChange } = this.#settings;
    const standing = this.#standing;
    const state = standing.take(
      { rate, force, step, isStill },
      {
        rate: restRate,
        force: restAcceleration,
        bias: this.#isBiasSure ? this.#reference : [0, 0, 0],
        biasChange: this.#isBiasSure ? largestBiasChange : largestBias,
      },
    );
    if (state === "moves") this.#restFor = 0;
    if (state !== "rests") return;
    this.#restFor = Math.max(this.#restFor + step, restTime);
    this.#bias = this.#settledBias = this.#recentBias = standing.rate;
    this.#isBiasKnown = true;
    this.#followBias(step);
    if (standing.seconds > SURE_AFTER) this.#makeSure();
    this.#once = this.#signals(standing.force);
    this.#twice = this.#once;
  }
}

/** The smallest rotation that brings a direction to z; none for a zero vector. */
function uprighting([x, y, z]: Vec3): Quat {
  const norm = hypot3(x, y, z);
  const w = norm + z;
  if (!(w > 1e-9 * norm)) return norm > 0 ? [1, 0, 0, 0] : [0, 0, 0, 1];
  const length = hypot3(x, y, w);
  return [y / length, -x / length, 0, w / length];
}
