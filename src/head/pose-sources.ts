import type { Pose, Quat } from "../geometry/optics.ts";
import {
  compose,
  conjugate,
  fromYawPitchRoll,
  invert,
  multiply,
  planarOf,
  toYawPitchRoll,
} from "../geometry/rigid.ts";
import { AttitudeFilter } from "../sense/attitude.ts";
import type {
  HeadEvent,
  InertialEvent,
  MotionEvent,
  MountEvent,
  OrientationEvent,
  ReferenceEvent,
  SensorSetup,
  Setup,
} from "../sense/events.ts";
import { InertialBuffer } from "../sense/inertial-buffer.ts";
import { OrientationBuffer } from "../sense/orientation.ts";
import { PoseBuffer } from "../sense/poses.ts";
import { SteadyAttitude } from "../sense/steady.ts";
import type { InertialInput } from "../track/frame.ts";
import type { Planar } from "./local-frame.ts";
import type { Settings } from "./settings.ts";
import { MICROSECONDS, orientationSettings } from "./stage-settings.ts";
import type { Trackable } from "./tracking.ts";
import { WheelSpeed } from "./wheel-speed.ts";
import { WheelsWithHeading } from "./wheels-heading.ts";

/** Poses that are kept of each source: some seconds at usual rates. */
const POSES_KEPT = 512;
/** rad/s, 1 sigma: bias of a cheap gyro before it has been at rest, 0.35 degrees a second. Common practice, no source. */
const FIRST_GYRO_BIAS = 0.006;
/** Microseconds without a sample after which the inertial sensor has stopped: five samples at 100 Hz. */
const INERTIAL_SILENT = 50_000;

/** Events that contain pose information. */
export type PoseEvent = OrientationEvent | InertialEvent | MotionEvent | MountEvent | ReferenceEvent;

const POSE_KINDS: ReadonlySet<HeadEvent["kind"]> = new Set<PoseEvent["kind"]>([
  "orientation",
  "inertial",
  "motion",
  "mount",
  "reference",
]);
export const isPoseEvent = (event: HeadEvent): event is PoseEvent => POSE_KINDS.has(event.kind);

/** Pose of the base and of the lens at a frame. */
export interface Located {
  readonly worldFromBase: Pose;
  readonly worldFromLens: Pose;
  /** z of the floor below the base. */
  readonly floorHeight: number;
}

/** What the sources know about a frame's pose. */
export type PoseAnswer =
  | ({ readonly kind: "located" } & Located)
  /** It has to be found from depth. */
  | ({ readonly kind: "trackable" } & Trackable)
  /** A later sample is needed and may still come. */
  | { readonly kind: "not yet" }
  | { readonly kind: "none"; readonly why: string };

/** Poses of one sensor. */
interface SensorPoses {
  readonly setup: SensorSetup;
  readonly mounts: PoseBuffer;
  readonly references: PoseBuffer;
}

/** Buffers of all external pose information: references, odometry, orientation, inertial samples, moving mounts. */
export class PoseSources {
  #settings: Settings;
  #setup: Setup;
  #sensors: readonly SensorPoses[];
  readonly #orientations: OrientationBuffer;
  readonly #attitude = new AttitudeFilter();
  readonly #inertial = new InertialBuffer();
  readonly #steady = new SteadyAttitude();
  readonly #motions: PoseBuffer;
  readonly #headed: WheelsWithHeading;
  readonly #references: PoseBuffer;
  readonly #headMounts: PoseBuffer;
  #lastMotion = Number.NEGATIVE_INFINITY;
  readonly #wheelSpeed = new WheelSpeed();
  #lastInertial = Number.NEGATIVE_INFINITY;
  #hasFusedOrientation = false;
  /** `AttitudeFilter.leant` at the last frame. */
  #leant = 0;
  /** Last known pitch and roll of the base. */
  #tilt: readonly [pitch: number, roll: number] = [0, 0];

  constructor(setup: Setup, settings: Settings) {
    this.#settings = settings;
    this.#setup = setup;
    this.#orientations = new OrientationBuffer(orientationSettings(settings));
    this.#motions = this.#open();
    this.#headed = new WheelsWithHeading(POSES_KEPT, settings["pose.maxGap"] * MICROSECONDS);
    this.#references = this.#open();
    this.#headMounts = this.#open();
    this.#sensors = setup.sensors.map((sensor) => this.#openSensor(sensor));
  }

  #open(): PoseBuffer {
    return new PoseBuffer(POSES_KEPT, this.#settings["pose.maxGap"] * MICROSECONDS);
  }

  #openSensor(setup: SensorSetup): SensorPoses {
    return { setup, mounts: this.#open(), references: this.#open() };
  }

  /** Continues with other settings or sensors. Buffered poses stay; those of sensors are matched by name. */
  change(setup: Setup, settings: Settings): void {
    this.#settings = settings;
    this.#setup = setup;
    const known = new Map(this.#sensors.map((sensor) => [sensor.setup.name, sensor]));
    this.#sensors = setup.sensors.map((sensor) => ({
      ...(known.get(sensor.name) ?? this.#openSensor(sensor)),
      setup: sensor,
    }));
  }

  take(event: PoseEvent): void {
    this.#keep(event);
    this.#headed.settle((time) => {
      const attitude = this.#attitudeAt(time);
      if (typeof attitude !== "string") return toYawPitchRoll(attitude.rotation)[0];
      return attitude === "not yet" ? attitude : null;
    });
  }

  #keep(event: PoseEvent): void {
    switch (event.kind) {
      case "orientation":
        this.#hasFusedOrientation = true;
        this.#orientations.push(event.time, event.rotation);
        break;
      case "inertial":
        this.#takeInertial(event);
        break;
      case "motion":
        this.#motions.push(event.time, poseOfMotion(event));
        this.#headed.take({ time: event.time, x: event.pose[0], y: event.pose[1], yaw: event.pose[2] });
        this.#wheelSpeed.take(event);
        this.#lastMotion = event.time;
        break;
      case "mount":
        if (event.sensor === null) this.#headMounts.push(event.time, event.pose);
        else this.#sensors[event.sensor]?.mounts.push(event.time, event.pose);
        break;
      case "reference":
        if (event.of === "base") this.#references.push(event.time, event.pose);
        else this.#sensors[event.sensor]?.references.push(event.time, event.pose);
        break;
      default:
        event satisfies never;
    }
  }

  #takeInertial({ time, gyro, accel }: InertialEvent): void {
    if (this.#hasFusedOrientation) {
      if (this.#inertial.push(time, gyro, accel)) this.#lastInertial = time;
      return;
    }
    const wheels = this.#wheelSpeed.ofImu(time, this.#baseFromImu(time), gyro);
    if (!this.#attitude.push(time, gyro, accel, wheels)) return;
    this.#orientations.push(time, this.#attitude.rotation);
    // An attitude that is made of these accelerations leans at starts and stops, unless the wheels tell of them.
    if (wheels !== null && this.#inertial.push(time, gyro, accel)) this.#lastInertial = time;
  }

  /** Whether the newest inertial sample is less than `INERTIAL_SILENT` old. */
  hasInertial(now: number): boolean {
    return now - this.#lastInertial < INERTIAL_SILENT;
  }

  /** Pose of the base by wheel odometry, in its own frame; null while odometry is silent. */
  wheelsAt(time: number): Planar | null {
    if (time - this.#lastMotion >= this.#settings["pose.maxWait"] * MICROSECONDS) return null;
    const pose = this.#motions.at(time);
    if (typeof pose === "string") return null;
    const [x, y, yaw] = planarOf(pose);
    return { x, y, yaw };
  }

  /** Yaw of the base by the orientation sensor, radians, from its own zero; null without one. */
  headingAt(time: number): number | null {
    const attitude = this.#attitudeAt(time);
    return typeof attitude === "string" ? null : toYawPitchRoll(attitude.rotation)[0];
  }

  /** The pose of a sensor's frame, as far as the sources know it. */
  at(sensor: number, time: number): PoseAnswer {
    const baseFromLens = this.#baseFromLens(sensor, time);
    const source = this.#settings["pose.source"];
    if (source === "tracked") return this.#trackableAt(baseFromLens, time);
    if (source === "odometry") {
      const worldFromBase = this.#odometryAt(time);
      if (typeof worldFromBase === "string") return unknown(worldFromBase);
      return located(worldFromBase, compose(worldFromBase, baseFromLens), 0);
    }
    const { references } = this.#sensors[sensor]!;
    if (references.count > 0) {
      const worldFromLens = references.at(time);
      if (typeof worldFromLens === "string") return unknown(worldFromLens);
      // The height of a free lens above the floor is known only from the world's zero.
      return located(compose(worldFromLens, invert(baseFromLens)), worldFromLens, 0);
    }
    const worldFromBase = this.#references.at(time);
    if (typeof worldFromBase === "string") return unknown(worldFromBase);
    return located(worldFromBase, compose(worldFromBase, baseFromLens), worldFromBase.position[2]);
  }

  #trackableAt(baseFromLens: Pose, time: number): PoseAnswer {
    const attitude = this.#attitudeAt(time);
    if (typeof attitude === "string") return unknown(attitude);
    let odometry: Pose | null = null;
    // Frames do not wait for odometry that has stopped.
    if (time - this.#lastMotion < this.#settings["pose.maxWait"] * MICROSECONDS) {
      const planar = this.#motions.at(time);
      if (planar === "not yet") return unknown(planar);
      if (typeof planar !== "string") odometry = planar;
    }
    return { kind: "trackable", attitude: attitude.rotation, odometry, baseFromLens };
  }

  /** Place and heading from odometry, roll, pitch and the yaw of turns from orientation. */
  #odometryAt(time: number): Pose | string {
    const planar = this.#headed.at(time);
    if (typeof planar === "string") return planar;
    const attitude = this.#attitudeAt(time);
    if (typeof attitude === "string") return attitude;
    const [, pitch, roll] = toYawPitchRoll(attitude.rotation);
    const [yaw] = toYawPitchRoll(planar.rotation);
    return { rotation: fromYawPitchRoll(yaw, pitch, roll), position: planar.position };
  }

  /** The base's rotation by the orientation sensor. */
  #attitudeAt(time: number): { readonly rotation: Quat } | string {
    const imu = new Float64Array(4);
    const status = this.#orientations.at(time, imu);
    if (status !== "ok") return status;
    return { rotation: multiply(imu as unknown as Quat, conjugate(this.#baseFromImu(time).rotation)) };
  }

  #baseFromImu(time: number): Pose {
    return compose(poseOr(this.#headMounts, time, this.#setup.baseFromHead), this.#setup.headFromImu);
  }

  /** Pose of the lens on the base. A moving mount is interpolated; after its last sample it stays there. */
  #baseFromLens(sensor: number, time: number): Pose {
    const { setup, mounts } = this.#sensors[sensor]!;
    const own = poseOr(mounts, time, setup.mount.pose);
    if (setup.mount.on === "base") return own;
    return compose(poseOr(this.#headMounts, time, this.#setup.baseFromHead), own);
  }

  /** With the inertial samples since the last frame, and the attitude smoothed by the gyro. */
  steadied(at: Trackable, time: number): Trackable & { readonly inertial: InertialInput | null } {
    const span = this.#inertial.cut(time, this.#orientations);
    if (span === null || this.#settings["track.inertial"] === "ignored") {
      return { ...at, inertial: null };
    }
    const baseFromImu = this.#baseFromImu(time);
    if (!this.#hasFusedOrientation) {
      const corrected = this.#attitude.leant - this.#leant;
      this.#leant = this.#attitude.leant;
      if (at.odometry === null) return { ...at, inertial: null };
      const lean = { corrected, gyroBias: this.#attitude.isBiasKnown ? 0 : FIRST_GYRO_BIAS };
      return { ...at, inertial: { span, baseFromImu, isSteady: true, lean } };
    }
    const steady = this.#steady.follow(span);
    const { latenessSigma } = this.#steady;
    if (steady === null) {
      const attitude = this.#steady.unjumped(at.attitude);
      const inertial = { span, baseFromImu, isSteady: false, yawJump: 0, latenessSigma };
      return { ...at, attitude, inertial };
    }
    const { rotation, hasJumped, yawJump } = steady;
    const attitude = multiply(rotation, conjugate(baseFromImu.rotation));
    return { ...at, attitude, inertial: { span, baseFromImu, isSteady: !hasJumped, yawJump, latenessSigma } };
  }

  /** With the attitude, jumps of its yaw removed. */
  unjumped(at: Trackable): Trackable {
    return { ...at, attitude: this.#steady.unjumped(at.attitude) };
  }

  /** Whether reference poses of the sensor itself are known. Then the floor is at the world's zero and not under the base. */
  hasLensReference(sensor: number): boolean {
    return this.#sensors[sensor]!.references.count > 0;
  }

  /** Pose of the base by a reference; null without one. */
  referenceOfBase(sensor: number, time: number, baseFromLens: Pose): Pose | null {
    const lens = this.#sensors[sensor]!.references.at(time);
    if (typeof lens !== "string") return compose(lens, invert(baseFromLens));
    const base = this.#references.at(time);
    return typeof base === "string" ? null : base;
  }

  /**
   * Pose of the lens relative to the base's floor point, in the base's axes turned upright: by the frame's pose if it is known, else by gravity,
   * else by the last known tilt.
   */
  levelFromLens(sensor: number, time: number, pose: PoseAnswer): Pose {
    if (pose.kind === "located") {
      const [x, y, yaw] = planarOf(pose.worldFromBase);
      const [, pitch, roll] = toYawPitchRoll(pose.worldFromBase.rotation);
      this.#tilt = [pitch, roll];
      const upright: Pose = { rotation: fromYawPitchRoll(yaw, 0, 0), position: [x, y, pose.floorHeight] };
      return compose(invert(upright), pose.worldFromLens);
    }
    const attitude = this.#attitudeAt(time);
    if (typeof attitude !== "string") {
      const [, pitch, roll] = toYawPitchRoll(attitude.rotation);
      this.#tilt = [pitch, roll];
    }
    const rotation = fromYawPitchRoll(0, this.#tilt[0], this.#tilt[1]);
    return compose({ rotation, position: [0, 0, 0] }, this.#baseFromLens(sensor, time));
  }
}

const unknown = (why: string): PoseAnswer => (why === "not yet" ? { kind: why } : { kind: "none", why });

function located(worldFromBase: Pose, worldFromLens: Pose, floorHeight: number): PoseAnswer {
  return { kind: "located", worldFromBase, worldFromLens, floorHeight };
}

function poseOr(buffer: PoseBuffer, time: number, otherwise: Pose): Pose {
  if (buffer.count === 0) return otherwise;
  const pose = buffer.at(time);
  return typeof pose === "string" ? (pose === "not yet" ? (buffer.last ?? otherwise) : otherwise) : pose;
}

function poseOfMotion({ pose: [x, y, yaw] }: MotionEvent): Pose {
  return { rotation: fromYawPitchRoll(yaw, 0, 0), position: [x, y, 0] };
}
