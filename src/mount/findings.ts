import type { Quat } from "../geometry/optics.ts";
import type { Setup } from "../sense/events.ts";

/** A quantity that the drive has shown, in SI units and radians. */
export interface Found {
  readonly value: number;
  /** 1 sigma. */
  readonly sigma: number;
}

/** Why the drive has not shown a quantity, and what to add to it. */
export interface NotSeen {
  readonly why: string;
  readonly add: string;
}

export type Finding = Found | NotSeen;
export const isFound = <T extends object>(finding: T | NotSeen): finding is T => !("why" in finding);

/** How the imu lies in the head, as a rotation. */
export interface FoundImu {
  /** lensFromImu. */
  readonly rotation: Quat;
  /** 1 sigma about the two level axes, and about the vertical. Infinity: not shown, and taken from the setup. */
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
  /** How the imu lies about the vertical. A finding of its own: it needs another motion than the tilt. */
  readonly imuHeading: Finding;
  /** Seconds by which orientation is stamped late against depth: the setting `orientation.lateness`. */
  readonly lateness: Finding;
  /** Way and turn by the wheels divided by those seen by depth, and seconds by which the wheels' stamps are late against depth. */
  readonly wheels: { readonly scale: Finding; readonly turnScale: Finding; readonly lateness: Finding };
  /** Angle between gravity as the imu has it and the floor's normal: the floor's slope and the accelerometer's bias. */
  readonly gravityTilt: number | null;
  /** Mean height / range of the floor's pixels: the share of a range error that becomes a height error. */
  readonly slant: number;
  readonly seen: {
    readonly frames: number;
    /** Frames in which floor was fitted, and those that were at rest or in steady motion. */
    readonly withFloor: number;
    readonly quiet: number;
    /** Frames that did not fit what was seen before. */
    readonly broken: number;
    /** Metres and radians of motion. */
    readonly way: number;
    readonly turned: number;
  };
  readonly range: RangeCheck | NotSeen | null;
  /** The setup that was given, with what was found put in. */
  readonly setup: Setup;
}

/** Distance to the wall that the lens faces at first, against a tape. */
export interface RangeCheck {
  readonly measured: number;
  /** Measured less taped, metres, and its 1 sigma with the tape's own. */
  readonly bias: number;
  readonly sigma: number;
  readonly frames: number;
}
