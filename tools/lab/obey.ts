import { appendFile, mkdir, readFile } from "node:fs/promises";
import { dirname } from "node:path";
import { isDeepStrictEqual } from "node:util";
import { Progress } from "../frame/progress.ts";
import { noneExpected, wholeOption } from "../frame/values.ts";
import { rateInterval } from "./floor/intervals.ts";
import { runJobs } from "./floor/jobs.ts";
import { buildMark } from "./obey/build-mark.ts";
import { drive } from "./obey/drive.ts";
import { type Job, type Row, rowOf } from "./obey/drive-job.ts";
import { DEFAULT_KNOBS, drawKnobs, KNOBS, type Knobs, turned } from "./obey/knobs.ts";
import { programOf, workersOption } from "./program.ts";

/** Runs in workers, as it was compiled. */
const DRIVE_JOB = new URL("./obey/drive-job.js", import.meta.url);
const COMMAND = "npm run lab -- obey";

function tellFall({ fall, last, again }: Row): void {
  if (fall === null) return;
  const { time, x, y, speed, drop } = fall;
  const depth = Number.isFinite(drop) ? `${(100 * drop).toFixed(0)} cm` : "no floor at all";
  console.log(
    `FALL after ${time.toFixed(2)} s at (${x.toFixed(2)}, ${y.toFixed(2)}), ${speed.toFixed(2)} m/s, drop ${depth}`,
  );
  console.log(`  last heard: ${last}`);
  console.log(`  ${COMMAND} ${again}`);
}

/** A stored row, with the build that drove it. */
type KeptRow = Row & { readonly build: string };

async function readRows(path: string): Promise<KeptRow[]> {
  try {
    const text = await readFile(path, "utf8");
    return text
      .split("\n")
      .filter((line) => line.endsWith("}"))
      .map((line) => JSON.parse(line) as KeptRow);
  } catch (error) {
    if ((error as NodeJS.ErrnoException).code === "ENOENT") return [];
    throw error;
  }
}

async function driveMany(values: {
  readonly drives: number;
  readonly first: number;
  readonly workers: number;
  readonly out: string;
  readonly isSimplified: boolean;
  /** Knobs that are set in all drives. */
  readonly changes: readonly string[];
}): Promise<number> {
  const { changes, drives, first, workers, out, isSimplified } = values;
  await mkdir(dirname(out), { recursive: true });
  const build = await buildMark();
  const isWanted = (row: KeptRow): boolean =>
    row.build === build &&
    isDeepStrictEqual(row.changes, changes) &&
    row.number >= first &&
    row.number < first + drives;
  const known = (await readRows(out)).filter(isWanted);
  const rows: Row[] = [...known];
  const isDone = new Set(rows.map(({ number }) => number));
  const left = Array.from({ length: drives }, (_, n) => first + n).filter((number) => !isDone.has(number));
  const begun = performance.now();
  const bar = new Progress("obey", "lines");
  let taken = 0;
  let written = Promise.resolve();
  try {
    await runJobs<Job, Row>(
      DRIVE_JOB,
      workers,
      () => (taken < left.length ? { kind: "drive", number: left[taken++]!, changes } : null),
      (row) => {
        rows.push(row);
        written = written.then(() => appendFile(out, `${JSON.stringify({ ...row, build })}\n`));
        bar.show((rows.length - known.length) / left.length);
      },
    );
    await written;
  } finally {
    bar.stop();
  }
  const minutes = (performance.now() - begun) / 60_000;
  const falls = rows.filter(({ fall }) => fall !== null).toSorted((a, b) => a.number - b.number);
  report(rows, falls, left.length / minutes);
  if (falls.length === 0) return 0;
  if (!isSimplified) {
    for (const row of falls) tellFall(row);
    return 1;
  }
  const jobs = falls.slice(0, MOST_SIMPLIFIED);
  let next = 0;
  await runJobs<Job, Row>(
    DRIVE_JOB,
    workers,
    () =>
      next < jobs.length
        ? { kind: "simplify", knobs: turned(drawKnobs(jobs[next++]!.number), changes) }
        : null,
    tellFall,
  );
  for (const row of falls.slice(MOST_SIMPLIFIED)) tellFall(row);
  return 1;
}

/** More falls than this are printed without simplification. */
const MOST_SIMPLIFIED = 12;
/** Distance from which a base counts as moved, metres. */
const MOVED = 0.3;

function report(rows: readonly Row[], falls: readonly Row[], perMinute: number): void {
  const moved = rows.filter(({ way }) => way > MOVED);
  const sum = (of: (row: Row) => number): number => rows.reduce((total, row) => total + of(row), 0);
  const [low, high] = rateInterval(falls.length, rows.length);
  console.log(
    `${rows.length} drives, ${moved.length} of them moved: ${(sum(({ time }) => time) / 3600).toFixed(1)} h, ${(sum(({ way }) => way) / 1000).toFixed(2)} km`,
  );
  if (Number.isFinite(perMinute) && perMinute > 0) console.log(`${perMinute.toFixed(1)} drives a minute`);
  console.log("fault                drives   falls  contacts");
  for (const fault of [...new Set(rows.map((row) => row.fault))].sort()) {
    const own = rows.filter((row) => row.fault === fault);
    const count = (list: readonly Row[]): string => String(list.length).padStart(7);
    const contacts = own.reduce((total, row) => total + row.contacts, 0);
    console.log(
      `${fault.padEnd(19)} ${count(own)} ${count(own.filter(({ fall }) => fall !== null))} ${String(contacts).padStart(9)}`,
    );
  }
  console.log(
    `${falls.length} falls; 95 % interval ${(100 * low).toFixed(3)} to ${(100 * high).toFixed(3)} % (Clopper-Pearson)`,
  );
}

async function driveOne(knobs: Knobs, isLive: boolean): Promise<number> {
  const outcome = isLive ? await (await import("./obey/live.ts")).driveLive(knobs) : drive(knobs);
  const row = rowOf(0, knobs, outcome);
  console.log(
    `${outcome.time.toFixed(2)} s, ${outcome.way.toFixed(2)} m, ${outcome.contacts.length} contacts; last heard: ${outcome.last}`,
  );
  for (const { time, speed, point } of outcome.contacts) {
    console.log(
      `contact at ${time.toFixed(2)} s, ${speed.toFixed(2)} m/s, at (${point[0].toFixed(2)}, ${point[1].toFixed(2)}) of the base`,
    );
  }
  tellFall(row);
  console.log("time      x      y    yaw  speed  curvature");
  for (const [time, x, y, yaw, speed, curvature] of outcome.trail.slice(-40)) {
    const number = (value: number | undefined): string => (value ?? Number.NaN).toFixed(2).padStart(6);
    console.log([time, x, y, yaw, speed, curvature].map(number).join(" "));
  }
  return outcome.fall === null ? 0 : 1;
}

export const main = programOf({
  name: "obey",
  usage: "[options]",
  about: "Searches for falls of a base that obeys, with random legal settings and faults.",
  options: {
    drives: {
      type: "string",
      short: "n",
      value: "<n>",
      help: "drives in generated homes, each with settings, body, cameras and faults of its own (default 2000)",
    },
    seed: {
      type: "string",
      value: "<n>",
      default: "1",
      help: "number of the first drive; a number always gives the same drive (default 1)",
    },
    workers: workersOption("processes that drive"),
    out: {
      type: "string",
      short: "o",
      value: "<file>",
      default: "out/obey.jsonl",
      help: "one JSON object per drive, appended (default out/obey.jsonl). An interrupted run continues: drives of this build with these knobs are not repeated",
    },
    "no-simpler": {
      type: "boolean",
      help: "print falls without simplification, which takes up to 80 drives each",
    },
    drive: { type: "string", value: "<n>", help: "only the drive with this number, step by step" },
    knob: {
      type: "string",
      short: "k",
      multiple: true,
      value: "<name=value>",
      help: "one drive with this knob, all others at their defaults or as in --drive; with --drives: in each of them; may be repeated",
    },
    live: {
      type: "boolean",
      help: "run the drive over the socket and in real time, with the command serve as its head",
    },
    knobs: { type: "boolean", help: "list the knobs" },
  },
  notes: "A fall is a wheel past an edge. The command that repeats a fall, simplified, is printed with it.",
  exits: { 1: "a fall, or an internal error" },
  run: async ({ values, positionals }) => {
    noneExpected(positionals);
    const { knob: changes = [], live: isLive = false } = values;
    if (values.knobs) {
      for (const [name, { default: usual, help }] of Object.entries(KNOBS)) {
        console.log(`${name.padEnd(20)} ${String(usual).padEnd(10)} ${help}`);
      }
      return 0;
    }
    if (values.drive !== undefined || isLive || (changes.length > 0 && values.drives === undefined)) {
      const from = values.drive === undefined ? DEFAULT_KNOBS : drawKnobs(wholeOption(values, "drive", 0));
      return await driveOne(turned(from, changes), isLive);
    }
    return await driveMany({
      drives: values.drives === undefined ? 2000 : wholeOption(values, "drives", 1, 1_000_000),
      first: wholeOption(values, "seed", 0),
      workers: wholeOption(values, "workers", 1, 256),
      out: values.out,
      isSimplified: !values["no-simpler"],
      changes,
    });
  },
});
