import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import type { InertialSpan } from "../sense/inertial-buffer.ts";
import type { Samples } from "./samples.ts";

/**
 * Quality class of a pose:
 * - "held": depth constrains it in every direction;
 * - "sliding": depth leaves one or more directions free (a bare wall, a corridor, an empty floor);
 * - "carried": depth could not be used, and the pose is dead-reckoned by odometry, accelerations or constant velocity; or depth holds it on a
 *   map whose own position is in doubt;
 * - "lost": the pose is not known.
 */
export type Hold = "held" | "sliding" | "carried" | "lost";

/** The part of the head's settings that tracking needs, in radians and metres. The defaults are in `src/head/settings.ts`. */
export interface TrackerSettings {
  /** Metres: voxels of the fine surfel map. */
  readonly voxelSize: number;
  /** Radians, 1 sigma: white noise of the orientation about a level axis, and about the vertical. */
  readonly tiltSigma: number;
  readonly yawSigma: number;
  /** Radians per second: drift of the orientation's yaw. */
  readonly yawDrift: number;
  /** Error of odometry as a share of the distance, 1 sigma. */
  readonly odometryShare: number;
  /**
   * How a base without odometry moves: "ahead" along its own x axis until its motion shows otherwise; "learned" along an axis that is estimated
   * from its motion; "off" in any direction at any time.
   */
  readonly rolling: "ahead" | "learned" | "off";
  /** Whether accelerations dead-reckon the base along directions that depth leaves free. Applies only without odometry. */
  readonly inertial: "used" | "ignored";
  /** Seconds without depth or odometry after which the head is lost. */
  readonly patience: number;
  /** Metres, 1 sigma: with more doubt a pose is not used for maps. */
  readonly writeSigma: number;
}

export interface TrackInput {
  /** Microseconds. */
  readonly time: number;
  /** Samples in the lens frame: a balanced choice for registration, and all of them for the map. */
  readonly chosen: Samples;
  readonly all: Samples;
  /** Rotation of the base by the orientation sensor; its yaw is from an origin of its own and may drift. */
  readonly attitude: Quat;
  /** Pose of the base by odometry, in an origin of its own; null without. */
  readonly odometry: Pose | null;
  readonly baseFromLens: Pose;
  /** Inertial samples since the last frame; absent or null without an imu. */
  readonly inertial?: InertialInput | null;
  /** False when something covers the lens. */
  readonly isClear?: boolean;
}

export interface InertialInput {
  readonly span: InertialSpan;
  readonly baseFromImu: Pose;
  /** Whether a gyro steadies the attitude from frame to frame, so that it has little noise and cannot jump. */
  readonly isSteady: boolean;
  /** Radians: jump of the orientation sensor's yaw, which is already taken out of the attitude. */
  readonly yawJump?: number;
  /** Seconds, 1 sigma: lateness of the attitudes. */
  readonly latenessSigma?: number;
  /** Where the attitudes were computed from these samples; absent for attitudes of a sensor's own. */
  readonly lean?: Lean;
}

/** Errors of attitudes that the head computes from gyro and accelerometer: they lean with every start and stop. */
export interface Lean {
  /** Radians by which gravity has corrected the tilt within the span. */
  readonly corrected: number;
  /** rad/s, 1 sigma: bias of the gyro, as long as no rest has shown it; then 0. */
  readonly gyroBias: number;
}

/** An event of tracking, for the operator and the base. */
export type TrackNote =
  /** The orientation sensor's yaw jumped by `angle` radians. The pose did not follow. */
  | { readonly what: "yaw jump"; readonly angle: number }
  /** The motions of the last second by odometry and by depth differ by these metres and radians. */
  | { readonly what: "odometry disagrees"; readonly distance: number; readonly angle: number }
  | { readonly what: "lost" }
  /** A loop was closed after `way` metres. It moved the world near the head by these metres and radians. */
  | { readonly what: "loop closed"; readonly way: number; readonly distance: number; readonly angle: number }
  /** The place of an earlier run was recognised: poses and map are in its world from now on. */
  | { readonly what: "place found" }
  /** The head was relocalised, `distance` metres from its estimated position. */
  | { readonly what: "found"; readonly distance: number };

export interface TrackResult {
  readonly hold: Hold;
  readonly worldFromBase: Pose;
  readonly worldFromLens: Pose;
  /** (9) m^2, of the base's position against the world's origin, world axes. */
  readonly covariance: readonly number[];
  /** Radians, 1 sigma. */
  readonly yawSigma: number;
  /** Whether the doubt against the map near by is small; and whether the pose may be used for maps, too. */
  readonly isSteady: boolean;
  readonly isFit: boolean;
  /** Share of the samples on known ground that fit the map; 0 without a registration. */
  readonly share: number;
  readonly notes: readonly TrackNote[];
  /** newFromOld, where this frame moved the young map (by levelling it, or by correcting its position); else null. */
  readonly turned: Pose | null;
}

/** The base at the last frame. */
export interface LastFrame {
  /** Microseconds. */
  readonly time: number;
  /** worldFromBase. */
  readonly base: Pose;
  readonly odometry: Pose | null;
  /** Rotation by the orientation sensor; null before the first frame. */
  readonly attitude: Quat | null;
}

/** One frame on its way through the tracker. */
export interface Frame {
  readonly input: TrackInput;
  readonly settings: TrackerSettings;
  /** Seconds since the last frame. */
  readonly dt: number;
  /** Whether odometry covers the motion since the last frame. */
  readonly hasOdometry: boolean;
  /** Whether `WheeledPlacer` estimates the pose, from wheels, accelerations and depth. */
  readonly isWheeled: boolean;
  /** Whether accelerations predict the step, without odometry. */
  readonly isInertial: boolean;
  /** Whether a gyro steadies the attitude. */
  readonly isSteadied: boolean;
  /** Whether gyro or wheels confirm the turn since the last frame, so that the orientation sensor's yaw has not jumped. */
  readonly isTurnConfirmed: boolean;
  /** Radians: by how much the yaw of an orientation sensor without a gyro beside it has jumped against the wheels; 0 without a jump. */
  readonly yawJump: number;
  /** Radians, 1 sigma: noise of the attitude's yaw. */
  readonly yawNoise: number;
  /** Events of this frame, for the result. */
  readonly notes: TrackNote[];
  turned: Pose | null;
}

/** The predicted position of the base, before depth is used. */
export interface Prediction {
  readonly position: Vec3;
  /** Metres, 1 sigma: prior of the registration. */
  readonly sigma: number;
  /** Metres, 1 sigma: growth of the doubt where depth does not constrain the position. */
  readonly growth: number;
}
