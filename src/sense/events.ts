import type { Optics, Pose, Quat, Vec3 } from "../geometry/optics.ts";

/** One range sensor of the head: its optics, and where its lens frame (x right, y down, z forward) sits. */
export interface SensorSetup {
  readonly name: string;
  readonly optics: Optics;
  /** `pose` is headFromLens when the sensor rides on the head, baseFromLens when it is bolted to the base. */
  readonly mount: { readonly on: "head" | "base"; readonly pose: Pose };
}

/** The setup before the first event: the sensors and their mounts. */
export interface Setup {
  readonly sensors: readonly SensorSetup[];
  /** Where the head sits on the base (base: floor point under the robot, x forward, y left, z up). */
  readonly baseFromHead: Pose;
  /** Where the inertial sensor sits in the head. */
  readonly headFromImu: Pose;
}

/** All times are integer microseconds of the head's monotonic clock. Events arrive in any order of time. */
interface Stamped {
  readonly time: number;
}

/**
 * A depth frame or a laser scan, stamped at mid-exposure. `counts` and `amplitude` are row-major
 * (height * width) and belong to the sender of the event, who may overwrite them after `take` returns.
 */
export interface DepthEvent extends Stamped {
  readonly kind: "depth";
  /** Index into `Setup.sensors`. */
  readonly sensor: number;
  /** Counts up by one per frame of this sensor, so that gaps show. */
  readonly sequence: number;
  /** Depth in the optics' own unit; 0 is no return. */
  readonly counts: Uint16Array;
  /** Returned signal in the sensor's own unit, or null when it gives none. */
  readonly amplitude: Uint16Array | null;
}

/** A fused attitude: worldFromImu, z up against gravity. Its yaw may drift. */
export interface OrientationEvent extends Stamped {
  readonly kind: "orientation";
  readonly rotation: Quat;
}

/** Raw inertial sample in the imu frame: rad/s, m/s^2 (specific force: +g upward at rest), microtesla or null. */
export interface InertialEvent extends Stamped {
  readonly kind: "inertial";
  readonly gyro: Vec3;
  readonly accel: Vec3;
  readonly mag: Vec3 | null;
}

/** Wheel odometry: pose accumulated since the base started (x, y metres, yaw radians), and speeds when known. */
export interface MotionEvent extends Stamped {
  readonly kind: "motion";
  readonly pose: Vec3;
  /** Forward m/s, left m/s, yaw rad/s. */
  readonly speed: Vec3 | null;
}

/** A moving mount (a neck): replaces baseFromHead when `sensor` is null, else that sensor's own mount pose. */
export interface MountEvent extends Stamped {
  readonly kind: "mount";
  readonly sensor: number | null;
  readonly pose: Pose;
}

/** A bump contact closed at this point of the base frame. */
export interface KnockEvent extends Stamped {
  readonly kind: "knock";
  readonly point: Vec3;
}

/** The base's own floor sensor at this point of the base frame (x, y) says the floor is missing, or is back. */
export interface FloorcheckEvent extends Stamped {
  readonly kind: "floorcheck";
  readonly point: readonly [number, number];
  readonly alarm: boolean;
}

/** Ways in which a base can move. */
export const WAIVER_DIRECTIONS = ["forward", "backward", "left", "right"] as const;

/**
 * The base overrides a stop on its own responsibility: for a stated reason, in one direction, for a few seconds. It changes no output of the
 * head; it is recorded and shown.
 */
export interface WaiverEvent extends Stamped {
  readonly kind: "waiver";
  readonly direction: (typeof WAIVER_DIRECTIONS)[number];
  /** Duration from `time`; 0 withdraws it. */
  readonly seconds: number;
  readonly reason: string;
}

/** Highest `ShedEvent.level`. */
export const MOST_SHED = 16;

/**
 * Load shedding: from here on one frame in 2^level of each sensor is mapped; level 0 maps all. Frames
 * that are not mapped are still judged and located. The decision is an event, so that a recording of a loaded head replays to the
 * same map.
 */
export interface ShedEvent extends Stamped {
  readonly kind: "shed";
  /** Whole, 0 to `MOST_SHED`. */
  readonly level: number;
}

/** A note in the recording. */
export interface MarkEvent extends Stamped {
  readonly kind: "mark";
  readonly text: string;
}

/** A pose from outside (simulation truth, motion capture, a data set): worldFromBase, or worldFromLens. */
export interface ReferenceEvent extends Stamped {
  readonly kind: "reference";
  readonly of: "base" | "lens";
  /** Which lens, when `of` is "lens"; else 0. */
  readonly sensor: number;
  readonly pose: Pose;
}

export type HeadEvent =
  | DepthEvent
  | OrientationEvent
  | InertialEvent
  | MotionEvent
  | MountEvent
  | KnockEvent
  | FloorcheckEvent
  | WaiverEvent
  | ShedEvent
  | MarkEvent
  | ReferenceEvent;
