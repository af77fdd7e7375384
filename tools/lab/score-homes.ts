import { appendFile, mkdir } from "node:fs/promises";
import { dirname } from "node:path";
import { noneExpected, wholeOption } from "../frame/values.ts";
import { runHomes } from "./floor/homes-loop.ts";
import { rateInterval } from "./floor/intervals.ts";
import type { HomeJob, HomeRow, PoseErrors } from "./obey/home-drive.ts";
import { programOf, workersOption } from "./program.ts";

/** Runs in workers, as it was compiled. */
const HOME_JOB = new URL("./obey/home-drive.js", import.meta.url);

const metres = (value: number): string => value.toFixed(3).padStart(7);
const percent = (value: number): string => `${(100 * value).toFixed(1).padStart(5)} %`;
const errorsText = ({ rms, worst, end }: PoseErrors): string =>
  `${metres(rms)} ${metres(worst)} ${metres(end)}`;

function rowText({
  home,
  way,
  tracked,
  reckoned,
  beyond,
  lost,
  held,
  stuck,
  contacts,
  fall,
}: HomeRow): string {
  return (
    `${String(home).padStart(6)} ${way.toFixed(1).padStart(6)}  ${errorsText(tracked)}  ${errorsText(reckoned)}` +
    `  ${((180 * tracked.worstYaw) / Math.PI).toFixed(1).padStart(5)}  ${percent(beyond)} ${percent(lost)} ${percent(held)} ${percent(stuck)} ${String(contacts).padStart(4)}${fall === null ? "" : " FALL"}`
  );
}

/** The value below which a share of the sorted values lies. */
const quantile = (values: readonly number[], share: number): number =>
  values.toSorted((a, b) => a - b)[Math.min(values.length - 1, Math.floor(share * values.length))]!;

function report(rows: readonly HomeRow[]): void {
  const mean = (of: (row: HomeRow) => number): number =>
    rows.reduce((sum, row) => sum + of(row) * row.time, 0) / rows.reduce((sum, row) => sum + row.time, 0);
  const line = (name: string, of: (row: HomeRow) => number): void => {
    const values = rows.map(of);
    console.log(
      `${name.padEnd(34)} median ${metres(quantile(values, 0.5))}  nine in ten ${metres(quantile(values, 0.9))}  worst ${metres(Math.max(...values))}`,
    );
  };
  line("tracked, rms of a home, m", ({ tracked }) => tracked.rms);
  line("tracked, worst of a home, m", ({ tracked }) => tracked.worst);
  line("wheels with gyro, rms of a home, m", ({ reckoned }) => reckoned.rms);
  line("wheels with gyro, worst, m", ({ reckoned }) => reckoned.worst);
  line("while held, worst, m", ({ worstHeld }) => worstHeld);
  const worse = rows.filter(({ tracked, reckoned }) => tracked.rms > reckoned.rms).length;
  console.log(`tracked is worse than wheels with gyro in ${worse} of ${rows.length} homes`);
  console.log(
    `beyond three sigma ${percent(mean(({ beyond }) => beyond))}, lost ${percent(mean(({ lost }) => lost))}, held ${percent(mean(({ held }) => held))}, no motion permitted ${percent(mean(({ stuck }) => stuck))} of the time`,
  );
  const falls = rows.filter(({ fall }) => fall !== null);
  const [low, high] = rateInterval(falls.length, rows.length);
  const contacts = rows.reduce((sum, row) => sum + row.contacts, 0);
  console.log(
    `${rows.reduce((sum, { way }) => sum + way, 0).toFixed(0)} m in ${(rows.reduce((sum, { time }) => sum + time, 0) / 3600).toFixed(2)} h; ${contacts} contacts faster than 0.1 m/s; ${falls.length} falls, 95 % interval ${(100 * low).toFixed(2)} to ${(100 * high).toFixed(2)} % of the homes (Clopper-Pearson)`,
  );
  for (const { home, again } of falls) console.log(`fall in home ${home}: npm run lab -- obey ${again}`);
}

export const main = programOf({
  name: "score-homes",
  usage: "[options]",
  about:
    "Drives a usual base, in closed loop, through generated homes, and compares its tracked pose with the truth and with its wheels. One line per home.",
  options: {
    homes: { type: "string", short: "n", value: "<n>", default: "100", help: "homes (default 100)" },
    seed: { type: "string", value: "<n>", default: "1", help: "number of the first home (default 1)" },
    seconds: { type: "string", value: "<n>", default: "120", help: "of each drive (default 120)" },
    knob: {
      type: "string",
      short: "k",
      multiple: true,
      value: "<name=value>",
      help: "a knob of the drives; `npm run lab -- obey --knobs` lists them; may be repeated",
    },
    workers: workersOption("processes that drive"),
    out: {
      type: "string",
      short: "o",
      value: "<file>",
      default: "out/homes.jsonl",
      help: "one JSON object per home, appended (default out/homes.jsonl)",
    },
  },
  notes:
    "Columns: home, way in metres; error of the tracked pose (rms, worst, end) and of wheels with a gyro's heading, metres; worst heading of the tracked pose, degrees; shares of the frames beyond three reported sigmas, lost, held; share of the time without a permitted motion; contacts faster than 0.1 m/s.",
  exits: { 1: "a fall, or an internal error" },
  run: async ({ values, positionals }) => {
    noneExpected(positionals);
    const seconds = wholeOption(values, "seconds", 5, 3600);
    const changes = values.knob ?? [];
    await mkdir(dirname(values.out), { recursive: true });
    const rows: HomeRow[] = [];
    let written = Promise.resolve();
    console.log(
      "  home    way  tracked rms, worst, end   wheels rms, worst, end    yaw   beyond    lost    held   stuck  hits",
    );
    await runHomes<HomeJob, HomeRow>(
      HOME_JOB,
      values,
      (home) => ({ home, seconds, changes }),
      (row) => {
        rows.push(row);
        written = written.then(() => appendFile(values.out, `${JSON.stringify({ ...row, changes })}\n`));
        console.log(rowText(row));
      },
    );
    await written;
    report(rows);
    return rows.some(({ fall }) => fall !== null) ? 1 : 0;
  },
});
