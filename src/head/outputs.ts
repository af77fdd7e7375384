import type { Pose, Vec3 } from "../geometry/optics.ts";
import type { FootingCell } from "../guard/footing.ts";
import type { Pace } from "../guard/guard.ts";
import type { Brink } from "../map/brink-lines.ts";
import type { WaiverEvent } from "../sense/events.ts";
import type { FrozenNote } from "../sense/frozen.ts";
import type { LensFault } from "../sense/lens-check.ts";
import type { StreamSight, Verdict } from "../terms/safety.ts";
import type { Hold, TrackNote } from "../track/frame.ts";

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

/** The two-dimensional layers were updated to the map's revision. */
export interface LayersOutput {
  readonly kind: "layers";
  readonly time: number;
  readonly revision: number;
  /** Columns of blocks that had changed. */
  readonly columns: number;
}

/** An event of tracking: lost, found, a jump of the orientation's yaw, odometry that disagrees, a closed loop. */
export interface TrackOutput {
  readonly kind: "track";
  /** Microseconds: of the frame, or of the event that showed that no frame came. */
  readonly time: number;
  readonly note: TrackNote;
}

/** Judgement of a single frame, before anything that needs a position. Lengths are metres in the level base frame. */
export interface GlanceOutput {
  readonly kind: "glance";
  /** Microseconds: capture of the frame. */
  readonly time: number;
  readonly sensor: number;
  readonly sequence: number;
  /** Quality of the view of the floor; "covered", "blind" and "frozen" are unusable. */
  readonly sight: StreamSight;
  /** Per strip of the image, left to right: where free, firm ground ends (x, y), an `END`, and the depth of a drop. */
  readonly x: readonly number[];
  readonly y: readonly number[];
  readonly ends: readonly number[];
  readonly drop: readonly number[];
  /** Tilt trim: by how much the given pitch and roll were too large, radians. */
  readonly trim: readonly [pitch: number, roll: number];
}

/** The ground around the base, from frames and memory: one answer for each frame, and whenever a sensor becomes silent. */
export interface ReachOutput {
  readonly kind: "reach";
  /** Microseconds: capture of the newest frame, by its stamp. */
  readonly time: number;
  /** Microseconds: end of validity of the pace; then the base stops. */
  readonly until: number;
  /** Whether memory was used, or only the newest frames because no pose is known. */
  readonly source: "memory" | "frame";
  /** Seconds since a camera had a usable view of the floor. */
  readonly age: number;
  /** "late" when that is too long ago, "frozen" while a stream repeats old content: every pace is then 0. */
  readonly sight: StreamSight | "late";
  /** Per bearing, counter-clockwise from forward: metres to the end of free, firm ground, a `END`, seconds since seen. */
  readonly distance: readonly number[];
  readonly ends: readonly number[];
  readonly ages: readonly number[];
  /** Per bearing: seconds since a sensor that looks there had a usable view of the floor; Infinity where none looks. */
  readonly viewAges: readonly number[];
  readonly pace: Pace;
  /** Edges nearby, in the world. */
  readonly brinks: readonly Brink[];
  /** The waiver in force, and seconds left of it. It changes no other number here. */
  readonly waiver: {
    readonly direction: WaiverEvent["direction"];
    readonly reason: string;
    readonly left: number;
  } | null;
}

/** The answer to a floorcheck. */
export interface FindingOutput {
  readonly kind: "finding";
  readonly time: number;
  /** Base frame, and what the base's sensor said. */
  readonly point: readonly [number, number];
  readonly alarm: boolean;
  readonly verdict: Verdict;
  /** Memory of that place, and when it was seen. */
  readonly evidence: FootingCell;
  /** Seconds since; Infinity when it never was. */
  readonly age: number;
}

/** A knock was added to the memory of the ground, or was a bounce of the previous one. */
export interface KnockOutput {
  readonly kind: "knock";
  readonly time: number;
  readonly point: Vec3;
  readonly isRepeat: boolean;
}

/** A waiver began, was shortened to the limit, or ended. */
export interface WaiverOutput {
  readonly kind: "waiver";
  readonly time: number;
  readonly direction: WaiverEvent["direction"];
  readonly reason: string;
  readonly state: "begun" | "expired" | "withdrawn" | "refused";
  /** Seconds from `time` for which it holds. */
  readonly seconds: number;
}

/** A stream repeats its content although the head moves or may move, or it changes again. */
export interface FrozenOutput extends FrozenNote {
  readonly kind: "frozen";
  /** Microseconds: of the sample that showed it. */
  readonly time: number;
}

/** The setup of a lens contradicts the floor in its view. */
export interface LensOutput {
  readonly kind: "lens";
  /** Microseconds: of the frame that decided it. */
  readonly time: number;
  readonly sensor: number;
  readonly fault: LensFault;
}

export type HeadOutput =
  | FrozenOutput
  | LensOutput
  | GlanceOutput
  | FrameOutput
  | SkippedOutput
  | LayersOutput
  | ReachOutput
  | FindingOutput
  | KnockOutput
  | WaiverOutput
  | TrackOutput;
