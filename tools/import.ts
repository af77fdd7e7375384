import { fileURLToPath } from "node:url";
import { type ParseArgsConfig, parseArgs } from "node:util";
import type { Vec3 } from "../src/geometry/optics.ts";
import { Progress } from "./frame/progress.ts";
import { type DepthFolderOptions, type DepthFormat, type Lens, openDepthFolder } from "./import/depth.ts";
import { openInertialFile } from "./import/inertial.ts";
import { readLens } from "./import/lens.ts";
import { DIRECTIONS, type PoseOptions, UP_AXES } from "./import/poses.ts";
import { openScanFile } from "./import/scans.ts";
import { ImportError, type ImportSource, writeSource } from "./import/source.ts";

const COMMON_HELP = `All kinds
  -o, --out <file>     the recording to write
      --about <text>   where the data are from and whose they are; goes into the recording
  -f, --force          replace the recording if it is there
  -h, --help           show help; "import <kind> --help" lists a kind's own options`;

const HELP = `Usage: import <kind> [options] <source> -o <recording>    turn data of others into a recording
Kinds
  png <folder>       depth images, 16-bit grey PNG
  raw <folder>       depth images, u32 height, u32 width, then u16 row by row, little-endian
  scans <file>       scans of a planar laser, CSV or CSV.gz: t_s,x,y,theta,r0,r1,...
  inertial <file>    inertial samples, CSV or CSV.gz: t,gx,gy,gz,ax,ay,az,...
${COMMON_HELP}
Exit codes: 0 done, 1 internal error, 2 wrong usage, 3 data missing or unfit, 4 recording can't be written`;

const DEPTH_HELP = `Frames
      --files <name>   names of the depth files, {n} where the frame number stands (default {n}.png or {n}.bin)
      --from <n>       first frame number
      --to <n>         last frame number
      --every <n>      only every n-th frame number (default 1)
      --rate <hz>      frames per second; frame n is stamped (n - first) / rate (default 30)
Lens
      --lens <file>    JSON: {"fx": 525, "fy": 525, "cx": 319.5, "cy": 239.5}, in pixels, the middle of the top left
                       pixel at 0, 0; also "model" ("pinhole", "fisheye") and "distortion" (k1 k2 p1 p2 k3; k1 to k4)
      --fx, --fy, --cx, --cy <pixels>   the same one by one
      --unit <m>       metres per count (default 0.001); may be a fraction, 1/5000
      --range          counts are distances along the ray, not along the optical axis
      --near <m>       returns nearer than this aren't believed (default 0)
      --far <m>        returns farther than this aren't believed (default: what 65535 counts are)
Poses (without --poses the recording has none)
      --poses <file>   name with {n}: a file per frame, 4x4 matrix; *.csv: columns frame,tx,ty,tz,qx,qy,qz,qw, and
                       time_s where frames have stamps; else a trajectory log: "i i i+1", then a 4x4 matrix, and so on
      --direction <d>  ${DIRECTIONS.join(" or ")} (default ${DIRECTIONS[0]})
      --up <axis>      which axis of the data's world points up: ${UP_AXES.join(", ")} (default z)
      --floor <m>      how high the floor is along that axis; the recording has it at z = 0 (default 0)
      --lens-shift <x,y,z>  where the depth lens is in the frame of the camera that has the poses, metres right, down,
                       forward (default 0,0,0)
                       (a value that begins with a minus needs an equals sign: --floor=-0.39)
      --missing-poses  write frames that have no pose without one`;

const RAW_HELP = `Format
      --size <WxH>     the files have no header but this size`;

const SCAN_HELP = `Columns: t_s (seconds), r0, r1, ... (metres; "inf", "nan" or empty is no return), and x, y, theta (metres, radians) when
poses are known; others are left out
      --first-angle <deg>  of beam r0, from straight ahead, counter-clockwise seen from above (default -90)
      --step <deg>         from one beam to the next, negative for clockwise (default 1)
      --no-return <m>      what is as far or farther is no return
      --height <m>         the plane of the beams above the floor (default 0)
      --unit <m>           metres per count of the recording (default 0.001)
      --near <m>           returns nearer than this aren't believed (default 0)
      --far <m>            returns farther than this aren't believed (default: --no-return, or what 65535 counts are)`;

const INERTIAL_HELP = `Columns: t (seconds), gx, gy, gz (rad/s), ax, ay, az (m/s^2, +g upward at rest); when known also mx, my, mz
(microtesla), qw, qx, qy, qz and px, py, pz (world from sensor, z up, metres), movement (0 or 1: marks are set where it
changes). Cells of these may be empty; other columns are left out.`;

const HELPS: Readonly<Record<string, string>> = {
  png: `Usage: import png [options] <folder> -o <recording>\n${DEPTH_HELP}`,
  raw: `Usage: import raw [options] <folder> -o <recording>\n${RAW_HELP}\n${DEPTH_HELP}`,
  scans: `Usage: import scans [options] <file> -o <recording>\n${SCAN_HELP}`,
  inertial: `Usage: import inertial [options] <file> -o <recording>\n${INERTIAL_HELP}`,
};

const text = { type: "string" } as const;
const flag = { type: "boolean" } as const;
const common = {
  out: { type: "string", short: "o" },
  about: text,
  force: { type: "boolean", short: "f" },
  help: { type: "boolean", short: "h" },
} as const;
const depthOptions = {
  ...{ files: text, from: text, to: text, every: text, rate: text },
  ...{ lens: text, fx: text, fy: text, cx: text, cy: text },
  ...{ unit: text, range: flag, near: text, far: text },
  ...{ poses: text, direction: text, up: text, floor: text, "lens-shift": text, "missing-poses": flag },
} as const;
const OPTIONS: Readonly<Record<string, NonNullable<ParseArgsConfig["options"]>>> = {
  png: { ...common, ...depthOptions },
  raw: { ...common, ...depthOptions, size: text },
  scans: {
    ...common,
    ...{
      "first-angle": text,
      step: text,
      "no-return": text,
      height: text,
      unit: text,
      near: text,
      far: text,
    },
  },
  inertial: common,
};

/** Wrong arguments. */
class UsageError extends Error {
  override readonly name = "UsageError";
}

/** What was given for each option; they say themselves what they need. */
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

function posesOf(given: Given): PoseOptions | undefined {
  const path = given.text("poses");
  if (path === undefined) {
    for (const name of ["direction", "up", "floor", "lens-shift"])
      if (given.text(name) !== undefined)
        throw new UsageError(`--${name} says how to read poses; give --poses too`);
    return undefined;
  }
  return {
    path,
    direction: given.choice("direction", DIRECTIONS),
    up: given.choice("up", UP_AXES),
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

const SOURCES: Readonly<Record<string, (path: string, given: Given) => ImportSource>> = {
  png: (path, given) => depthSource("png", path, given),
  raw: (path, given) => depthSource("raw", path, given),
  scans: scanSource,
  inertial: (file, given) => openInertialFile({ file, about: given.text("about") }),
};

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string): number => {
    console.error(`import: ${why}`);
    return code;
  };
  const [kind = "", ...rest] = args;
  if (kind === "--help" || kind === "-h") {
    console.log(HELP);
    return 0;
  }
  const known = Object.keys(OPTIONS);
  if (!known.includes(kind)) return fail(2, `expected a kind: ${known.join(", ")} (see --help)`);
  try {
    const { values, positionals } = parseArgs({
      args: rest,
      options: OPTIONS[kind]!,
      allowPositionals: true,
    });
    const given = new Given(values);
    if (given.flag("help")) {
      console.log(`${HELPS[kind]}\n${COMMON_HELP}`);
      return 0;
    }
    const [path, ...more] = positionals;
    const out = given.text("out");
    if (path === undefined || more.length > 0) return fail(2, `${kind}: expected one source (see --help)`);
    if (out === undefined) return fail(2, "--out is missing: name the recording to write");

    const source = SOURCES[kind]!(path, given);
    const bar = new Progress("importing");
    try {
      const done = await writeSource(source, { out, overwrite: given.flag("force") }, (n) =>
        bar.show(n / source.total),
      );
      bar.stop();
      const seconds = (done.duration / 1e6).toFixed(3);
      console.log(`${out}: ${done.count} ${NOUNS[kind]}, ${done.references} reference poses, ${seconds} s`);
    } finally {
      bar.stop();
    }
    return 0;
  } catch (error) {
    const { code = "", message } = error as NodeJS.ErrnoException;
    if (error instanceof ImportError) return fail(3, message);
    if (error instanceof UsageError || code.startsWith("ERR_PARSE_ARGS")) return fail(2, message);
    if (code === "EEXIST") return fail(4, `${message} (give --force to replace it)`);
    if (["ENOENT", "EACCES", "EISDIR", "ENOSPC", "ENOTDIR", "EROFS", "EPERM"].includes(code))
      return fail(4, message);
    throw error;
  }
}

const NOUNS: Readonly<Record<string, string>> = {
  png: "frames",
  raw: "frames",
  scans: "scans",
  inertial: "samples",
};

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
