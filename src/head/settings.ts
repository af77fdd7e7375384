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
    "time without usable depth or odometry after which the head is lost",
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
  "map.carveEvery": integer(2, 1, 8, "frames", "each block's free space is looked at once in so many frames"),
  "map.layersEvery": integer(
    5,
    1,
    100,
    "frames",
    "the two-dimensional layers follow the map once in so many frames",
  ),
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
    "a fully believed voxel seen through in each frame is free after so many",
  ),
  "floor.band": number(0.35, 0.02, 2, "m", "floor may lie so far above or below the base's own floor point"),
  "floor.slope": number(15, 1, 45, "deg", "steepest surface that may be floor"),
  "floor.stride": integer(4, 1, 16, "pixels", "pixels between floor samples"),
  "body.height": number(0.6, 0.05, 3, "m", "the robot's highest point above the floor"),
  "body.clearance": number(0.02, 0, 0.3, "m", "what is lower than this is driven over"),
  "body.clearanceLimit": number(
    2,
    0.1,
    10,
    "m",
    "distances to the nearest blocked cell are exact up to this",
  ),
} as const;

type Table = typeof SETTINGS;
export type SettingName = keyof Table;
/** One value per setting; all checked. */
export type Settings = {
  readonly [K in SettingName]: Table[K] extends { choices: readonly (infer C)[] } ? C : number;
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
  const row: NumberSetting | ChoiceSetting = SETTINGS[name];
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
