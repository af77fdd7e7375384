import type { Quat } from "../geometry/optics.ts";
import type { Setup } from "../sense/events.ts";

/** A quantity that the drive showed, in SI units and radians. */
export interface Found {
  readonly value: number;
  /** 1 sigma. */
  readonly sigma: number;
}

/** Why the drive did not show a quantity, and what to add. */
export interface NotSeen {
  readonly why: string;
  readonly add: string;
}

export type Finding = Found | NotSeen;
export const isFound = <T extends object>(finding: T | NotSeen): finding is T => !("why" in finding);

/** Rotation of the imu in the head. */
export interface FoundImu {
  /** lensFromImu. */
  readonly rotation: Quat;
  /** 1 sigma about the two level axes, and about the vertical. Infinity: not determined, and taken from the setup. */
  readonly tiltSigma: number;
  readonly headingSigma: number;
}

export interface MountReport {
  /** Of the lens above the floor, metres. */
  readonly height: Finding;
  /** Of the lens on the base, radians: yaw to the left, then pitch nose down, then roll to the right (ISO 8855). */
  readonly pitch: Finding;
  readonly roll: Finding;
  readonly yaw: Finding;
  /** The lens ahead of and left of the point about which the base turns, metres. */
  readonly forward: Finding;
  readonly sideways: Finding;
  readonly imu: FoundImu | NotSeen;
  /** Heading of the imu. A finding of its own, because it needs another motion than the tilt. */
  readonly imuHeading: Finding;
  /** Seconds by which orientation is stamped late against depth: the setting `orientation.lateness`. */
  readonly lateness: Finding;
  /** Distance and turn by the wheels divided by those from depth; and delay of the wheels' stamps against depth, seconds. */
  readonly wheels: { readonly scale: Finding; readonly turnScale: Finding; readonly lateness: Finding };
  /** Angle between the imu's gravity and the floor's normal: the floor's slope plus the accelerometer's bias. */
  readonly gravityTilt: number | null;
  /** Mean height / range of the floor's pixels: the share of a range error that becomes a height error. */
  readonly slant: number;
  readonly seen: {
    readonly frames: number;
    /** Frames in which floor was fitted, and those that were at rest or in steady motion. */
    readonly withFloor: number;
    readonly quiet: number;
    /** Frames that did not fit the path so far. */
    readonly broken: number;
    /** Metres and radians of motion. */
    readonly way: number;
    readonly turned: number;
  };
  readonly range: RangeCheck | NotSeen | null;
  /** The given setup, with the findings inserted. */
  readonly setup: Setup;
}

/** Distance to the wall that the lens faces at first, against a tape. */
export interface RangeCheck {
  readonly measured: number;
  /** Measured minus taped distance, metres, and its 1 sigma including the tape's. */
  readonly bias: number;
  readonly sigma: number;
  readonly frames: number;
}
