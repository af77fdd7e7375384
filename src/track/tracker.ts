import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import {
  compose,
  conjugate,
  fromYawPitchRoll,
  invert,
  multiply,
  toRotationVector,
  toYawPitchRoll,
  turn,
} from "../geometry/rigid.ts";
import { Registrar, type Registration, type Stage } from "./register.ts";
import { type Placement, type Samples, SurfelMap } from "./surfels.ts";

/**
 * How well a pose is known:
 * - "held": depth holds it in every direction;
 * - "sliding": depth leaves one or more directions free (a bare wall, a corridor, an empty floor);
 * - "carried": no depth could be used; it is carried on by odometry, or for a moment by its own motion;
 * - "lost": where the head is, is not known.
 */
export type Hold = "held" | "sliding" | "carried" | "lost";

export interface TrackerSettings {
  /** Metres: voxels of the fine and the coarse surfel map. */
  readonly fineVoxel: number;
  readonly coarseVoxel: number;
  /** Radians, 1 sigma: white noise of the orientation about a level axis, and about the vertical. */
  readonly tiltSigma: number;
  readonly yawSigma: number;
  /** Radians per second: how fast the orientation's yaw may drift. */
  readonly yawDrift: number;
  /** Metres per second squared, 1 sigma: how much the head accelerates between frames when there is no odometry. */
  readonly acceleration: number;
  /** Share of the speed that is left after a second without anything that holds it. */
  readonly coasting: number;
  /** Odometry: error as a share of the way, and a floor in metres. */
  readonly odometryShare: number;
  readonly odometrySigma: number;
  /** Fewest matched samples that a registration may rest on, and their least share of those on known ground. */
  readonly minMatches: number;
  readonly minShare: number;
  /** Share of the weight below which a direction is not held. */
  readonly minStrength: number;
  /** One in so many tracked frames is fused into the surfel map. */
  readonly fuseEvery: number;
}

const DEGREE = Math.PI / 180;

export const DEFAULT_TRACKER_SETTINGS: TrackerSettings = {
  fineVoxel: 0.06,
  coarseVoxel: 0.24,
  tiltSigma: 0.3 * DEGREE,
  yawSigma: 0.3 * DEGREE,
  yawDrift: (5 * DEGREE) / 60,
  acceleration: 2,
  coasting: 0.3,
  odometryShare: 0.03,
  odometrySigma: 0.003,
  minMatches: 120,
  minShare: 0.4,
  minStrength: 0.005,
  fuseEvery: 2,
};

export interface TrackInput {
  /** Microseconds. */
  readonly time: number;
  /** In the lens frame: balanced for registration, and all there are for the map. */
  readonly chosen: Samples;
  readonly all: Samples;
  /** Rotation of the base by the orientation sensor; its yaw is from an origin of its own and may drift. */
  readonly attitude: Quat;
  /** Pose of the base by odometry, in an origin of its own; null without. */
  readonly odometry: Pose | null;
  readonly baseFromLens: Pose;
}

export interface TrackResult {
  readonly hold: Hold;
  readonly worldFromBase: Pose;
  readonly worldFromLens: Pose;
  readonly registration: Registration | null;
  readonly known: number;
}

/** Largest number of samples that a frame may have. */
const CAPACITY = 8192;

export class Tracker {
  readonly fine: SurfelMap;
  readonly coarse: SurfelMap;
  readonly #settings: TrackerSettings;
  readonly #registrar = new Registrar(CAPACITY);
  readonly #stages: readonly Stage[];
  readonly #start: Pose;
  readonly #pose: Placement = placement();
  readonly #prior: { at: Placement; rotation: Float64Array; position: Float64Array } = {
    at: placement(),
    rotation: new Float64Array(9),
    position: new Float64Array(9),
  };
  #frames = 0;
  #lastTime = 0;
  #base: Pose;
  #odometry: Pose | null = null;
  #velocity: Vec3 = [0, 0, 0];
  /** World yaw minus the orientation sensor's, and its variance. */
  #yawOffset = 0;
  #yawVariance = 0;

  constructor(start: Pose, settings: TrackerSettings = DEFAULT_TRACKER_SETTINGS) {
    this.#settings = settings;
    this.#start = start;
    this.#base = start;
    this.fine = new SurfelMap(settings.fineVoxel, 2e7);
    this.coarse = new SurfelMap(settings.coarseVoxel, 2e7);
    this.#stages = [
      { map: this.coarse, gate: 0.4, lastGate: 0.15, iterations: 3, stride: 4 },
      { map: this.fine, gate: 0.12, lastGate: 0.04, iterations: 6, stride: 1 },
    ];
  }

  track(input: TrackInput): TrackResult {
    const s = this.#settings;
    const { time, chosen, all, attitude, baseFromLens } = input;
    if (this.#frames === 0) {
      const [yaw] = toYawPitchRoll(attitude);
      const [startYaw] = toYawPitchRoll(this.#start.rotation);
      this.#yawOffset = startYaw - yaw;
      this.#yawVariance = s.yawSigma ** 2;
      const rotation = multiply(fromYawPitchRoll(this.#yawOffset, 0, 0), attitude);
      this.#base = { rotation, position: this.#start.position };
      place(this.#pose, compose(this.#base, baseFromLens));
      this.#fuse(all);
      return this.#done(time, input, "held", null, 0);
    }
    const dt = Math.max(1e-3, (time - this.#lastTime) / 1e6);
    // Prediction.
    this.#yawVariance += (s.yawDrift * dt) ** 2;
    const rotation = multiply(fromYawPitchRoll(this.#yawOffset, 0, 0), attitude);
    let position: Vec3;
    let sigma: number;
    if (input.odometry !== null && this.#odometry !== null) {
      const moved = compose(invert(this.#odometry), input.odometry).position;
      const d = turn(this.#base.rotation, moved);
      position = add(this.#base.position, d, 1);
      sigma = s.odometrySigma + s.odometryShare * Math.hypot(...d);
    } else {
      position = add(this.#base.position, this.#velocity, dt);
      sigma = 0.02 + 0.5 * s.acceleration * dt * dt;
    }
    const predicted = compose({ rotation, position }, baseFromLens);
    place(this.#pose, predicted);
    place(this.#prior.at, predicted);
    const tilt = 1 / s.tiltSigma ** 2;
    const yaw = 1 / (s.yawSigma ** 2 + this.#yawVariance);
    setDiagonal(this.#prior.rotation, tilt, tilt, yaw);
    setDiagonal(this.#prior.position, 1 / sigma ** 2, 1 / sigma ** 2, 1 / sigma ** 2);
    const registration = this.#registrar.register(chosen, this.#pose, this.#prior, this.#stages);
    const worldFromLens = poseOf(this.#pose);
    const base = compose(worldFromLens, invert(baseFromLens));
    // Yaw offset follows what depth says.
    const off = toRotationVector(multiply(base.rotation, conjugate(rotation)))[2];
    const gain = this.#yawVariance / (this.#yawVariance + s.yawSigma ** 2);
    this.#yawOffset += gain * off;
    this.#yawVariance *= 1 - gain;
    const v = add(base.position, this.#base.position, -1);
    this.#velocity = [v[0] / dt, v[1] / dt, v[2] / dt];
    this.#base = base;
    if (this.#frames % s.fuseEvery === 0) this.#fuse(all);
    return this.#done(time, input, "held", registration, 0);
  }

  #done(
    time: number,
    input: TrackInput,
    hold: Hold,
    registration: Registration | null,
    known: number,
  ): TrackResult {
    this.#frames++;
    this.#lastTime = time;
    this.#odometry = input.odometry;
    return { hold, worldFromBase: this.#base, worldFromLens: poseOf(this.#pose), registration, known };
  }

  #fuse(all: Samples): void {
    this.fine.fuse(all, this.#pose, this.#settings.fineVoxel / 2);
    this.coarse.fuse(all, this.#pose, this.#settings.coarseVoxel / 2);
  }
}

function placement(): Placement {
  return { rotation: new Float64Array(9), position: new Float64Array(3) };
}

function add(a: Vec3, b: Vec3, k: number): Vec3 {
  return [a[0] + k * b[0], a[1] + k * b[1], a[2] + k * b[2]];
}

function setDiagonal(m: Float64Array, x: number, y: number, z: number): void {
  m.fill(0);
  m[0] = x;
  m[4] = y;
  m[8] = z;
}

/** Writes a pose as rotation matrix and position. */
export function place(out: Placement, { rotation: [x, y, z, w], position }: Pose): void {
  const R = out.rotation;
  R[0] = 1 - 2 * (y * y + z * z);
  R[1] = 2 * (x * y - z * w);
  R[2] = 2 * (x * z + y * w);
  R[3] = 2 * (x * y + z * w);
  R[4] = 1 - 2 * (x * x + z * z);
  R[5] = 2 * (y * z - x * w);
  R[6] = 2 * (x * z - y * w);
  R[7] = 2 * (y * z + x * w);
  R[8] = 1 - 2 * (x * x + y * y);
  out.position.set(position);
}

/** The pose of a rotation matrix and position. Source: Shepperd 1978, the largest component first. */
export function poseOf({ rotation: R, position }: Placement): Pose {
  const [a, b, c] = [R[0]!, R[4]!, R[8]!];
  let q: Quat;
  if (a + b + c > 0) {
    const s = 2 * Math.sqrt(1 + a + b + c);
    q = [(R[7]! - R[5]!) / s, (R[2]! - R[6]!) / s, (R[3]! - R[1]!) / s, s / 4];
  } else if (a > b && a > c) {
    const s = 2 * Math.sqrt(1 + a - b - c);
    q = [s / 4, (R[1]! + R[3]!) / s, (R[2]! + R[6]!) / s, (R[7]! - R[5]!) / s];
  } else if (b > c) {
    const s = 2 * Math.sqrt(1 + b - a - c);
    q = [(R[1]! + R[3]!) / s, s / 4, (R[5]! + R[7]!) / s, (R[2]! - R[6]!) / s];
  } else {
    const s = 2 * Math.sqrt(1 + c - a - b);
    q = [(R[2]! + R[6]!) / s, (R[5]! + R[7]!) / s, s / 4, (R[3]! - R[1]!) / s];
  }
  const norm = Math.hypot(...q);
  return {
    rotation: [q[0] / norm, q[1] / norm, q[2] / norm, q[3] / norm],
    position: [position[0]!, position[1]!, position[2]!],
  };
}
