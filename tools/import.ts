import type { Vec3 } from "../src/geometry/optics.ts";
import { mainOf, mainOfFamily, type Option, type Options, runIfStarted } from "./frame/command.ts";
import { UsageError, writing } from "./frame/errors.ts";
import { Progress } from "./frame/progress.ts";
import { oneExpected } from "./frame/values.ts";
import { type DepthFolderOptions, type DepthFormat, type Lens, openDepthFolder } from "./import/depth.ts";
import { openInertialFile } from "./import/inertial.ts";
import { readLens } from "./import/lens.ts";
import { DIRECTIONS, type PoseOptions, UP_AXES } from "./import/poses.ts";
import { openScanFile } from "./import/scans.ts";
import { type ImportSource, writeSource } from "./import/source.ts";

const FORCE = { type: "boolean", short: "f", help: "overwrite an existing recording" } as const;
const COMMON = {
  out: { type: "string", short: "o", value: "<file>", help: "the recording to write" },
  about: {
    type: "string",
    value: "<text>",
    help: "source and licence of the data; stored in the recording",
  },
  force: FORCE,
} as const satisfies Options;

const text = (value: string, help: string, heading?: string): Option =>
  heading === undefined ? { type: "string", value, help } : { type: "string", value, help, heading };
const flag = (help: string): Option => ({ type: "boolean", help });

const DEPTH: Options = {
  files: text(
    "<name>",
    "names of the depth files, with {n} for the frame number (default {n}.png or {n}.bin)",
    "Frames",
  ),
  from: text("<n>", "first frame number"),
  to: text("<n>", "last frame number"),
  every: text("<n>", "only every n-th frame number (default 1)"),
  rate: text("<hz>", "frames per second; frame n is stamped (n - first) / rate (default 30)"),
  lens: text(
    "<file>",
    'JSON: {"fx": 525, "fy": 525, "cx": 319.5, "cy": 239.5}, in pixels, the middle of the top left pixel at 0, 0; also "model" ("pinhole", "fisheye") and "distortion" (k1 k2 p1 p2 k3; k1 to k4)',
    "Lens",
  ),
  fx: text("<pixels>", "focal length; overrides the file"),
  fy: text("<pixels>", "likewise, down"),
  cx: text("<pixels>", "principal point; overrides the file"),
  cy: text("<pixels>", "likewise, down"),
  unit: text("<m>", "metres per count (default 0.001); may be a fraction, 1/5000"),
  range: flag("counts are distances along the ray, not along the optical axis"),
  near: text("<m>", "returns nearer than this are not used (default 0)"),
  far: text("<m>", "returns farther than this are not used (default: 65535 counts)"),
  poses: text(
    "<file>",
    "name with {n}: one file per frame, 4x4 matrix; *.csv: columns frame,tx,ty,tz,qx,qy,qz,qw, and time_s if frames have stamps; any other name: for each frame a line of three whole numbers (the first is its number), then a 4x4 matrix",
    "Poses (without --poses the recording has none)",
  ),
  direction: text("<d>", `${DIRECTIONS.join(" or ")} (default ${DIRECTIONS[0]})`),
  up: text(
    "<axis>",
    `axis of the data's world that points up: ${UP_AXES.join(", ")}, or a direction as x,y,z (default z)`,
  ),
  floor: text(
    "<m>",
    "height of the floor along that axis; z = 0 in the recording (default 0). A negative value needs an equals sign: --floor=-0.39",
  ),
  level: flag("find the floor in the frames; turn and shift the world so that it is level at z = 0"),
  orientation: flag(
    "write the rotations of the poses as orientation events, too, for `replay --pose tracked`",
  ),
  "lens-shift": text(
    "<x,y,z>",
    "position of the depth lens in the frame of the camera that the poses belong to, metres right, down, forward (default 0,0,0)",
  ),
  "missing-poses": flag("import frames without a pose, too"),
};

const SCANS: Options = {
  "first-angle": text(
    "<deg>",
    "angle of beam r0 from straight ahead, counter-clockwise seen from above (default -90)",
  ),
  step: text("<deg>", "angle from one beam to the next, negative for clockwise (default 1)"),
  "no-return": text("<m>", "ranges of at least this mean no return"),
  height: text("<m>", "height of the beams above the floor (default 0)"),
  unit: text("<m>", "metres per count of the recording (default 0.001)"),
  near: text("<m>", "returns nearer than this are not used (default 0)"),
  far: text("<m>", "returns farther than this are not used (default: --no-return, or 65535 counts)"),
};

/** A kind of data: its help, how it is opened, and the name of its events. */
interface Kind {
  readonly source: "<folder>" | "<file>";
  readonly about: string;
  readonly options: Options;
  readonly notes?: string;
  readonly noun: string;
  readonly open: (path: string, given: Given) => ImportSource;
}

const KINDS: Readonly<Record<"png" | "raw" | "scans" | "inertial", Kind>> = {
  png: {
    source: "<folder>",
    about: "Depth images, 16-bit grey PNG.",
    options: DEPTH,
    noun: "frames",
    open: (path, given) => depthSource("png", path, given),
  },
  raw: {
    source: "<folder>",
    about: "Depth images, u32 height, u32 width, then u16 row by row, little-endian.",
    options: { size: text("<WxH>", "the files have no header but this size", "Format"), ...DEPTH },
    noun: "frames",
    open: (path, given) => depthSource("raw", path, given),
  },
  scans: {
    source: "<file>",
    about: "Scans of a planar laser, CSV or CSV.gz: t_s,x,y,theta,r0,r1,....",
    options: SCANS,
    notes:
      'Columns: t_s (seconds), r0, r1, ... (metres; "inf", "nan" or empty is no return), and x, y, theta (metres, radians) when poses are known; others are left out.',
    noun: "scans",
    open: (path, given) => scanSource(path, given),
  },
  inertial: {
    source: "<file>",
    about: "Inertial samples, CSV or CSV.gz: t,gx,gy,gz,ax,ay,az,....",
    options: {},
    notes:
      "Columns: t (seconds), gx, gy, gz (rad/s), ax, ay, az (m/s^2, +g upward at rest); when known also mx, my, mz (microtesla), qw, qx, qy, qz and px, py, pz (world from sensor, z up, metres), movement (0 or 1: marks are set where it changes). Cells of these may be empty; other columns are left out.",
    noun: "samples",
    open: (file, given) => openInertialFile({ file, about: given.text("about") }),
  },
};

/** The given options; each accessor checks its own type. */
class Given {
  readonly #values: Readonly<Record<string, unknown>>;
  constructor(values: Readonly<Record<string, unknown>>) {
    this.#values = values;
  }

  text(name: string): string | undefined {
    return this.#values[name] as string | undefined;
  }

  flag(name: string): boolean {
    return this.#values[name] === true;
  }

  /** A number, or a fraction such as 1/5000. */
  number(name: string): number | undefined {
    const given = this.text(name);
    if (given === undefined) return undefined;
    const [above, below, ...more] = given
      .split("/")
      .map((part) => (part.trim() === "" ? Number.NaN : Number(part)));
    const value = above! / (below ?? 1);
    if (!Number.isFinite(value) || more.length > 0)
      throw new UsageError(`--${name} must be a number, got "${given}"`);
    return value;
  }

  whole(name: string): number | undefined {
    const value = this.number(name);
    if (value !== undefined && !(Number.isSafeInteger(value) && value >= 0))
      throw new UsageError(`--${name} must be a whole number from 0, got "${this.text(name)}"`);
    return value;
  }

  choice<T extends string>(name: string, choices: readonly T[]): T | undefined {
    const given = this.text(name);
    const found = choices.find((choice) => choice === given);
    if (given !== undefined && found === undefined)
      throw new UsageError(`--${name} must be one of ${choices.join(", ")}; got "${given}"`);
    return found;
  }

  numbers(name: string, separator: string, count: number): number[] | undefined {
    const given = this.text(name);
    if (given === undefined) return undefined;
    const values = given.split(separator).map((part) => (part.trim() === "" ? Number.NaN : Number(part)));
    if (values.length !== count || !values.every(Number.isFinite))
      throw new UsageError(`--${name} must be ${count} numbers with "${separator}" between, got "${given}"`);
    return values;
  }
}

function lensOf(given: Given): Lens {
  const file = given.text("lens");
  const lens: Partial<Lens> = file === undefined ? {} : readLens(file);
  const numbers: Partial<Record<"fx" | "fy" | "cx" | "cy", number>> = {};
  for (const name of ["fx", "fy", "cx", "cy"] as const) {
    const value = given.number(name) ?? lens[name];
    if (value === undefined)
      throw new UsageError(`--${name} is missing; give --lens, or all of --fx --fy --cx --cy`);
    numbers[name] = value;
  }
  return { ...lens, ...(numbers as Record<"fx" | "fy" | "cx" | "cy", number>) };
}

/** A named axis, or a direction of any length. */
function upOf(given: Given): PoseOptions["up"] {
  const name = given.text("up");
  if (name === undefined || !name.includes(",")) return given.choice("up", UP_AXES);
  const [x, y, z] = given.numbers("up", ",", 3) as [number, number, number];
  const length = Math.hypot(x, y, z);
  if (!(length > 0)) throw new UsageError(`--up must point somewhere, got "${name}"`);
  return [x / length, y / length, z / length];
}

function posesOf(given: Given): PoseOptions | undefined {
  const path = given.text("poses");
  if (path === undefined) {
    for (const name of ["direction", "up", "floor", "lens-shift"])
      if (given.text(name) !== undefined)
        throw new UsageError(`--${name} says how to read poses; give --poses too`);
    for (const name of ["level", "orientation"])
      if (given.flag(name)) throw new UsageError(`--${name} needs poses; give --poses too`);
    return undefined;
  }
  return {
    path,
    direction: given.choice("direction", DIRECTIONS),
    up: upOf(given),
    floor: given.number("floor"),
    lensShift: given.numbers("lens-shift", ",", 3) as Vec3 | undefined,
  };
}

function depthSource(kind: "png" | "raw", folder: string, given: Given): ImportSource {
  const [width, height] = given.numbers("size", "x", 2) ?? [];
  const size = width === undefined || height === undefined ? undefined : { width, height };
  const format: DepthFormat = kind === "png" ? { kind } : { kind, size };
  const every = given.whole("every");
  const rate = given.number("rate");
  if (every === 0) throw new UsageError("--every must be 1 or more");
  if (rate !== undefined && !(rate > 0)) throw new UsageError(`--rate must be more than 0, got "${rate}"`);
  const options: DepthFolderOptions = {
    folder,
    format,
    pattern: given.text("files"),
    lens: lensOf(given),
    unit: given.number("unit") ?? 0.001,
    measures: given.flag("range") ? "range" : "z",
    minRange: given.number("near"),
    maxRange: given.number("far"),
    poses: posesOf(given),
    level: given.flag("level"),
    orientation: given.flag("orientation"),
    allowMissingPoses: given.flag("missing-poses"),
    rate,
    from: given.whole("from"),
    to: given.whole("to"),
    every,
    about: given.text("about"),
  };
  return openDepthFolder(options);
}

const radians = (degrees: number | undefined): number | undefined =>
  degrees === undefined ? undefined : (degrees * Math.PI) / 180;

const scanSource = (file: string, given: Given): ImportSource =>
  openScanFile({
    file,
    firstAngle: radians(given.number("first-angle")),
    step: radians(given.number("step")),
    noReturn: given.number("no-return"),
    height: given.number("height"),
    unit: given.number("unit"),
    minRange: given.number("near"),
    maxRange: given.number("far"),
    about: given.text("about"),
  });

/** Degrees and metres from which a floor that is not level at z = 0 is worth a warning: more than poses of good data are wrong by. */
const LEANS = 1;
const LIES_OFF = 0.03;

/** Says where the floor is that the frames show, and warns when the recording does not have it level at z = 0. */
function tellFloor(given: Given, floor: ImportSource["floor"]): void {
  if (given.text("poses") === undefined) return;
  if (floor == null) {
    console.error("warning: no floor is seen in the frames; check --up, --direction and --unit");
    return;
  }
  const { lean, height, share, spread, up } = floor;
  const degrees = (lean * 180) / Math.PI;
  const found =
    `floor: ${(100 * share).toFixed(0)} % of the points, spread ${(1000 * spread).toFixed(0)} mm; ` +
    `it leans by ${degrees.toFixed(1)} deg and lies at ${height.toFixed(3)} m`;
  if (given.flag("level")) {
    console.log(`${found} in the world of the poses; levelled`);
    return;
  }
  console.log(found);
  const asFloor = ((given.number("floor") ?? 0) + height).toFixed(3);
  if (degrees > LEANS) {
    console.error(
      `warning: the floor leans by ${degrees.toFixed(1)} deg, its upward direction is ${up.map((v) => v.toFixed(4)).join(",")} in the recording; import again with --level`,
    );
  } else if (Math.abs(height) > LIES_OFF) {
    console.error(
      `warning: the floor lies ${height.toFixed(3)} m off z = 0; import again with --floor=${asFloor} or --level`,
    );
  }
}

function mainOfKind(kind: string, { source, about, options, notes, noun, open }: Kind) {
  return mainOf({
    name: `import ${kind}`,
    usage: `[options] ${source} -o <recording>`,
    about,
    options: { ...COMMON, ...options } as Options & typeof COMMON,
    ...(notes !== undefined && { notes }),
    exits: { 3: "data missing or unfit", 4: "recording cannot be written" },
    async run({ values, positionals }) {
      const path = oneExpected(positionals, "one source");
      const given = new Given(values);
      const out = given.text("out");
      if (out === undefined) throw new UsageError("--out is missing: name the recording to write");
      const from = open(path, given);
      const progress = new Progress("importing");
      try {
        const target = { out, overwrite: given.flag("force") };
        const done = await writing(
          out,
          () => writeSource(from, target, (count) => progress.show(count / from.total)),
          true,
        );
        progress.stop();
        const seconds = (done.duration / 1e6).toFixed(3);
        console.log(`${out}: ${done.count} ${noun}, ${done.references} reference poses, ${seconds} s`);
        if (from.floor !== undefined) tellFloor(given, from.floor);
      } finally {
        progress.stop();
      }
      return 0;
    },
  });
}

export const main = mainOfFamily({
  name: "import",
  noun: "kind",
  usage: "brinkmap import <kind> [options] <source> -o <recording>",
  members: Object.fromEntries(
    Object.entries(KINDS).map(([name, kind]) => {
      const about = `${kind.source.padEnd(10)}${kind.about}`;
      return [name, [about, async () => ({ main: mainOfKind(name, kind) })]];
    }),
  ),
  notes: "brinkmap import <kind> --help lists a kind's options.",
});

await runIfStarted(import.meta.url, main);
