import { noneExpected, wholeOption } from "../frame/values.ts";
import { runHomes } from "./floor/homes-loop.ts";
import { rateInterval } from "./floor/intervals.ts";
import { programOf, workersOption } from "./program.ts";
import type { ReturnJob, ReturnRow } from "./return/return-job.ts";

/** Runs in workers, as it was compiled. */
const RETURN_JOB = new URL("./return/return-job.js", import.meta.url);
/** Metres and radians: a place that is found farther off is wrong. */
const RIGHT = 0.1;
const RIGHT_YAW = (3 * Math.PI) / 180;
const WHERE = ["known", "moved", "elsewhere"] as const;

const degrees = (radians: number): number => (180 * radians) / Math.PI;
const isWrong = ({ found, off, yaw }: ReturnRow): boolean =>
  found !== null && (off > RIGHT || yaw > RIGHT_YAW);
const percents = ([low, high]: readonly [number, number]): string =>
  `${(100 * low).toFixed(1)} to ${(100 * high).toFixed(1)} %`;
const quantile = (values: readonly number[], share: number): number =>
  values.toSorted((a, b) => a - b)[Math.min(values.length - 1, Math.floor(share * values.length))] ??
  Number.NaN;

function rowText(row: ReturnRow): string {
  const when =
    row.found === null
      ? "not found"
      : `${row.found.toFixed(1)} s, ${(1000 * row.off).toFixed(0)} mm, ${degrees(row.yaw).toFixed(2)} deg`;
  return `${String(row.home).padStart(6)} ${row.where.padEnd(10)} ${when}${isWrong(row) ? "  WRONG" : ""}`;
}

function report(rows: readonly ReturnRow[]): void {
  for (const where of WHERE) {
    const own = rows.filter((row) => row.where === where);
    const found = own.filter((row) => row.found !== null);
    const times = found.map((row) => row.found!);
    const intervals = percents(rateInterval(found.length, Math.max(1, own.length)));
    const how =
      found.length === 0
        ? ""
        : `, after ${quantile(times, 0.5).toFixed(1)} s (median), ${quantile(times, 1).toFixed(1)} s at most; ` +
          `${(
            1000 *
              quantile(
                found.map(({ off }) => off),
                0.5,
              )
          ).toFixed(0)} mm and ${degrees(
            quantile(
              found.map(({ yaw }) => yaw),
              0.5,
            ),
          ).toFixed(2)} deg off at most in a run (median)`;
    console.log(`${where.padEnd(10)} found ${found.length} of ${own.length} (${intervals})${how}`);
  }
  const wrong = rows.filter(isWrong);
  for (const { home, where, off, yaw } of wrong) {
    console.log(`WRONG in home ${home}, ${where}: ${off.toFixed(2)} m, ${degrees(yaw).toFixed(0)} deg`);
  }
  const sizes = rows.map(({ bytes }) => bytes / 1e6);
  console.log(
    `wrong ${wrong.length} of ${rows.length} restarts (${percents(rateInterval(wrong.length, Math.max(1, rows.length)))}, Clopper-Pearson 95 %); saved place ${quantile(sizes, 0.5).toFixed(1)} MB (median), ${quantile(sizes, 1).toFixed(1)} MB at most`,
  );
}

export const main = programOf({
  name: "score-return",
  usage: "[options]",
  about:
    "Whether a head that starts again finds its place in the map of the run before. In each generated home one drive is saved; then the head starts at other spots and headings, and looks around once on the spot.",
  options: {
    homes: { type: "string", short: "n", value: "<n>", default: "40", help: "homes (default 40)" },
    seed: { type: "string", value: "<n>", default: "1", help: "number of the first home (default 1)" },
    known: {
      type: "string",
      value: "<n>",
      default: "6",
      help: "restarts in each home beside the first drive, every third with a fifth of the furniture moved (default 6)",
    },
    elsewhere: {
      type: "string",
      value: "<n>",
      default: "2",
      help: "restarts where the first drive perhaps saw nothing: no place is better than a wrong one (default 2)",
    },
    workers: workersOption("homes at a time"),
  },
  exits: { 1: "a wrong place, or an internal error" },
  run: async ({ values, positionals }) => {
    noneExpected(positionals);
    const known = wholeOption(values, "known", 0, 1000);
    const elsewhere = wholeOption(values, "elsewhere", 0, 1000);
    const rows: ReturnRow[] = [];
    await runHomes<ReturnJob, readonly ReturnRow[]>(
      RETURN_JOB,
      values,
      (home) => ({ home, known, elsewhere }),
      (own) => {
        rows.push(...own);
        for (const row of own) console.log(rowText(row));
      },
    );
    report(rows);
    return rows.some(isWrong) ? 1 : 0;
  },
});
