import { type BodyDescription, parseFootprint } from "../guard/body.ts";
import type { GuardSettings } from "../guard/guard.ts";
import { parseSlowZones } from "../guard/slow-zones.ts";
import type { EvidenceModel } from "../map/evidence.ts";
import type { FloorSettings } from "../map/floor.ts";
import type { Body } from "../map/layers.ts";
import { DEFAULT_MASK_SETTINGS, type MaskSettings } from "../sense/mask.ts";
import type { OrientationSettings } from "../sense/orientation.ts";
import type { TrackerSettings } from "../track/frame.ts";
import type { SamplerOptions } from "../track/sampler.ts";
import type { Settings } from "./settings.ts";

// Parameters of each stage, from the one table of settings (settings.ts), in the units of the stage: radians and,
// for spans of time that are compared with stamps, microseconds.

export const MICROSECONDS = 1e6;
const RADIANS = Math.PI / 180;

/** Attitudes kept: 5 s at 200 Hz. */
const ORIENTATIONS_KEPT = 1024;
/** The clearance field counts cells in a byte. */
const MOST_CLEARANCE_CELLS = 250;

export function maskSettings(settings: Settings): MaskSettings {
  return {
    ...DEFAULT_MASK_SETTINGS,
    minAmplitude: settings["mask.minAmplitude"],
    grazing: settings["mask.grazing"] * RADIANS,
    agreement: settings["mask.agreement"],
  };
}

export function samplerSettings(settings: Settings): SamplerOptions {
  return { wanted: settings["track.samples"] };
}

export function orientationSettings(settings: Settings): OrientationSettings {
  return {
    capacity: ORIENTATIONS_KEPT,
    lateness: settings["orientation.lateness"] * MICROSECONDS,
    maxGap: settings["orientation.maxGap"] * MICROSECONDS,
  };
}

export function trackerSettings(settings: Settings): TrackerSettings {
  return {
    voxelSize: settings["track.voxelSize"],
    tiltSigma: settings["track.tiltNoise"] * RADIANS,
    yawSigma: settings["track.yawNoise"] * RADIANS,
    yawDrift: (settings["track.yawDrift"] * RADIANS) / 60,
    odometryShare: settings["track.odometryError"],
    rolling: settings["track.rolling"],
    inertial: settings["track.inertial"],
    writeSigma: settings["track.writeSigma"],
    patience: settings["track.patience"],
  };
}

export function evidenceModel(settings: Settings): EvidenceModel {
  return {
    sigma0: settings["evidence.sigma0"],
    sigma2: settings["evidence.sigma2"],
    outlierShare: settings["evidence.outlierShare"],
    independence: settings["evidence.independence"],
    framesToClear: settings["evidence.framesToClear"],
  };
}

export function floorSettings(settings: Settings): FloorSettings {
  return { band: settings["floor.band"], slope: settings["floor.slope"] * RADIANS };
}

/** Model of the body for the layers. */
export function layersBody(settings: Settings): Body {
  return { height: settings["body.height"], groundClearance: settings["body.groundClearance"] };
}

/** Metres up to which distances to blocked cells are exact. */
export function clearanceLimit(settings: Settings): number {
  return Math.min(settings["body.clearanceLimit"], MOST_CLEARANCE_CELLS * settings["map.voxelSize"]);
}

/** @throws {RangeError} if the footprint is not an outline */
function bodyDescription(settings: Settings): BodyDescription {
  return {
    footprint: parseFootprint(settings["body.footprint"]),
    height: settings["body.height"],
    wheelRadius: settings["body.wheelRadius"],
    climbableStep: settings["body.climbableStep"],
    tolerableDrop: settings["body.tolerableDrop"],
    deceleration: settings["body.deceleration"],
    reactionDelay: settings["body.reactionDelay"],
  };
}

/** @throws {RangeError} if the footprint is not an outline */
export function guardSettings(settings: Settings): GuardSettings {
  return {
    body: bodyDescription(settings),
    cellSize: settings["map.voxelSize"],
    margin: settings["guard.margin"],
    maxReach: settings["guard.maxReach"],
    topSpeed: settings["guard.topSpeed"],
    topTurn: settings["guard.topTurn"],
    maxBlind: settings["guard.maxBlind"],
    hold: settings["guard.hold"],
    memory: settings["guard.memory"],
    startTrust: settings["guard.startTrust"],
    knockRepeat: settings["guard.knockRepeat"],
    maxTrim: settings["guard.maxTrim"] * RADIANS,
    gate: settings["guard.gate"],
    slowIn: parseSlowZones(settings["guard.slowIn"]),
  };
}
