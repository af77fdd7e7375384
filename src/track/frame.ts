import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import type { InertialSpan } from "../sense/inertial-buffer.ts";
import type { Samples } from "./samples.ts";

/**
 * How well a pose is known:
 * - "held": depth holds it in every direction;
 * - "sliding": depth leaves one or more directions free (a bare wall, a corridor, an empty floor);
 * - "carried": depth could not be used, and odometry, accelerations or the base's own motion carry the pose on; or depth holds it on a
 *   map whose own place is in doubt;
 * - "lost": where the head is, is not known.
 */
export type Hold = "held" | "sliding" | "carried" | "lost";

/** The part of the head's settings that tracking needs, in radians and metres. Their defaults are in `src/head/settings.ts`. */
export interface TrackerSettings {
  /** Metres: voxels of the fine surfel map. */
  readonly voxelSize: number;
  /** Radians, 1 sigma: white noise of the orientation about a level axis, and about the vertical. */
  readonly tiltSigma: number;
  readonly yawSigma: number;
  /** Radians per second: how fast the orientation's yaw may drift. */
  readonly yawDrift: number;
  /** Error of odometry as a share of the way, 1 sigma. */
  readonly odometryShare: number;
  /**
   * How the base moves, where no odometry says: "ahead" along its own x axis until it shows otherwise, "learned" along the axis that it
   * shows to move along, "off" anywhere at any time.
   */
  readonly rolling: "ahead" | "learned" | "off";
  /** Whether accelerations carry the base on where depth leaves it free; without odometry only. */
  readonly inertial: "used" | "ignored";
  /** Seconds without depth or odometry after which the head is lost. */
  readonly patience: number;
  /** Metres, 1 sigma: a pose less sure than this is not written to maps. */
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
  /** What an imu felt since the frame before; absent or null without. */
  readonly inertial?: InertialInput | null;
  /** False when something is held before the lens. */
  readonly isClear?: boolean;
}

export interface InertialInput {
  readonly span: InertialSpan;
  readonly baseFromImu: Pose;
  /** Whether the gyro steadies the attitude from frame to frame: it has little noise then, and cannot have jumped. */
  readonly isSteady: boolean;
  /** Radians: by how much the orientation sensor's yaw has jumped; the attitude does not follow that. */
  readonly yawJump?: number;
  /** Seconds, 1 sigma: by how much the attitudes may be late. */
  readonly latenessSigma?: number;
  /** Whether the attitudes were made of these samples: they lean with every start and stop. */
  readonly isLeaning?: boolean;
}

/** An event of tracking that an operator or the base would want to know. */
export type TrackNote =
  /** The orientation sensor's yaw jumped by `angle` radians, and was not followed. */
  | { readonly what: "yaw jump"; readonly angle: number }
  /** Odometry and depth disagree about the motion of the last second, by these metres and radians. */
  | { readonly what: "odometry disagrees"; readonly distance: number; readonly angle: number }
  | { readonly what: "lost" }
  /** A place was recognised after `way` metres; the world near the head was moved by the other two. */
  | { readonly what: "loop closed"; readonly way: number; readonly distance: number; readonly angle: number }
  /** Found again, `distance` metres from where it was thought to be. */
  | { readonly what: "found"; readonly distance: number };

export interface TrackResult {
  readonly hold: Hold;
  readonly worldFromBase: Pose;
  readonly worldFromLens: Pose;
  /** (9) m^2, of the base's position against the world's origin, world axes. */
  readonly covariance: readonly number[];
  /** Radians, 1 sigma. */
  readonly yawSigma: number;
  /** Whether the pose is sure enough against the map near by, and whether it may be written to maps with, too. */
  readonly isSteady: boolean;
  readonly isFit: boolean;
  /** Share of the samples on known ground that fit the map; 0 without a registration. */
  readonly share: number;
  readonly notes: readonly TrackNote[];
  /** How this frame moved the young map (made it level, or settled its place), newFromOld; null when it did not. */
  readonly turned: Pose | null;
}

/** The base at the last frame. */
export interface LastFrame {
  /** Microseconds. */
  readonly time: number;
  /** worldFromBase. */
  readonly base: Pose;
  readonly odometry: Pose | null;
  /** By the orientation sensor; null before the first frame. */
  readonly attitude: Quat | null;
}

/** One frame on its way through the tracker. */
export interface Frame {
  readonly input: TrackInput;
  readonly settings: TrackerSettings;
  /** Seconds since the frame before. */
  readonly dt: number;
  /** Whether odometry says how the base moved since the frame before. */
  readonly hasOdometry: boolean;
  /** Whether the filter of wheels, accelerations and depth places the frame. */
  readonly isWheeled: boolean;
  /** Whether inertial samples do, without odometry. */
  readonly isFelt: boolean;
  /** Whether their gyro steadies the attitude. */
  readonly isSteadied: boolean;
  /** Radians, 1 sigma: noise of the attitude's yaw. */
  readonly yawNoise: number;
  /** For the result. */
  readonly notes: TrackNote[];
  turned: Pose | null;
}

/** Where the base is expected to be, before depth is looked at. */
export interface Prediction {
  readonly position: Vec3;
  /** Metres, 1 sigma: how far off a registration may find it. */
  readonly sigma: number;
  /** Metres, 1 sigma: how much less sure the place becomes where depth does not hold it. */
  readonly growth: number;
}
