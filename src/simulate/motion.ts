import { cosOf, sinOf } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import {
  compose,
  conjugate,
  fromRotationVector,
  multiply,
  toRotationVector,
  turn,
} from "../geometry/rigid.ts";
import type { InertialEvent, MotionEvent, OrientationEvent } from "../sense/events.ts";
import type { Motion } from "./drive.ts";
import type { Random } from "./random.ts";

/** m/s^2; the standard value. */
const GRAVITY = 9.80665;

export interface InertialNoise {
  /** Samples a second. */
  readonly rate: number;
  /** Angular white noise, rad/s per root Hz; constant bias, rad/s; random walk of the bias, rad/s per root second. */
  readonly gyroNoise: number;
  readonly gyroBias: Vec3;
  readonly gyroWalk: number;
  /** m/s^2 per root Hz, and m/s^2. */
  readonly accelNoise: number;
  readonly accelBias: Vec3;
}

export interface OrientationNoise {
  readonly rate: number;
  /** Drift of the yaw, rad/s, and white noise about each axis, rad. */
  readonly yawDrift: number;
  readonly noise: number;
  /** Seconds that the stamps are late (positive) against the truth. */
  readonly late: number;
}

export interface OdometryNoise {
  readonly rate: number;
  /** Relative errors of the wheels' scale, forward and turning. */
  readonly scale: number;
  readonly turnScale: number;
  /** White noise per metre driven and per radian turned, as a share of their roots. */
  readonly noise: number;
  /** Areas (min x, min y, max x, max y) where wheels turn this share more than the base moves. */
  readonly slips: readonly {
    readonly rect: readonly [number, number, number, number];
    readonly share: number;
  }[];
}

const microseconds = (seconds: number): number => Math.round(seconds * 1e6);

/**
 * Inertial samples of an imu carried along `worldFromImu`. Each holds the mean angular rate and the mean specific
 * force over the interval that ends at its stamp, as a sensor with its own low-pass gives; so that integrating
 * noise-free rates step by step gives the true attitude exactly.
 * White noise of density N has standard deviation N * sqrt(rate) per sample (Woodman 2007, UCAM-CL-TR-696).
 */
export function* inertialSamples(
  worldFromImu: (time: number) => Pose,
  duration: number,
  noise: InertialNoise,
  random: Random,
): Generator<InertialEvent> {
  const { rate } = noise;
  const step = 1 / rate;
  const blink = step / 20;
  const velocity = (time: number): Vec3 => {
    const before = worldFromImu(time - blink).position;
    const after = worldFromImu(time + blink).position;
    return [0, 1, 2].map((a) => (after[a]! - before[a]!) / (2 * blink)) as unknown as Vec3;
  };
  const gyroSigma = noise.gyroNoise * Math.sqrt(rate);
  const accelSigma = noise.accelNoise * Math.sqrt(rate);
  const bias = [...noise.gyroBias];
  let last = worldFromImu(0).rotation;
  let lastVelocity = velocity(0);
  for (let k = 1; k <= Math.floor(duration * rate + 1e-9); k++) {
    const time = k * step;
    const now = worldFromImu(time).rotation;
    const turned = toRotationVector(multiply(conjugate(last), now));
    const speed = velocity(time);
    const half = multiply(last, fromRotationVector([turned[0] / 2, turned[1] / 2, turned[2] / 2]));
    const force = turn(conjugate(half), [
      (speed[0] - lastVelocity[0]) * rate,
      (speed[1] - lastVelocity[1]) * rate,
      (speed[2] - lastVelocity[2]) * rate + GRAVITY,
    ]);
    for (let a = 0; a < 3; a++) bias[a] = bias[a]! + noise.gyroWalk * Math.sqrt(step) * random.gauss();
    const noisy = (value: number, offset: number, sigma: number): number =>
      value + offset + sigma * random.gauss();
    yield {
      kind: "inertial",
      time: microseconds(time),
      gyro: [
        noisy(turned[0] * rate, bias[0]!, gyroSigma),
        noisy(turned[1] * rate, bias[1]!, gyroSigma),
        noisy(turned[2] * rate, bias[2]!, gyroSigma),
      ],
      accel: [
        noisy(force[0], noise.accelBias[0], accelSigma),
        noisy(force[1], noise.accelBias[1], accelSigma),
        noisy(force[2], noise.accelBias[2], accelSigma),
      ],
      mag: null,
    };
    last = now;
    lastVelocity = speed;
  }
}

/** Fused attitudes as an imu gives them: roll and pitch held by gravity, yaw adrift. */
export function* orientationSamples(
  worldFromImu: (time: number) => Pose,
  duration: number,
  noise: OrientationNoise,
  random: Random,
): Generator<OrientationEvent> {
  for (let k = 0; k <= Math.floor(duration * noise.rate + 1e-9); k++) {
    const time = k / noise.rate;
    const drift = fromRotationVector([0, 0, noise.yawDrift * time]);
    const jitter = fromRotationVector([
      noise.noise * random.gauss(),
      noise.noise * random.gauss(),
      noise.noise * random.gauss(),
    ]);
    const rotation: Quat = multiply(multiply(drift, worldFromImu(time).rotation), jitter);
    yield { kind: "orientation", time: microseconds(time + noise.late), rotation };
  }
}

/** A drive as wheels go through it; times are seconds. */
interface WheelDrive {
  /** What ideal wheels would count; it keeps counting over laps. */
  readonly motionAt: (time: number) => Motion;
  readonly worldFromBase: (time: number) => Pose;
  readonly duration: number;
}

/** Wheel odometry from what ideal wheels would count. */
export function* odometrySamples(
  { motionAt, worldFromBase, duration }: WheelDrive,
  noise: OdometryNoise,
  random: Random,
): Generator<MotionEvent> {
  let x = 0;
  let y = 0;
  let yaw = 0;
  let last = motionAt(0);
  for (let k = 0; k <= Math.floor(duration * noise.rate + 1e-9); k++) {
    const time = k / noise.rate;
    const now = motionAt(time);
    const [bx, by] = worldFromBase(time).position;
    let slip = 1;
    for (const { rect, share } of noise.slips) {
      if (bx > rect[0] && bx < rect[2] && by > rect[1] && by < rect[3]) slip = 1 + share;
    }
    const driven = (now.driven - last.driven) * (1 + noise.scale) * slip;
    const turned = (now.turned - last.turned) * (1 + noise.turnScale);
    const ahead = driven + noise.noise * Math.sqrt(Math.abs(driven)) * random.gauss();
    const round = turned + noise.noise * Math.sqrt(Math.abs(turned)) * random.gauss();
    x += ahead * cosOf(yaw + round / 2);
    y += ahead * sinOf(yaw + round / 2);
    yaw += round;
    last = now;
    yield {
      kind: "motion",
      time: microseconds(time),
      pose: [x, y, yaw],
      speed: [now.speed * (1 + noise.scale) * slip, 0, now.turnRate * (1 + noise.turnScale)],
    };
  }
}

/** worldFromImu from worldFromBase and the imu's fixed place. */
export const carried =
  (worldFromBase: (time: number) => Pose, baseFromImu: Pose) =>
  (time: number): Pose =>
    compose(worldFromBase(time), baseFromImu);
