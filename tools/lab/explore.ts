import { noneExpected, wholeOption } from "../frame/values.ts";
import { runHomes } from "./floor/homes-loop.ts";
import { rateInterval } from "./floor/intervals.ts";

import type { ExploreJob, ExploreRow } from "./obey/explore-job.ts";
import { programOf, workersOption } from "./program.ts";

/** Runs in workers, as it was compiled. */
const EXPLORE_JOB = new URL("./obey/explore-job.js", import.meta.url);

const percent = (value: number): string => `${(100 * value).toFixed(1)} %`;
const quantile = (values: readonly number[], share: number): number =>
  values.toSorted((a, b) => a - b)[Math.min(values.length - 1, Math.floor(share * values.length))] ??
  Number.NaN;

const rowText = ({
  home,
  area,
  mapped,
  looks,
  way,
  time,
  finished,
  back,
  unseen,
  contacts,
  fall,
}: ExploreRow): string =>
  `${String(home).padStart(6)} ${area.toFixed(1).padStart(6)} m2 mapped ${percent(mapped).padStart(7)} looks ${String(looks).padStart(3)} way ${way.toFixed(1).padStart(5)} m in ${time.toFixed(0).padStart(4)} s, ` +
  `${Number.isNaN(finished) ? "not finished" : `finished at ${finished.toFixed(0)} s, ${back.toFixed(2)} m from its start`}, ${unseen.toFixed(2)} m2 unseen, ${contacts} contacts${fall === null ? "" : " FALL"}`;

function report(rows: readonly ExploreRow[]): void {
  const mapped = rows.map((row) => row.mapped);
  const falls = rows.filter(({ fall }) => fall !== null);
  const ended = rows.filter(({ finished }) => !Number.isNaN(finished));
  const back = rows.filter(({ back: far, returned }) => !Number.isNaN(returned) && far < 0.1);
  console.log(
    `mapped ${percent(quantile(mapped, 0.5))} (median), ${percent(quantile(mapped, 0.1))} in the worst tenth; ended by itself in ${ended.length} of ${rows.length}, back within 10 cm in ${back.length}`,
  );
  const [low, high] = rateInterval(falls.length, rows.length);
  console.log(
    `${rows.reduce((sum, { way }) => sum + way, 0).toFixed(0)} m in ${(rows.reduce((sum, { time }) => sum + time, 0) / 3600).toFixed(2)} h; ${rows.reduce((sum, { contacts }) => sum + contacts, 0)} contacts faster than 0.1 m/s; ${falls.length} falls, 95 % interval ${percent(low)} to ${percent(high)} of the homes (Clopper-Pearson)`,
  );
  for (const { home, again } of falls) console.log(`fall in home ${home}: npm run lab -- obey ${again}`);
}

export const main = programOf({
  name: "explore",
  usage: "[options]",
  about:
    "A usual base maps generated homes by itself, in closed loop: it asks its head where to look next, follows the way there within its pace, until nothing is left to see, and returns to its start. One line per home.",
  options: {
    homes: { type: "string", short: "n", value: "<n>", default: "20", help: "homes (default 20)" },
    seed: { type: "string", value: "<n>", default: "1", help: "number of the first home (default 1)" },
    seconds: { type: "string", value: "<n>", default: "600", help: "longest drive (default 600)" },
    knob: {
      type: "string",
      short: "k",
      multiple: true,
      value: "<name=value>",
      help: "a knob of the drives; `npm run lab -- obey --knobs` lists them; may be repeated",
    },
    workers: workersOption("processes that drive"),
  },
  notes:
    "Mapped: the share of the floor over which this body can stand, by the scene itself without people, that the head has mapped as floor.",
  exits: { 1: "a fall, or an internal error" },
  run: async ({ values, positionals }) => {
    noneExpected(positionals);
    const seconds = wholeOption(values, "seconds", 5, 7200);
    const changes = values.knob ?? [];
    const rows: ExploreRow[] = [];
    await runHomes<ExploreJob, ExploreRow>(
      EXPLORE_JOB,
      values,
      (home) => ({ home, seconds, changes }),
      (row) => {
        rows.push(row);
        console.log(rowText(row));
      },
    );
    report(rows);
    return rows.some(({ fall }) => fall !== null) ? 1 : 0;
  },
});
