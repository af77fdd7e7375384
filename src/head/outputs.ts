import type { Pose } from "../geometry/optics.ts";
import type { Hold, TrackNote } from "../track/tracker.ts";

/** How well a tracked pose is known. */
export interface TrackState {
  readonly hold: Hold;
  /** (9) m^2: covariance of the base's position in the world, row-major. */
  readonly covariance: readonly number[];
  /** Radians, 1 sigma. */
  readonly yawSigma: number;
  /** Share of the samples on known ground that fit the map; 0 when depth could not be used. */
  readonly share: number;
}

/** A depth frame or scan went into the map. */
export interface FrameOutput {
  readonly kind: "frame";
  /** Microseconds: mid-exposure of the frame. */
  readonly time: number;
  readonly sensor: number;
  readonly sequence: number;
  /** Frames of this sensor that never arrived, by their sequence numbers, since the one before. */
  readonly missed: number;
  /** Revision of the map with this frame in it; 0 when it was not written to the map. */
  readonly revision: number;
  readonly worldFromBase: Pose;
  readonly worldFromLens: Pose;
  /** Pixels by mask reason (REASON in src/sense/mask.ts). */
  readonly tally: readonly number[];
  /** Pixels used as hits, and floor samples taken. */
  readonly points: number;
  readonly floorSamples: number;
  /** Null when poses are given, not tracked. */
  readonly track: TrackState | null;
}

/** A depth frame was left out. */
export interface SkippedOutput {
  readonly kind: "skipped";
  readonly time: number;
  readonly sensor: number;
  readonly sequence: number;
  /** "no pose": none came in time; "overtaken": a newer frame came while it waited; "unfit": it is not a frame of this sensor. */
  readonly why: "no pose" | "overtaken" | "unfit";
  readonly detail: string;
}

/** The two-dimensional layers were brought up to the map's revision. */
export interface LayersOutput {
  readonly kind: "layers";
  readonly time: number;
  readonly revision: number;
  /** Columns of blocks that had changed. */
  readonly columns: number;
}

/** Tracking noticed something: lost, found again, a jump of the orientation's yaw, odometry that disagrees. */
export interface TrackOutput {
  readonly kind: "track";
  /** Microseconds: of the frame, or of the event that showed that no frame came. */
  readonly time: number;
  readonly note: TrackNote;
}

export type HeadOutput = FrameOutput | SkippedOutput | LayersOutput | TrackOutput;
