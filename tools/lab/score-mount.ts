import { appendFileSync, mkdirSync, readFileSync, truncateSync } from "node:fs";
import { join } from "node:path";
import { conjugate, multiply, toRotationVector, turn } from "../../src/geometry/rigid.ts";
import { type Finding, isFound } from "../../src/mount/findings.ts";
import { MountEstimator } from "../../src/mount/mount.ts";
import { wheelSizes } from "../../src/mount/wheel-sizes.ts";
import { UsageError } from "../frame/errors.ts";
import { Progress } from "../frame/progress.ts";
import { noneExpected, wholeOption } from "../frame/values.ts";
import {
  DRIVE_KINDS,
  type DriveKind,
  type MountDrive,
  mountDrive,
  SENSOR_KINDS,
  type SensorKind,
} from "../mount/drives.ts";
import { programHash } from "../tune/program.ts";
import { rateInterval } from "./floor/intervals.ts";
import { runJobs } from "./floor/jobs.ts";
import { programOf } from "./program.ts";

export interface Job {
  readonly seed: number;
  readonly kind: DriveKind;
  readonly sensor: SensorKind;
}

/** Error of a finding, in the unit of its bar; `error` is null when it was not reported. */
export interface Miss {
  readonly error: number | null;
  readonly sigma: number;
}

/** The quantities, their unit, and how near they must come. */
export const BARS = {
  height: { unit: "mm", scale: 1000, bar: 5 },
  pitch: { unit: "deg", scale: 180 / Math.PI, bar: 0.25 },
  roll: { unit: "deg", scale: 180 / Math.PI, bar: 0.25 },
  yaw: { unit: "deg", scale: 180 / Math.PI, bar: 0.5 },
  forward: { unit: "mm", scale: 1000, bar: 15 },
  sideways: { unit: "mm", scale: 1000, bar: 15 },
  lateness: { unit: "ms", scale: 1000, bar: 3 },
  "imu tilt x": { unit: "deg", scale: 180 / Math.PI, bar: null },
  "imu tilt y": { unit: "deg", scale: 180 / Math.PI, bar: null },
  "imu heading": { unit: "deg", scale: 180 / Math.PI, bar: null },
  "wheels' lateness": { unit: "ms", scale: 1000, bar: null },
  "wheels' radius": { unit: "%", scale: 100, bar: 0.5 },
  "wheels' track": { unit: "%", scale: 100, bar: 1 },
} as const;
export type Quantity = keyof typeof BARS;
const QUANTITIES = Object.keys(BARS) as Quantity[];

export interface Row {
  readonly job: Job;
  readonly inertial: string;
  readonly misses: Readonly<Record<Quantity, Miss>>;
}

/** Drives and compares with the truth. */
export const runJob = (job: Job): Row => rowOf(job, mountDrive(job.seed, job.kind, job.sensor));

function rowOf(job: Job, { setup, events, truth, inertial }: MountDrive): Row {
  const estimator = new MountEstimator(setup);
  for (const event of events) estimator.take(event);
  const report = estimator.solve();
  const sizes = wheelSizes(report.wheels);
  const { position } = truth.baseFromLens;
  const miss = (quantity: Quantity, finding: Finding, value: number): Miss => {
    const { scale } = BARS[quantity];
    if (!isFound(finding)) return { error: null, sigma: Number.NaN };
    return { error: scale * (finding.value - value), sigma: scale * finding.sigma };
  };
  const none: Miss = { error: null, sigma: Number.NaN };
  let imu = { x: none, y: none, heading: none };
  if (isFound(report.imu)) {
    const { rotation, tiltSigma, headingSigma } = report.imu;
    const { scale } = BARS["imu heading"];
    const baseFromLens = truth.baseFromLens.rotation;
    // Up as found in the imu, seen in the base's axes: it should be z. What is left is about the vertical.
    const up = turn(conjugate(multiply(baseFromLens, rotation)), [0, 0, 1]);
    const [x, y] = turn(multiply(baseFromLens, truth.lensFromImu), up);
    const off = multiply(baseFromLens, multiply(rotation, conjugate(truth.lensFromImu)));
    const [, , z] = toRotationVector(multiply(off, conjugate(baseFromLens)));
    imu = {
      x: { error: scale * x, sigma: scale * tiltSigma },
      y: { error: scale * y, sigma: scale * tiltSigma },
      heading: isFound(report.imuHeading) ? { error: scale * z, sigma: scale * headingSigma } : none,
    };
  }
  const [yaw, pitch, roll] = truth.angles;
  return {
    job,
    inertial,
    misses: {
      height: miss("height", report.height, position[2]),
      pitch: miss("pitch", report.pitch, pitch),
      roll: miss("roll", report.roll, roll),
      yaw: miss("yaw", report.yaw, yaw),
      forward: miss("forward", report.forward, position[0]),
      sideways: miss("sideways", report.sideways, position[1]),
      lateness: miss("lateness", report.lateness, truth.lateness),
      "imu tilt x": imu.x,
      "imu tilt y": imu.y,
      "imu heading": imu.heading,
      "wheels' lateness": miss("wheels' lateness", report.wheels.lateness, truth.odometryLateness),
      "wheels' radius": miss("wheels' radius", sizes.radius, truth.radius),
      "wheels' track": miss("wheels' track", sizes.track, truth.track),
    },
  };
}

/** Quantities that a kind of drive must not determine. */
export const REFUSED: Readonly<Record<Exclude<DriveKind, "whole">, readonly Quantity[]>> = {
  straight: ["yaw", "forward", "sideways"],
  smooth: ["yaw", "forward", "sideways", "lateness"],
  steady: ["lateness"],
};

const percent = (share: number): string => `${(100 * share).toFixed(1)} %`;

export interface Verdict {
  readonly lines: readonly string[];
  readonly isHeld: boolean;
}

/** The table, and whether every bar is held: errors, refusals, and the truth inside three sigma in 98 %. */
export function report(rows: readonly Row[]): Verdict {
  const lines: string[] = [];
  let isHeld = true;
  const whole = rows.filter(({ job }) => job.kind === "whole");
  if (whole.length > 0) {
    lines.push(
      `${whole.length} drives that show everything`,
      "quantity       reported   median    worst      bar   within   inside 3 sigma (95 %, Clopper-Pearson)   1.96 sigma   rms error / sigma",
    );
  }
  /** All errors of all drives, in sigmas: every reported uncertainty must be right. */
  let inside = 0;
  let reported = 0;
  for (const quantity of QUANTITIES) {
    const { unit, bar } = BARS[quantity];
    const all = rows.map(({ misses }) => misses[quantity]).filter(({ error }) => error !== null);
    const hits = all.filter(({ error, sigma }) => Math.abs(error!) <= 3 * sigma).length;
    const inner = all.filter(({ error, sigma }) => Math.abs(error!) <= 1.96 * sigma).length;
    inside += hits;
    reported += all.length;
    if (whole.length === 0) continue;
    const errors = whole
      .map(({ misses }) => misses[quantity].error)
      .filter((error) => error !== null)
      .map(Math.abs)
      .sort((a, b) => a - b);
    const within = bar === null ? errors.length : errors.filter((error) => error <= bar).length;
    // Quantities with a bar must be reported in every one of these drives, and lie within it.
    if (bar !== null && within < whole.length) isHeld = false;
    const [low, high] = rateInterval(hits, all.length);
    const z = Math.sqrt(all.reduce((sum, { error, sigma }) => sum + (error! / sigma) ** 2, 0) / all.length);
    const value = (x: number | undefined): string => (x === undefined ? "-" : x.toFixed(3)).padStart(8);
    lines.push(
      `${quantity.padEnd(17)} ${String(errors.length).padStart(5)} ${value(errors[errors.length >> 1])} ${value(errors.at(-1))} ${
        bar === null ? "       -" : String(bar).padStart(8)
      } ${String(within).padStart(8)}   ${`${hits} of ${all.length}`.padStart(11)} (${percent(low)} to ${percent(high)}) ${percent(inner / all.length).padStart(12)}${z.toFixed(2).padStart(18)} ${unit}`,
    );
  }
  const [low, high] = rateInterval(inside, reported);
  lines.push(
    `inside 3 sigma, all quantities of all drives: ${inside} of ${reported}, ${percent(inside / reported)} (95 %: ${percent(low)} to ${percent(high)})`,
  );
  if (inside < 0.98 * reported) isHeld = false;
  for (const kind of DRIVE_KINDS) {
    if (kind === "whole") continue;
    const driven = rows.filter(({ job }) => job.kind === kind);
    if (driven.length === 0) continue;
    const refused = REFUSED[kind].map((quantity) => {
      const count = driven.filter(({ misses }) => misses[quantity].error === null).length;
      if (count < driven.length) isHeld = false;
      return `${quantity} ${count} of ${driven.length}`;
    });
    const [least] = rateInterval(driven.length, driven.length);
    lines.push(
      `${kind.padEnd(9)} refused: ${refused.join(", ")} (all of them bounds the rate to ${percent(least)})`,
    );
  }
  return { lines, isHeld };
}

export const main = programOf({
  name: "score-mount",
  usage: "[options]",
  about: "Errors, uncertainties and refusals of mount, on simulated drives with ground truth.",
  options: {
    sensor: {
      type: "string",
      short: "s",
      value: "<which>",
      default: "milder",
      help: "milder: a sensor that just sees a white wall at 5.5 to 6.5 m; harsher: at 4.5 to 6 m; or both (default milder)",
    },
    drives: {
      type: "string",
      short: "d",
      value: "<n>",
      default: "50",
      help: "drives that show everything (default 50)",
    },
    refusals: {
      type: "string",
      short: "r",
      value: "<n>",
      default: "20",
      help: "drives of each kind that does not: straight on; straight on without nodding; a circle at constant rate (default 20)",
    },
    seed: { type: "string", value: "<n>", default: "1", help: "seed of the first drives (default 1)" },
    workers: {
      type: "string",
      short: "w",
      value: "<n>",
      default: "1",
      help: "number of processes (default 1)",
    },
    out: {
      type: "string",
      short: "o",
      value: "<folder>",
      default: "out",
      help: "folder for mount-score.jsonl, a line for each drive (default out). Drives with a score there are not repeated: the same command continues an interrupted run",
    },
  },
  exits: { 1: "a bar is missed, or an internal error" },
  run: async ({ values, positionals }) => {
    noneExpected(positionals);
    const whole = (name: "drives" | "refusals" | "seed" | "workers", least: number) =>
      wholeOption(values, name, least, 1e5);
    const sensors = values.sensor === "both" ? SENSORS : SENSORS.filter((kind) => kind === values.sensor);
    if (sensors.length === 0)
      throw new UsageError(`--sensor must be milder, harsher or both, got "${values.sensor}"`);
    const count = { whole: whole("drives", 0), other: whole("refusals", 0) };
    const first = 1000 * whole("seed", 0);
    const workers = whole("workers", 1);
    if (count.whole + count.other === 0) throw new UsageError("no drives: give --drives or --refusals");
    mkdirSync(values.out, { recursive: true });
    const kept = new KeptRows(join(values.out, "mount-score.jsonl"));
    let isHeld = true;
    for (const sensor of sensors) {
      const jobs = DRIVE_KINDS.flatMap((kind) =>
        Array.from({ length: kind === "whole" ? count.whole : count.other }, (_, n) => ({
          seed: first + n,
          kind,
          sensor,
        })),
      );
      const verdict = report(await scored(jobs, workers, kept));
      const [near, far] = SENSOR_KINDS[sensor];
      console.log(`${sensor} sensor: just sees a white wall at ${near} to ${far} m`);
      console.log(verdict.lines.join("\n"));
      isHeld &&= verdict.isHeld;
    }
    return isHeld ? 0 : 1;
  },
});

const SENSORS = Object.keys(SENSOR_KINDS) as SensorKind[];

/** Drives what is not kept yet; the rows of all jobs, in their order. */
async function scored(jobs: readonly Job[], workers: number, kept: KeptRows): Promise<Row[]> {
  const left = jobs.filter((job) => kept.of(job) === null);
  const bar = new Progress("score-mount", "lines");
  const queue = left.values();
  let done = 0;
  try {
    await runJobs<Job, Row>(
      new URL(import.meta.url),
      workers,
      () => queue.next().value ?? null,
      (row) => {
        kept.add(row);
        bar.show(++done / left.length);
      },
    );
  } finally {
    bar.stop();
  }
  return jobs.map((job) => kept.of(job)!);
}

/** Everything that a row hangs on: the estimator, and the simulated drives. */
const MAKERS = ["src/geometry", "src/sense", "src/track", "src/mount", "src/simulate"];

/** Rows in a file, a line each, written as soon as they are known. */
export class KeptRows {
  readonly #path: string;
  readonly #program = programHash([...MAKERS, "tools/mount/drives.js", "tools/lab/score-mount.js"]);
  readonly #rows = new Map<string, Row>();

  /** @throws {RangeError} when the file holds something else; half a line at its end is taken off, its writer was killed */
  constructor(path: string) {
    this.#path = path;
    appendFileSync(path, "");
    const bytes = readFileSync(path);
    const size = bytes.lastIndexOf(10) + 1;
    if (size < bytes.length) truncateSync(path, size);
    const lines = bytes.subarray(0, size).toString().split("\n");
    for (const [n, line] of lines.slice(0, -1).entries()) {
      const { program, row } = readLine(line, `${path} line ${n + 1}`);
      if (program === this.#program) this.#rows.set(nameOf(row.job), row);
    }
  }

  of(job: Job): Row | null {
    return this.#rows.get(nameOf(job)) ?? null;
  }

  add(row: Row): void {
    this.#rows.set(nameOf(row.job), row);
    appendFileSync(this.#path, `${JSON.stringify({ program: this.#program, row })}\n`);
  }
}

function readLine(line: string, where: string): { program: string; row: Row } {
  try {
    const read = JSON.parse(line);
    if (typeof read.program === "string" && typeof read.row.job.seed === "number") return read;
  } catch {} // reported below
  throw new UsageError(`${where} is no scored drive; name another folder with --out`);
}

const nameOf = ({ seed, kind, sensor }: Job): string => `${sensor} ${kind} ${seed}`;
