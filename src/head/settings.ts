import { parseFootprint } from "../guard/body.ts";
import { parseAreas } from "../guard/keep-out.ts";
import { parseSlowZones } from "../guard/slow-zones.ts";
import { MAX_BLIND } from "../terms/freshness.ts";
import { parseSpots } from "../terms/spots.ts";

interface NumberSetting {
  readonly type: "number" | "integer";
  readonly default: number;
  readonly min: number;
  readonly max: number;
  readonly unit: string;
  readonly help: string;
}
interface ChoiceSetting {
  readonly type: "choice";
  readonly default: string;
  readonly choices: readonly string[];
  readonly help: string;
}

interface TextSetting {
  readonly type: "text";
  readonly default: string;
  /** Throws a RangeError that names the error in a text. */
  readonly check: (text: string) => unknown;
  readonly help: string;
}

/** Checks a row of the table and keeps its literal type. */
const number = (
  byDefault: number,
  min: number,
  max: number,
  unit: string,
  help: string,
): NumberSetting & { type: "number" } => ({ type: "number", default: byDefault, min, max, unit, help });
const integer = (
  byDefault: number,
  min: number,
  max: number,
  unit: string,
  help: string,
): NumberSetting & { type: "integer" } => ({ type: "integer", default: byDefault, min, max, unit, help });
const choice = <T extends string>(
  byDefault: T,
  choices: readonly T[],
  help: string,
): ChoiceSetting & { readonly choices: readonly T[] } => ({
  type: "choice",
  default: byDefault,
  choices,
  help,
});
const text = (byDefault: string, check: (text: string) => unknown, help: string): TextSetting => ({
  type: "text",
  default: byDefault,
  check,
  help,
});

/** Every setting of the core, once: command lines, recordings, checks and documents derive from this table. */
export const SETTINGS = {
  "pose.source": choice(
    "reference",
    ["reference", "odometry", "tracked"],
    "where poses come from: the recording's reference, odometry with orientation, or depth with orientation",
  ),
  "pose.maxWait": number(
    0.1,
    0,
    2,
    "s",
    "longest time that a frame waits for its pose; then it is not mapped",
  ),
  "pose.maxGap": number(1, 0.001, 60, "s", "longest gap between two poses that is interpolated across"),
  "orientation.lateness": number(0, -0.5, 0.5, "s", "delay of the stamps of orientation samples"),
  "orientation.maxGap": number(
    0.05,
    0.001,
    1,
    "s",
    "longest gap between two orientation samples that is interpolated across",
  ),
  "track.voxelSize": number(0.06, 0.02, 0.3, "m", "side of the voxels of the surfel map that tracking uses"),
  "track.samples": integer(900, 200, 8000, "pixels", "samples of a frame that are registered"),
  "track.tiltNoise": number(0.3, 0.01, 10, "deg", "noise of the orientation's roll and pitch, 1 sigma"),
  "track.yawNoise": number(
    0.3,
    0.01,
    30,
    "deg",
    "noise of the orientation's yaw, 1 sigma, without its drift",
  ),
  "track.yawDrift": number(5, 0, 600, "deg/min", "drift rate of the orientation's yaw, 1 sigma"),
  "track.odometryError": number(0.03, 0.001, 1, "1", "error of odometry as a share of the distance, 1 sigma"),
  "track.rolling": choice(
    "ahead",
    ["ahead", "learned", "off"],
    "motion model without odometry: along the base's x axis until its motion shows another, along the axis that its motion shows, or any direction",
  ),
  "track.inertial": choice(
    "used",
    ["used", "ignored"],
    "whether accelerations predict the pose where depth leaves it free, and check the wheels; needs inertial samples",
  ),
  "track.writeSigma": number(
    0.05,
    0.001,
    1,
    "m",
    "frames whose position is less certain than this, 1 sigma, are not mapped",
  ),
  "track.patience": number(
    0.4,
    0.05,
    5,
    "s",
    "time without usable depth, odometry or inertial samples after which the head is lost",
  ),
  "track.keyframes": number(
    64,
    0,
    4096,
    "MB",
    "memory for keyframes, from which loops are closed and the map is rebuilt; 0 for none",
  ),
  "mask.minAmplitude": number(
    0,
    0,
    65535,
    "sensor counts",
    "returns with less amplitude are not used (reason: weak)",
  ),
  "mask.grazing": number(
    8,
    1,
    45,
    "deg",
    "least angle between ray and surface; steeper depth steps are kept only if neighbouring pixels confirm them",
  ),
  "mask.agreement": number(
    0.01,
    0,
    0.2,
    "1",
    "share of inverse depth by which neighbours may differ and still confirm each other",
  ),
  "map.voxelSize": number(0.05, 0.001, 0.5, "m", "side of a voxel"),
  "map.maxRange": number(
    6,
    0.1,
    100,
    "m",
    "largest distance of camera returns that are mapped; at most 500 voxels",
  ),
  "map.carveEvery": integer(2, 1, 8, "frames", "frames between two free-space updates of a block"),
  "map.spots": text(
    "",
    parseSpots,
    "places with names, as goals of ways: `name: x,y,heading; name: x,y`, metres of the map, degrees counter-clockwise from x",
  ),
  "map.layersEvery": integer(5, 1, 100, "frames", "frames between two updates of the two-dimensional layers"),
  "evidence.sigma0": number(0.01, 0, 0.5, "m", "range error near the sensor, 1 sigma"),
  "evidence.sigma2": number(0.0015, 0, 0.1, "1/m", "growth of the range error with the square of the range"),
  "evidence.outlierShare": number(
    0.02,
    0.0001,
    0.5,
    "1",
    "share of accepted returns that are nowhere near a surface",
  ),
  "evidence.independence": number(
    0.7,
    0.05,
    1,
    "1",
    "share of a frame's evidence that is independent of the frame before",
  ),
  "evidence.framesToClear": integer(
    14,
    2,
    200,
    "frames",
    "frames of seeing through it after which a saturated occupied voxel is free",
  ),
  "floor.band": number(
    0.35,
    0.02,
    2,
    "m",
    "largest height of floor above or below the base's own floor point",
  ),
  "floor.slope": number(15, 1, 45, "deg", "steepest surface that may be floor"),
  "floor.stride": integer(
    4,
    1,
    16,
    "pixels",
    "pixels between floor samples; closer together in images narrower than 240 pixels",
  ),
  "body.height": number(0.6, 0.05, 3, "m", "the robot's highest point above the floor"),
  "body.groundClearance": number(
    0.02,
    0,
    0.3,
    "m",
    "ground clearance: obstacles lower than this are driven over",
  ),
  "body.clearanceLimit": number(
    2,
    0.1,
    10,
    "m",
    "distances to the nearest blocked cell are exact up to this",
  ),
  "body.footprint": text(
    "0.22,0.175 0.22,-0.175 -0.2,-0.175 -0.2,0.175",
    parseFootprint,
    "corners of the outline in order, x,y in metres of the base frame, separated by spaces",
  ),
  "body.wheelRadius": number(0.06, 0.01, 0.5, "m", "radius of the smallest wheel that carries the body"),
  "body.climbableStep": number(0.015, 0.001, 0.2, "m", "highest step up that the wheels take"),
  "body.tolerableDrop": number(
    0.015,
    0.013,
    0.2,
    "m",
    "deepest step down that is not a drop; 13 mm are allowed on an accessible route (ADA 303.3), the edge of a long-pile rug is 15 mm",
  ),
  "body.deceleration": number(0.7, 0.05, 10, "m/s2", "guaranteed deceleration of the brakes"),
  "body.reactionDelay": number(0.15, 0, 2, "s", "time from sending a pace until the brakes act"),
  "guard.keepOut": text(
    "",
    parseAreas,
    "areas that the base must not enter, `name: x,y x,y x,y; name: ...`, corners in metres of the map",
  ),
  "guard.slowIn": text(
    "",
    parseSlowZones,
    "zones in which the base drives no faster than a speed, `name: 0.3 m/s: x,y x,y x,y; name: ...`, corners in metres of the map",
  ),
  "guard.margin": number(
    0.07,
    0,
    1,
    "m",
    "distance kept between the outline and what ends the ground, for errors of edge, pose and tilt; one cell is kept besides",
  ),
  "guard.maxReach": number(3, 0.5, 10, "m", "largest distance that the guard looks at"),
  "guard.topSpeed": number(1, 0.05, 5, "m/s", "highest pace that is ever permitted"),
  "guard.topTurn": number(1.5, 0.05, 10, "rad/s", "highest turn rate on the spot that is ever permitted"),
  "guard.maxBlind": number(
    MAX_BLIND,
    0.05,
    5,
    "s",
    "longest time without a usable view of a direction until motion into it is forbidden; usually 1.5 frame intervals",
  ),
  "guard.hold": number(0, 0, 1, "s", "how long a pace is valid; 0: two frame intervals, at least 0.15 s"),
  "guard.memory": number(600, 1, 1e6, "s", "firm ground that was not seen for this long becomes unseen"),
  "guard.startTrust": number(
    0.6,
    0,
    3,
    "m",
    "distance from the start up to which ground is taken as firm, until floor is in view: whoever starts the base vouches for it",
  ),
  "guard.knockRepeat": number(1, 0, 10, "s", "contacts at one place within this time are one knock"),
  "guard.maxTrim": number(
    5.5,
    0,
    8,
    "deg",
    "largest correction of a frame's tilt by the nearest floor: a base on a ramp of 1 in 12, and a little",
  ),
  "guard.gate": number(
    0,
    0,
    65535,
    "sensor counts",
    "amplitude below which the sensor reports no return; 0: the least amplitude that came with a return",
  ),
  "guard.waiverLimit": number(5, 0.1, 60, "s", "longest duration of a waiver"),
} as const;

type Table = typeof SETTINGS;
export type SettingName = keyof Table;
/** One value per setting; all checked. */
export type Settings = {
  readonly [K in SettingName]: Table[K] extends { choices: readonly (infer C)[] }
    ? C
    : Table[K] extends TextSetting
      ? string
      : number;
};

/** A setting is unknown, of the wrong type, or out of bounds; the message names it and the allowed values. */
export class SettingError extends Error {
  override readonly name = "SettingError";
}

/**
 * Fills in defaults and checks.
 * @param given names and values, as from a file or a command line (numbers may be strings there)
 * @throws {SettingError} naming the first wrong setting and its allowed values
 */
export function resolveSettings(given: Readonly<Record<string, unknown>> = {}): Settings {
  const out: Record<string, unknown> = {};
  for (const [name, row] of Object.entries(SETTINGS)) out[name] = row.default;
  for (const [name, value] of Object.entries(given)) {
    if (!Object.hasOwn(SETTINGS, name)) {
      const near = Object.keys(SETTINGS).filter(
        (known) => known.endsWith(`.${name.split(".").at(-1)}`) || known.split(".")[0] === name.split(".")[0],
      );
      const hint = near.length > 0 ? `; did you mean ${near.join(", ")}?` : "";
      throw new SettingError(`there is no setting "${name}"${hint}`);
    }
    out[name] = checked(name as SettingName, value);
  }
  return out as unknown as Settings;
}

function checked(name: SettingName, value: unknown): number | string {
  const row: NumberSetting | ChoiceSetting | TextSetting = SETTINGS[name];
  if (row.type === "text") {
    if (typeof value !== "string") {
      throw new SettingError(`${name} must be a text, got ${JSON.stringify(value)}`);
    }
    try {
      row.check(value);
    } catch (error) {
      throw new SettingError(`${name}: ${(error as Error).message}`);
    }
    return value;
  }
  if (row.type === "choice") {
    if (typeof value === "string" && row.choices.includes(value)) return value;
    throw new SettingError(`${name} must be one of ${row.choices.join(", ")}, got ${JSON.stringify(value)}`);
  }
  const text = typeof value === "string" ? value.trim() : value;
  const number = typeof text === "string" && text !== "" ? Number(text) : text;
  const isFit =
    typeof number === "number" &&
    number >= row.min &&
    number <= row.max &&
    (row.type === "number" || Number.isInteger(number));
  if (!isFit) {
    const kind = row.type === "integer" ? "a whole number" : "a number";
    throw new SettingError(
      `${name} must be ${kind} from ${row.min} to ${row.max} ${row.unit}, got ${JSON.stringify(value)}`,
    );
  }
  return number;
}
