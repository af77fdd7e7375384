import { mkdir } from "node:fs/promises";
import { join } from "node:path";
import { Progress } from "../frame/progress.ts";
import { noneExpected, wholeOption } from "../frame/values.ts";
import { writeWholeFile } from "../output/whole-file.ts";
import { runJobs } from "./floor/jobs.ts";
import { programOf, workersOption } from "./program.ts";
import type { Job, Row } from "./score-floor/drive-job.ts";
import { drawScore } from "./score-floor/picture.ts";
import { DrivePlan } from "./score-floor/plan.ts";
import { report } from "./score-floor/report.ts";

const DRIVE_JOB = new URL("./score-floor/drive-job.js", import.meta.url);

export const main = programOf({
  name: "score-floor",
  usage: "[options]",
  about: "Misses and false stops of a base that obeys the pace, in closed loop.",
  options: {
    approaches: {
      type: "string",
      short: "n",
      value: "<n>",
      default: "2995",
      help: "approaches at drops of 50 mm and more in which the base moves (default 2995: no miss in them bounds the miss rate to 0.1 % at 95 % confidence)",
    },
    minutes: {
      type: "string",
      short: "m",
      value: "<n>",
      default: "120",
      help: "minutes of driving over floors without a drop (default 120)",
    },
    traps: {
      type: "string",
      short: "t",
      value: "<n>",
      default: "20",
      help: "runs of each named trap (default 20)",
    },
    seed: { type: "string", value: "<n>", default: "1", help: "seed of the first drives (default 1)" },
    workers: workersOption("processes that drive"),
    out: {
      type: "string",
      short: "o",
      value: "<folder>",
      default: "out",
      help: "folder for floor-score.png and floor-score.json (default out)",
    },
  },
  exits: { 1: "a miss, or an internal error" },
  run: async ({ values, positionals }) => {
    noneExpected(positionals);
    const whole = (name: "approaches" | "minutes" | "traps" | "seed" | "workers", least: number) =>
      wholeOption(values, name, least, 1e6);
    const workers = whole("workers", 1);
    const plan = new DrivePlan({
      approaches: whole("approaches", 0),
      minutes: whole("minutes", 0),
      traps: whole("traps", 0),
      seed: 1_000_000 * whole("seed", 0),
    });
    const rows: Row[] = [];
    const bar = new Progress("score-floor", "lines");
    const next = () => plan.next();
    await runJobs<Job, Row>(DRIVE_JOB, workers, next, (row) => {
      rows.push(row);
      bar.show(plan.take(row));
    });
    bar.stop();
    // Workers finish in any order.
    rows.sort((a, b) => (JSON.stringify(a.job) < JSON.stringify(b.job) ? -1 : 1));
    console.log(report(rows).join("\n"));
    await mkdir(values.out, { recursive: true });
    await writeWholeFile(join(values.out, "floor-score.png"), await drawScore(rows).toPng());
    await writeWholeFile(join(values.out, "floor-score.json"), JSON.stringify(rows));
    return rows.some(({ outcome }) => outcome.isMiss) ? 1 : 0;
  },
});
