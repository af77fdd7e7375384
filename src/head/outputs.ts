import type { Pose } from "../geometry/optics.ts";

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

export type HeadOutput = FrameOutput | SkippedOutput | LayersOutput;
