import { mkdir } from "node:fs/promises";
import { availableParallelism } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { isMainThread } from "node:worker_threads";
import { END } from "../../src/terms/safety.ts";
import { wholeOption } from "../options.ts";
import { ProgressLine } from "../output/progress.ts";
import { writeWholeFile } from "../output/whole-file.ts";
import {
  type Approach,
  approach,
  type Cruise,
  cruise,
  DROPS,
  FLOORS,
  TRAPS,
  type Trap,
  trap,
} from "./floor/courses.ts";
import { type Course, driveCourse, type Outcome } from "./floor/drive.ts";
import { poissonBound, rateInterval } from "./floor/intervals.ts";
import { runJobs } from "./floor/jobs.ts";
import { drawScore } from "./floor-score-picture.ts";

const HELP = `Usage: score-floor [options]    does a base that obeys the pace ever fall, and does it stop for nothing?
  -n, --approaches <n>  approaches at drops of 50 mm and more in which the base moves (default 2995: no miss in
                        them bounds the miss rate to 0.1 % at 95 % confidence)
  -m, --minutes <n>     of driving over floors without a drop (default 120)
  -t, --traps <n>       runs of each named trap (default 20)
      --seed <n>        (default 1)
  -w, --workers <n>     (default: one per core)
  -o, --out <folder>    for floor-score.png and floor-score.json (default out)
  -h, --help            show this text
Exit codes: 0 no miss, 1 a miss or an internal error, 2 wrong usage`;

type Job =
  | { readonly kind: "approach"; readonly seed: number; readonly drop: string }
  | { readonly kind: "cruise"; readonly seed: number; readonly floor: Cruise["floor"] }
  | { readonly kind: "trap"; readonly seed: number; readonly trap: Trap["trap"] };

/** A drive and what became of it; plain data, to cross threads. */
export interface Row {
  readonly job: Job;
  readonly outcome: Omit<Outcome, "edges">;
  readonly head: { readonly height: number; readonly pitch: number; readonly speed: number };
  readonly reflectance: number;
  /** Metres from the front corner that is nearest to the edge to it, at the end; negative beyond. */
  readonly gap: number;
  /** Error of the edge's place where the base stood, metres; NaN when no edge was known. */
  readonly error: number;
  /** Of a 20 mm drop: per 10 cm of distance from the lens, frames and those that saw it. */
  readonly seen: readonly (readonly [frames: number, seen: number])[];
  /** Seconds that the same way takes at the wished speed. */
  readonly ideal: number;
}

const BINS = 12;

export function runJob(job: Job): Row {
  const seen = Array.from({ length: BINS }, () => [0, 0] as [number, number]);
  let course: Course;
  let reflectance = 0.4;
  let ideal = 0;
  if (job.kind === "approach") {
    const one: Approach = approach(job.seed, job.drop);
    reflectance = one.reflectance;
    const watch: Course["watch"] = (frame, [x, , yaw]) => {
      const range = -x / Math.cos(yaw) - 0.15;
      const bin = seen[Math.floor(10 * range)];
      if (bin === undefined) return;
      let brinks = 0;
      let strips = 0;
      for (let n = 0; n < frame.strips; n++) {
        if (Math.abs(frame.endY[n]!) > 0.2) continue;
        strips++;
        if (frame.kind[n] === END.brink && Math.abs(frame.endX[n]! - 0.15 - range) < 0.1) brinks++;
      }
      bin[0]++;
      if (strips > 0 && brinks > strips / 4) bin[1]++;
    };
    course = { ...one, watch };
  } else if (job.kind === "cruise") {
    const one = cruise(job.seed, job.floor);
    reflectance = one.reflectance;
    course = one;
    ideal = one.length / one.speed + one.speed / (2 * 0.6);
  } else course = trap(job.seed, job.trap);
  const { edges, ...outcome } = driveCourse(course);
  const [x, y, yaw] = outcome.at;
  const corners = [0.175, -0.175].map((side) => x + Math.cos(yaw) * 0.22 - Math.sin(yaw) * side);
  const off = edges
    .filter((edge) => Math.hypot(edge[0] - x, edge[1] - y) < 0.7)
    .map((edge) => Math.abs(edge[0]))
    .sort((a, b) => a - b);
  const { height, pitch, speed } = course;
  return {
    ...{ job, outcome, head: { height, pitch, speed }, reflectance, seen, ideal },
    gap: -Math.max(...corners),
    error: job.kind === "approach" && off.length > 0 ? off[off.length >> 1]! : Number.NaN,
  };
}

/** Did the base set out at all? A head that cannot see the floor in front of it never does. */
const hasMoved = (row: Row): boolean => row.outcome.way > 0.3;
const quantile = (values: readonly number[], share: number): number => {
  const sorted = values.filter(Number.isFinite).sort((a, b) => a - b);
  return sorted[Math.min(sorted.length - 1, Math.floor(share * sorted.length))] ?? Number.NaN;
};
const cm = (metres: number): string => (100 * metres).toFixed(1);
const percent = (share: number): string => `${(100 * share).toFixed(3)} %`;

/** The report as lines. */
export function report(rows: readonly Row[]): string[] {
  const lines: string[] = [];
  const approaches = rows.filter(({ job }) => job.kind === "approach");
  const of = (drop: string) => approaches.filter(({ job }) => job.kind === "approach" && job.drop === drop);
  lines.push("Approaches: a base that obeys the pace drives at an edge (a miss: any wheel past it)");
  lines.push(
    "drop         drives  moved  miss   stands before the edge, cm   edge known to, cm    last limit",
  );
  lines.push("                                     median   least              median   95 %");
  const deep = approaches.filter(({ job }) => job.kind === "approach" && job.drop !== "20");
  for (const drop of [...DROPS, "20"]) {
    const all = of(drop);
    if (all.length === 0) continue;
    const moved = all.filter(hasMoved);
    const gaps = moved.map(({ gap }) => gap);
    const errors = moved.map(({ error }) => error);
    const limits = ["brink", "doubtful", "unseen"].map(
      (limit) => `${limit} ${moved.filter(({ outcome }) => outcome.limit === limit).length}`,
    );
    const misses = all.filter(({ outcome }) => outcome.isMiss).length;
    const name = Number.isNaN(Number(drop)) ? drop : `${drop} mm`;
    lines.push(
      `${name.padEnd(12)} ${String(all.length).padStart(6)} ${String(moved.length).padStart(6)} ${String(misses).padStart(5)}` +
        `   ${cm(quantile(gaps, 0.5)).padStart(8)} ${cm(quantile(gaps, 0)).padStart(8)}` +
        `            ${cm(quantile(errors, 0.5)).padStart(8)} ${cm(quantile(errors, 0.95)).padStart(6)}    ${limits.join(", ")}`,
    );
  }
  const movedDeep = deep.filter(hasMoved);
  const misses = movedDeep.filter(({ outcome }) => outcome.isMiss).length;
  const [low, high] = rateInterval(misses, movedDeep.length);
  const errors = movedDeep.map(({ error }) => error);
  lines.push(
    `50 mm and more: ${misses} misses in ${movedDeep.length} approaches; 95 % ${misses === 0 ? "bound" : "interval"} ` +
      `${percent(low)} to ${percent(high)} (Clopper-Pearson)`,
    `edge known to: median ${cm(quantile(errors, 0.5))} cm, 95 % ${cm(quantile(errors, 0.95))} cm, where the base stood`,
    `${deep.length - movedDeep.length} more never set out: their heads see no floor as dark as that in front of them`,
  );
  const small = of("20");
  if (small.length > 0) {
    const bins = Array.from({ length: BINS }, (_, n) =>
      small.reduce(([a, b], { seen }) => [a + seen[n]![0], b + seen[n]![1]] as [number, number], [0, 0] as [
        number,
        number,
      ]),
    );
    lines.push(
      `20 mm, frames that saw the brink by distance from the lens: ${bins
        .map(([frames, hits], n) =>
          frames > 20 ? `${n / 10}-${(n + 1) / 10} m ${((100 * hits) / frames).toFixed(0)} %` : "",
        )
        .filter(Boolean)
        .join(", ")}`,
    );
  }

  const cruises = rows.filter(({ job }) => job.kind === "cruise");
  if (cruises.length > 0) {
    lines.push(
      "",
      "Floors without a drop (a false stop: the base stands for half a second and wants to go on)",
    );
    lines.push("floor          drives  minutes  stops  brinks seen  mean speed kept");
    for (const floor of FLOORS) {
      const all = cruises.filter(({ job }) => job.kind === "cruise" && job.floor === floor);
      if (all.length === 0) continue;
      const minutes = all.reduce((sum, { outcome }) => sum + outcome.time, 0) / 60;
      const stops = all.reduce((sum, { outcome }) => sum + outcome.stops, 0);
      const brinks = all.reduce((sum, { outcome }) => sum + outcome.brinks, 0);
      const kept =
        all.reduce((sum, { ideal, outcome }) => sum + Math.min(1, ideal / outcome.time), 0) / all.length;
      lines.push(
        `${floor.padEnd(14)} ${String(all.length).padStart(6)} ${minutes.toFixed(1).padStart(8)} ${String(stops).padStart(6)}` +
          ` ${String(brinks).padStart(12)} ${(100 * kept).toFixed(0).padStart(14)} %`,
      );
    }
    const hours = cruises.reduce((sum, { outcome }) => sum + outcome.time, 0) / 3600;
    const stops = cruises.reduce((sum, { outcome }) => sum + outcome.stops, 0);
    const bright = cruises.filter(
      ({ job, reflectance }) =>
        job.kind === "cruise" && job.floor !== "braking" && job.floor !== "black mat" && reflectance >= 0.1,
    );
    const kept =
      bright.reduce((sum, { ideal, outcome }) => sum + Math.min(1, ideal / outcome.time), 0) / bright.length;
    lines.push(
      `${stops} false stops in ${hours.toFixed(2)} h; at 95 % confidence below ${poissonBound(stops, hours).toFixed(2)} per hour (Poisson)`,
      `mean speed kept on ordinary floors (10 % and brighter): ${(100 * kept).toFixed(0)} %`,
    );
    const mats = cruises
      .filter(({ job }) => job.kind === "cruise" && job.floor === "black mat")
      .map(({ outcome, head }) => (outcome.marks[1]! - outcome.marks[0]!) / ((1.2 + 0.42) / head.speed));
    lines.push(
      `a 1.2 m black mat takes ${quantile(mats, 0.5).toFixed(2)} times as long as at the wished speed (worst ${quantile(mats, 1).toFixed(2)})`,
    );
  }

  const traps = rows.filter(({ job }) => job.kind === "trap");
  if (traps.length > 0) {
    lines.push("", "Traps", "name                         drives  moved  miss  stood at the end");
    for (const name of TRAPS) {
      const all = traps.filter(({ job }) => job.kind === "trap" && job.trap === name);
      const count = (test: (row: Row) => boolean) => String(all.filter(test).length);
      lines.push(
        `${name.padEnd(28)} ${String(all.length).padStart(6)} ${count(hasMoved).padStart(6)}` +
          ` ${count(({ outcome }) => outcome.isMiss).padStart(5)} ${count(({ outcome }) => outcome.stopped).padStart(17)}`,
      );
    }
  }
  return lines;
}

export async function main(args: string[]): Promise<number> {
  const fail = (why: string): number => {
    console.error(`score-floor: ${why}`);
    return 2;
  };
  const options = {
    approaches: { type: "string", short: "n", default: "2995" },
    minutes: { type: "string", short: "m", default: "120" },
    traps: { type: "string", short: "t", default: "20" },
    seed: { type: "string", default: "1" },
    workers: { type: "string", short: "w", default: String(availableParallelism()) },
    out: { type: "string", short: "o", default: "out" },
    help: { type: "boolean", short: "h" },
  } as const;
  try {
    const { values } = parseArgs({ args, options });
    if (values.help) {
      console.log(HELP);
      return 0;
    }
    const whole = (name: "approaches" | "minutes" | "traps" | "seed" | "workers", least: number) =>
      wholeOption(values, name, least, 1e6);
    const approaches = whole("approaches", 0);
    const minutes = whole("minutes", 0);
    const traps = whole("traps", 0);
    const seed = 1_000_000 * whole("seed", 0);
    const workers = whole("workers", 1);
    const rows: Row[] = [];
    let moved = 0;
    let driven = 0;
    const given = { approach: 0, small: 0, cruise: 0, trap: 0 };
    const small = Math.ceil(approaches / 20);
    // Traps first: they are what one wants to know.
    const next = (): Job | null => {
      if (given.trap < traps * TRAPS.length) {
        const n = given.trap++;
        return { kind: "trap", seed: seed + n, trap: TRAPS[n % TRAPS.length]! };
      }
      if (moved < approaches) {
        const n = given.approach++;
        return { kind: "approach", seed: seed + n, drop: DROPS[n % DROPS.length]! };
      }
      if (given.small < small) return { kind: "approach", seed: seed + given.small++, drop: "20" };
      if (driven < 60 * minutes) {
        const n = given.cruise++;
        return { kind: "cruise", seed: seed + n, floor: FLOORS[n % FLOORS.length]! };
      }
      return null;
    };
    const bar = new ProgressLine("score-floor", "lines");
    await runJobs<Job, Row>(new URL(import.meta.url), workers, next, (row) => {
      rows.push(row);
      if (row.job.kind === "approach" && row.job.drop !== "20" && hasMoved(row)) moved++;
      if (row.job.kind === "cruise") driven += row.outcome.time;
      // A minute of driving costs about what six approaches do.
      const share = (Math.min(moved, approaches) + (6 * driven) / 60) / Math.max(1, approaches + 6 * minutes);
      bar.show(Math.min(1, share));
    });
    bar.stop();
    // Workers finish in any order.
    rows.sort((a, b) => (JSON.stringify(a.job) < JSON.stringify(b.job) ? -1 : 1));
    console.log(report(rows).join("\n"));
    await mkdir(values.out, { recursive: true });
    await writeWholeFile(join(values.out, "floor-score.png"), await drawScore(rows).toPng());
    await writeWholeFile(join(values.out, "floor-score.json"), JSON.stringify(rows));
    return rows.some(({ outcome }) => outcome.isMiss) ? 1 : 0;
  } catch (error) {
    const { code = "", message } = error as NodeJS.ErrnoException;
    if (code.startsWith("ERR_PARSE_ARGS") || error instanceof RangeError) return fail(message);
    throw error;
  }
}

if (isMainThread && process.argv[1] === fileURLToPath(import.meta.url)) {
  process.exitCode = await main(process.argv.slice(2));
}
