import { parseFootprint } from "../guard/body.ts";
import { MAX_BLIND } from "../terms/freshness.ts";

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
  /** Throws a RangeError that says what is wrong with a text. */
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
  "pose.maxWait": number(0.1, 0, 2, "s", "longest that a frame waits for its pose before it is left out"),
  "pose.maxGap": number(1, 0.001, 60, "s", "poses farther apart in time are not interpolated between"),
  "orientation.lateness": number(0, -0.5, 0.5, "s", "by how much the stamps of orientation samples are late"),
  "orientation.maxGap": number(
    0.05,
    0.001,
    1,
    "s",
    "orientation samples farther apart are not interpolated between",
  ),
  "track.voxelSize": number(
    0.06,
    0.02,
    0.3,
    "m",
    "side of the voxels that hold the small planes of tracking",
  ),
  "track.samples": integer(900, 200, 8000, "pixels", "samples of a frame that are registered"),
  "track.tiltNoise": number(0.3, 0.01, 10, "deg", "noise of the orientation's roll and pitch, 1 sigma"),
  "track.yawNoise": number(
    0.3,
    0.01,
    30,
    "deg",
    "noise of the orientation's yaw, 1 sigma, without its drift",
  ),
  "track.yawDrift": number(5, 0, 600, "deg/min", "how fast the orientation's yaw may drift"),
  "track.odometryError": number(0.03, 0.001, 1, "1", "error of odometry as a share of the way, 1 sigma"),
  "track.rolling": choice(
    "ahead",
    ["ahead", "learned", "off"],
    "how the base moves, without odometry: along its x axis until it shows otherwise, along the axis it shows, or anywhere",
  ),
  "track.inertial": choice(
    "used",
    ["used", "ignored"],
    "whether accelerations carry a tracked base on where depth leaves it free, and check its wheels; where inertial samples come",
  ),
  "track.writeSigma": number(
    0.05,
    0.001,
    1,
    "m",
    "frames whose place is less certain than this, 1 sigma, are not mapped",
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
    "memory for keyframes, from which loops are closed and the map is made anew; 0 for none",
  ),
  "mask.minAmplitude": number(0, 0, 65535, "sensor counts", "returns with less amplitude are weak"),
  "mask.grazing": number(
    8,
    1,
    45,
    "deg",
    "steeper depth steps than of a surface at this angle to the ray need bearing out",
  ),
  "mask.agreement": number(
    0.01,
    0,
    0.2,
    "1",
    "share of inverse depth by which neighbours may differ and still agree",
  ),
  "map.voxelSize": number(0.05, 0.001, 0.5, "m", "side of a voxel"),
  "map.maxRange": number(
    6,
    0.1,
    100,
    "m",
    "returns of cameras farther away are not mapped; at most 500 voxels",
  ),
  "map.carveEvery": integer(2, 1, 8, "frames", "frames between two looks at the free space of a block"),
  "map.layersEvery": integer(5, 1, 100, "frames", "frames between two updates of the two-dimensional layers"),
  "evidence.sigma0": number(0.01, 0, 0.5, "m", "range error near the sensor, 1 sigma"),
  "evidence.sigma2": number(0.0015, 0, 0.1, "1/m", "growth of the range error with the square of range"),
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
    "share of a frame's evidence that the frame before did not hold already",
  ),
  "evidence.framesToClear": integer(
    14,
    2,
    200,
    "frames",
    "frames after which a saturated voxel that is seen through in each of them is free",
  ),
  "floor.band": number(0.35, 0.02, 2, "m", "floor may lie so far above or below the base's own floor point"),
  "floor.slope": number(15, 1, 45, "deg", "steepest surface that may be floor"),
  "floor.stride": integer(4, 1, 16, "pixels", "pixels between floor samples"),
  "body.height": number(0.6, 0.05, 3, "m", "the robot's highest point above the floor"),
  "body.groundClearance": number(0.02, 0, 0.3, "m", "what is lower than this is driven over"),
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
    "corners of the outline in order, x,y in metres of the base frame, parted by spaces",
  ),
  "body.wheelRadius": number(0.06, 0.01, 0.5, "m", "radius of the smallest wheel that carries the body"),
  "body.climbableStep": number(0.015, 0.001, 0.2, "m", "highest step up that the wheels take"),
  "body.tolerableDrop": number(
    0.015,
    0.013,
    0.2,
    "m",
    "deepest step down that is no drop; 13 mm belong to an accessible route (ADA 303.3), a long-pile rug's edge is 15",
  ),
  "body.deceleration": number(0.7, 0.05, 10, "m/s2", "what the brakes give for certain"),
  "body.reactionDelay": number(0.15, 0, 2, "s", "from a pace being sent until the brakes act"),
  "guard.margin": number(
    0.07,
    0,
    1,
    "m",
    "kept between the outline and what ends the ground, for errors of edge, pose and tilt; a cell is kept besides",
  ),
  "guard.maxReach": number(3, 0.5, 10, "m", "how far the guard looks"),
  "guard.topSpeed": number(1, 0.05, 5, "m/s", "a faster pace is never permitted"),
  "guard.topTurn": number(1.5, 0.05, 10, "rad/s", "nor a faster turn on the spot"),
  "guard.maxBlind": number(
    MAX_BLIND,
    0.05,
    5,
    "s",
    "time without a fit view of a direction after which no motion into it is permitted, at most; usually 1.5 frame intervals",
  ),
  "guard.hold": number(
    0,
    0,
    1,
    "s",
    "how long a pace may be obeyed, and is computed for; 0: two frame intervals, at least 0.15 s",
  ),
  "guard.memory": number(600, 1, 1e6, "s", "firm ground not seen for longer is unseen again"),
  "guard.startTrust": number(
    0.6,
    0,
    3,
    "m",
    "ground around the start taken as firm up to the nearest floor in view: who starts the base vouches for it",
  ),
  "guard.knockRepeat": number(1, 0, 10, "s", "contacts at one place within this time are one knock"),
  "guard.maxTrim": number(
    5.5,
    0,
    8,
    "deg",
    "most that the near floor may correct the tilt of a frame: a ramp of 1 in 12 that the base stands on, and a little",
  ),
  "guard.gate": number(
    0,
    0,
    65535,
    "sensor counts",
    "amplitude below which the sensor reports nothing; 0: the least that came with a return",
  ),
  "guard.waiverLimit": number(5, 0.1, 60, "s", "a waiver lasts no longer, whatever it asks for"),
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

/** A setting is unknown, of the wrong kind, or out of bounds; the message names it and says what is allowed. */
export class SettingError extends Error {
  override readonly name = "SettingError";
}

/**
 * Fills in defaults and checks.
 * @param given names and values, as from a file or a command line (numbers may be strings there)
 * @throws {SettingError} naming the first wrong setting and what it allows
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
