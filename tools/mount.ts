import { existsSync } from "node:fs";
import { mkdtemp, readFile, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { DecodeError } from "../src/coding/decode-error.ts";
import { SETTINGS } from "../src/head/settings.ts";
import { MountEstimator } from "../src/mount/mount.ts";
import { planView, type ViewPlan } from "../src/mount/view.ts";
import { openRecording, type Recording } from "../src/record/file.ts";
import { ConfigError, resolveConfig } from "../src/service/config.ts";
import { Progress } from "./frame/progress.ts";
import { drawPlan } from "./mount/drawing.ts";
import { LiveError, recordLive } from "./mount/live.ts";
import { configWith, describePlan, describeReport, missing } from "./mount/report.ts";
import { writeWholeFile } from "./output/whole-file.ts";
import { untilInterrupted } from "./tune/runs.ts";

const HELP = `Usage: mount [options] <recording>    how does the head sit on its base? From a short drive: rest, turn, go straight, brake
       mount --live ws://<head>:4917 ...  the same from a running head: says while you drive what motion is missing
       mount --plan --height <m> ...  where would a head see the floor? No recording needed
  -o, --out <file>        write what was found as a settings file of the head, for serve --config
      --settings <file>   the settings file that it starts from; all else in it stays as it is
  -f, --force             overwrite the settings file if it is there
      --sensor <name>     which depth camera of the recording (default: its first)
      --tape <m>          square distance, by tape, from the lens to the flat wall that it faces before the base moves:
                          checks the range for a bias
      --record <file>     with --live: keep the drive's recording there
      --seconds <s>       with --live: the drive ends after that at the latest (default 180), or with Ctrl-C
      --json              print the report, or the plan, as JSON
  -h, --help              show this text
Plan (docs/mounting-the-head.md):
      --height <m>        of the lens above the floor
      --pitch <deg>       of the optical axis below level (default: the steepest that still sees as high as the base)
      --fov <deg>         of the image from its upper to its lower edge (default 60)
      --speed <m/s>       (default 0.5)
      --front <m>         from the lens ahead to the front edge of the base (default 0.05)
      --body <m>          height of the base and what it carries (default ${SETTINGS["body.height"].default})
      --lookout <m>       distance at which things as high as the base must be in view (default 2)
      --delay <s>         from a frame's exposure until the brakes act (default 0.35)
      --deceleration <m/s2>   (default ${SETTINGS["body.deceleration"].default})
      --margin <m>        kept free where it stands (default ${SETTINGS["guard.margin"].default})
      --wall <m>          how far away the sensor just sees a white wall (default 4.5)
      --svg <file>        draw the side view
A token for --live is taken from BRINKMAP_TOKEN.
Exit codes: 0 done, 1 internal error, 2 wrong usage, 3 recording missing or unreadable, or no head there that keeps one, 4 a settings file cannot be read
or written, 5 something was not seen in the drive; what was seen is reported and written all the same`;
const options = {
  out: { type: "string", short: "o" },
  settings: { type: "string" },
  force: { type: "boolean", short: "f" },
  sensor: { type: "string" },
  tape: { type: "string" },
  live: { type: "string" },
  record: { type: "string" },
  seconds: { type: "string", default: "180" },
  json: { type: "boolean" },
  help: { type: "boolean", short: "h" },
  plan: { type: "boolean" },
  height: { type: "string" },
  pitch: { type: "string" },
  fov: { type: "string", default: "60" },
  speed: { type: "string", default: "0.5" },
  front: { type: "string", default: "0.05" },
  body: { type: "string", default: String(SETTINGS["body.height"].default) },
  lookout: { type: "string", default: "2" },
  delay: { type: "string", default: "0.35" },
  deceleration: { type: "string", default: String(SETTINGS["body.deceleration"].default) },
  margin: { type: "string", default: String(SETTINGS["guard.margin"].default) },
  wall: { type: "string", default: "4.5" },
  svg: { type: "string" },
} as const;
const DEGREE = Math.PI / 180;

/** A settings file that cannot be read, or is there already. */
class FileError extends Error {
  override readonly name = "FileError";
}

type Values = ReturnType<typeof parse>["values"];
const parse = (args: string[]) => parseArgs({ args, options, allowPositionals: true });

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string): number => {
    console.error(`mount: ${why}`);
    return code;
  };
  try {
    const { values, positionals } = parse(args);
    if (values.help) {
      console.log(HELP);
      return 0;
    }
    if (values.plan) {
      if (positionals.length > 0) return fail(2, "--plan takes no recording");
      return await plan(values);
    }
    if (values.live !== undefined) {
      if (positionals.length > 0) return fail(2, "--live takes no recording");
      return await live(values.live, values);
    }
    if (positionals.length !== 1) return fail(2, "expected one recording, or --live, or --plan (see --help)");
    return await estimate(positionals[0]!, values);
  } catch (error) {
    const { code = "", message } = error as NodeJS.ErrnoException;
    if (
      error instanceof LiveError ||
      error instanceof DecodeError ||
      ["ENOENT", "EACCES", "EISDIR"].includes(code)
    )
      return fail(3, message);
    if (error instanceof ConfigError || error instanceof FileError) return fail(4, message);
    if (code.startsWith("ERR_PARSE_ARGS") || error instanceof RangeError) return fail(2, message);
    throw error;
  }
}

/** Records a drive from a running head, and estimates from that. */
async function live(url: string, values: Values): Promise<number> {
  if (!URL.canParse(url) || !["ws:", "wss:"].includes(new URL(url).protocol)) {
    throw new RangeError(`--live takes a head's address, ws://127.0.0.1:4917, got "${url}"`);
  }
  const seconds = number("seconds", values.seconds);
  if (!(seconds > 0)) throw new RangeError(`--seconds must be above 0, got ${seconds}`);
  // Wrong files are told before anybody drives.
  if (values.tape !== undefined) number("tape", values.tape);
  await readSettings(values.settings);
  refuseOld(values.out, values);
  refuseOld(values.record, values);
  const folder = await mkdtemp(join(tmpdir(), "brinkmap-drive-"));
  const out = values.record ?? join(folder, "drive.brk");
  const token = process.env["BRINKMAP_TOKEN"];
  const say = (line: string) => console.error(`mount: ${line}`);
  try {
    await untilInterrupted((signal) =>
      recordLive(
        { url, seconds, out, overwrite: values.force === true, say, ...(token !== undefined && { token }) },
        signal,
      ),
    );
    return await estimate(out, values);
  } finally {
    await rm(folder, { recursive: true, force: true });
  }
}

function refuseOld(path: string | undefined, { force }: Values): void {
  if (path !== undefined && !force && existsSync(path))
    throw new FileError(`${path} is there already (give --force to overwrite)`);
}

async function estimate(path: string, values: Values): Promise<number> {
  const tape = values.tape === undefined ? null : number("tape", values.tape);
  const given = await readSettings(values.settings);
  refuseOld(values.out, values);
  const recording = await openRecording(path);
  const bar = new Progress("mount");
  try {
    const sensor = sensorOf(recording, values.sensor);
    const { setup } = recording.header;
    const estimator = new MountEstimator(setup, { sensor, tape });
    let count = 0;
    for (const event of recording.events()) {
      estimator.take(event);
      if (++count % 256 === 0) bar.show(recording.position.offset / recording.size);
    }
    bar.stop();
    const report = estimator.solve();
    if (values.json) console.log(JSON.stringify(report, null, 2));
    else console.log(describeReport(report, tape).join("\n"));
    if (values.out !== undefined) {
      const config = configWith(given, report, sensor);
      resolveConfig(config); // what is written can be read
      await write(values.out, `${JSON.stringify(config, null, 2)}\n`);
      if (!values.json) console.log(`\nwritten to ${values.out}`);
    }
    return missing(report).length > 0 ? 5 : 0;
  } finally {
    bar.stop();
    recording.close();
  }
}

/** The sensor of that name, or the first that is a camera. */
function sensorOf({ header }: Recording, name: string | undefined): number {
  const { sensors } = header.setup;
  const names = sensors.map((sensor) => `"${sensor.name}"`).join(", ");
  const found = sensors.findIndex((sensor) =>
    name === undefined ? sensor.optics.model !== "scan" : sensor.name === name,
  );
  if (found >= 0) return found;
  if (name === undefined) throw new RangeError(`the recording has no depth camera (its sensors: ${names})`);
  throw new RangeError(`--sensor "${name}" is none of the recording's: ${names}`);
}

async function readSettings(path: string | undefined): Promise<Record<string, unknown>> {
  if (path === undefined) return {};
  let given: unknown;
  try {
    given = JSON.parse(await readFile(path, "utf8"));
    resolveConfig(given);
  } catch (error) {
    throw new FileError(`${path}: ${(error as Error).message}`);
  }
  return given as Record<string, unknown>;
}

async function write(path: string, text: string): Promise<void> {
  try {
    await writeWholeFile(path, text);
  } catch (error) {
    throw new FileError((error as Error).message);
  }
}

async function plan(values: Values): Promise<number> {
  if (values.height === undefined)
    throw new RangeError("--plan needs --height, metres from the floor to the lens");
  const half = (number("fov", values.fov) / 2) * DEGREE;
  const given: Omit<ViewPlan, "pitch"> = {
    height: number("height", values.height),
    ...{ below: half, above: half },
    front: number("front", values.front),
    bodyHeight: number("body", values.body),
    speed: number("speed", values.speed),
    delay: number("delay", values.delay),
    deceleration: number("deceleration", values.deceleration),
    margin: number("margin", values.margin),
    lookout: number("lookout", values.lookout),
    wallRange: number("wall", values.wall),
  };
  // Bounds of the pitch do not depend on the pitch.
  const best = planView({ ...given, pitch: 0.2 }).steepest;
  const pitch = values.pitch === undefined ? best : number("pitch", values.pitch) * DEGREE;
  const whole = { ...given, pitch };
  const view = planView(whole);
  if (values.json) console.log(JSON.stringify({ plan: whole, view }, null, 2));
  else console.log(describePlan(whole, view, values.pitch !== undefined).join("\n"));
  if (values.svg !== undefined) await write(values.svg, drawPlan(whole, view));
  return 0;
}

function number(name: string, text: string): number {
  const value = Number(text);
  if (text.trim() === "" || !Number.isFinite(value))
    throw new RangeError(`--${name} must be a number, got "${text}"`);
  return value;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
