import { existsSync } from "node:fs";
import { mkdtemp, readFile, rm } from "node:fs/promises";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { SETTINGS } from "../src/head/settings.ts";
import { planView, type ViewPlan } from "../src/mount/view.ts";
import { ConfigError, resolveConfig } from "../src/service/config.ts";
import { CAUTION, type Call, mainOf, type Option, runIfStarted } from "./frame/command.ts";
import { checkFile, EXIT, OutputError, reading, UsageError, writing } from "./frame/errors.ts";
import { untilInterrupted } from "./frame/interrupt.ts";
import { noneExpected, numberOf, oneExpected } from "./frame/values.ts";
import { drawPlan } from "./mount/drawing.ts";
import { evaluateDrive } from "./mount/evaluate.ts";
import { recordLive } from "./mount/live.ts";
import { configWith, describePlan, describeReport, missing } from "./mount/report.ts";
import { writeWholeFile } from "./output/whole-file.ts";

const options = {
  out: {
    type: "string",
    short: "o",
    value: "<file>",
    help: "write the result as a settings file of the head, for serve --config",
  },
  settings: {
    type: "string",
    value: "<file>",
    help: "settings file to start from, the one that the head had during the drive; everything else in it stays as it is",
  },
  force: { type: "boolean", short: "f", help: "overwrite existing files" },
  sensor: {
    type: "string",
    value: "<name>",
    help: "which depth camera of the recording (default: its first)",
  },
  tape: {
    type: "string",
    value: "<m>",
    help: "distance by tape, from the lens to the flat wall that it faces at the start: checks the range for a bias",
  },
  live: {
    type: "string",
    value: "<address>",
    help: "record the drive from a running head, ws://<head>:4917; prints during the drive which motion is missing",
  },
  record: {
    type: "string",
    value: "<file>",
    help: "with --live: store the recording of the drive in this file",
  },
  seconds: {
    type: "string",
    value: "<s>",
    default: "180",
    help: "with --live: longest drive (default 180); Ctrl-C ends it earlier",
  },
  json: { type: "boolean", help: "print the report, or the plan, as JSON" },
  plan: {
    type: "boolean",
    help: "no recording: print where a head would see the floor",
    heading: "Plan (docs/mounting-the-head.md):",
  },
  height: { type: "string", value: "<m>", help: "height of the lens above the floor" },
  pitch: {
    type: "string",
    value: "<deg>",
    help: "pitch of the optical axis below level (default: the steepest that shows obstacles as high as the base)",
  },
  fov: planned("<deg>", "60", "vertical field of view"),
  speed: planned("<m/s>", "0.5", "speed of the base"),
  front: planned("<m>", "0.05", "distance from the lens to the front edge of the base"),
  body: planned("<m>", SETTINGS["body.height"].default, "height of the base with its load"),
  lookout: planned("<m>", "2", "distance at which objects as high as the base must be in view"),
  delay: planned("<s>", "0.35", "time from a frame's exposure until the brakes act"),
  deceleration: planned("<m/s2>", SETTINGS["body.deceleration"].default, "deceleration of the brakes"),
  margin: planned("<m>", SETTINGS["guard.margin"].default, "free distance in front of the stopped base"),
  wall: planned("<m>", "4.5", "range at which the sensor just sees a white wall"),
  svg: { type: "string", value: "<file>", help: "write a drawing of the side view" },
} as const satisfies Record<string, Option>;

/** A number of the plan. */
function planned(value: string, given: string | number, help: string) {
  return { type: "string", value, default: String(given), help: `${help} (default ${given})` } as const;
}

const DEGREE = Math.PI / 180;
type Values = Call<typeof options>["values"];

export const main = mainOf({
  name: "mount",
  usage: ["[options] <recording>", "[options] --live ws://<head>:4917", "--plan --height <m> [options]"],
  about:
    "Calibrates the mount of the head on its base from a short drive: stand, turn, drive straight, brake.",
  options,
  notes: `A token for --live is taken from BRINKMAP_TOKEN.
${CAUTION}`,
  exits: {
    3: "a recording or settings file is missing or unreadable, or the head does not record",
    4: "a file cannot be written",
    5: "the drive did not show everything; the rest is reported and written",
  },
  async run({ values, positionals }) {
    if (values.plan) {
      noneExpected(positionals);
      return plan(values);
    }
    if (values.live !== undefined) {
      noneExpected(positionals);
      return live(values.live, values);
    }
    return estimate(oneExpected(positionals, "one recording, or --live, or --plan"), values);
  },
});

/** Records a drive from a running head, and estimates from that. */
async function live(url: string, values: Values): Promise<number> {
  if (!URL.canParse(url) || !["ws:", "wss:"].includes(new URL(url).protocol)) {
    throw new UsageError(`--live takes a head's address, ws://127.0.0.1:4917, got "${url}"`);
  }
  const seconds = numberOf("seconds", values.seconds);
  if (!(seconds > 0)) throw new UsageError(`--seconds must be above 0, got ${seconds}`);
  // Wrong files are refused before the drive.
  if (values.tape !== undefined) numberOf("tape", values.tape);
  await readSettings(values.settings);
  await checkOut(values.out, values);
  await checkOut(values.record, values);
  const folder = await mkdtemp(join(tmpdir(), "brinkmap-drive-"));
  const out = values.record ?? join(folder, "drive.brk");
  const token = process.env["BRINKMAP_TOKEN"];
  const say = (line: string) => console.error(`mount: ${line}`);
  say(`The base is about to be driven. ${CAUTION}`);
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

async function checkOut(path: string | undefined, { force }: Values): Promise<void> {
  if (path === undefined) return;
  await checkFile(path);
  if (!force && existsSync(path)) {
    throw new OutputError(`${path} is there already (--force overwrites it)`);
  }
}

async function estimate(path: string, values: Values): Promise<number> {
  const tape = values.tape === undefined ? null : numberOf("tape", values.tape);
  const given = await readSettings(values.settings);
  await checkOut(values.out, values);
  const { report, sensor } = await evaluateDrive(path, values.sensor, tape);
  if (values.json) console.log(JSON.stringify(report, null, 2));
  else console.log(describeReport(report, tape, given).join("\n"));
  if (values.out !== undefined) {
    const config = configWith(given, report, sensor);
    resolveConfig(config); // what is written can be read
    await write(values.out, `${JSON.stringify(config, null, 2)}\n`);
    if (!values.json) console.log(`\nwritten to ${values.out}`);
  }
  return missing(report).length > 0 ? EXIT.finding : EXIT.done;
}

async function readSettings(path: string | undefined): Promise<Record<string, unknown>> {
  if (path === undefined) return {};
  let given: unknown;
  try {
    given = JSON.parse(await reading(path, () => readFile(path, "utf8")));
    resolveConfig(given);
  } catch (error) {
    if (error instanceof SyntaxError) throw new ConfigError(`${path} is not JSON: ${error.message}`);
    if (error instanceof ConfigError) throw new ConfigError(`${path}: ${error.message}`);
    throw error;
  }
  return given as Record<string, unknown>;
}

const write = (path: string, text: string): Promise<void> => writing(path, () => writeWholeFile(path, text));

async function plan(values: Values): Promise<number> {
  if (values.height === undefined)
    throw new UsageError("--plan needs --height, metres from the floor to the lens");
  const half = (numberOf("fov", values.fov) / 2) * DEGREE;
  const given: Omit<ViewPlan, "pitch"> = {
    height: numberOf("height", values.height),
    below: half,
    above: half,
    front: numberOf("front", values.front),
    bodyHeight: numberOf("body", values.body),
    speed: numberOf("speed", values.speed),
    delay: numberOf("delay", values.delay),
    deceleration: numberOf("deceleration", values.deceleration),
    margin: numberOf("margin", values.margin),
    lookout: numberOf("lookout", values.lookout),
    wallRange: numberOf("wall", values.wall),
  };
  // Bounds of the pitch do not depend on the pitch.
  const best = viewOf({ ...given, pitch: 0.2 }).steepest;
  const pitch = values.pitch === undefined ? best : numberOf("pitch", values.pitch) * DEGREE;
  const whole = { ...given, pitch };
  const view = viewOf(whole);
  if (values.json) console.log(JSON.stringify({ plan: whole, view }, null, 2));
  else console.log(describePlan(whole, view, values.pitch !== undefined).join("\n"));
  if (values.svg !== undefined) await write(values.svg, drawPlan(whole, view));
  return 0;
}

/** @throws {UsageError} naming the number that is out of bounds */
function viewOf(plan: ViewPlan): ReturnType<typeof planView> {
  try {
    return planView(plan);
  } catch (error) {
    if (error instanceof RangeError) throw new UsageError(error.message);
    throw error;
  }
}

await runIfStarted(import.meta.url, main);
