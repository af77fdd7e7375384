import { dirname, join } from "node:path";
import { readConfig, resolveConfig } from "../src/service/config.ts";
import { CAUTION, mainOf, runIfStarted } from "./frame/command.ts";
import { reading, UsageError } from "./frame/errors.ts";
import { untilInterrupted } from "./frame/interrupt.ts";
import { Progress } from "./frame/progress.ts";
import { noneExpected, numberOf, wholeOption } from "./frame/values.ts";
import { describeAges, watchAges } from "./measure/ages.ts";
import { type BoardState, readBoardState } from "./measure/board-state.ts";
import { type Findings, findingsOf } from "./measure/findings.ts";
import { type Measured, measureFrames, type Plan } from "./measure/frame-cost.ts";
import { STUDIO } from "./scenario-file.ts";

/** A camera of 640 x 480 pixels and 62 degrees, where no settings file names one. */
const CAMERA: Plan["optics"] = {
  model: "pinhole",
  width: 640,
  height: 480,
  fx: 530,
  fy: 530,
  cx: 319.5,
  cy: 239.5,
  measures: "z",
  unit: 0.001,
  minRange: 0.2,
  maxRange: 5,
};

export const main = mainOf({
  name: "measure",
  usage: ["[options]", "--live http://<head>:4917 [--seconds <n>]"],
  about:
    "Measures how fast this board is with its camera: the cost of a frame by stage, headroom, temperature, and what to set. Frames are simulated, so no camera is needed; stop the head first, or both share the board.",
  options: {
    settings: {
      type: "string",
      short: "c",
      value: "<file>",
      help: "settings file of the head, for its camera and settings (default: a camera of 640 x 480 pixels)",
    },
    sensor: {
      type: "string",
      value: "<name>",
      help: "which camera of the settings file (default: its first)",
    },
    rate: { type: "string", value: "<n>", default: "30", help: "frames a second of the camera (default 30)" },
    seconds: {
      type: "string",
      value: "<n>",
      default: "30",
      help: "how long the board is kept busy (default 30). A small board needs minutes to get warm",
    },
    live: {
      type: "string",
      value: "<address>",
      help: "instead: ages of a running head's reaches for --seconds, http://<head>:4917. 60 seconds show a minute",
    },
    json: { type: "boolean", help: "print the figures as JSON" },
  },
  notes: `A token for --live is taken from BRINKMAP_TOKEN.
${CAUTION}`,
  exits: { 3: "the settings file is missing or invalid, or no head answers" },
  async run({ values, positionals }) {
    noneExpected(positionals);
    if (values.live !== undefined)
      return live(values.live, wholeOption(values, "seconds", 1, 3600), values.json);
    const { settings: file } = values;
    const config = file === undefined ? resolveConfig({}) : await reading(file, () => readConfig(file));
    const rate = numberOf("rate", values.rate!);
    if (!(rate > 0 && rate <= 120))
      throw new UsageError(`--rate must be above 0 and at most 120, got ${rate}`);
    const seconds = wholeOption(values, "seconds", 1, 3600);
    const optics = opticsOf(config.sensors, values.sensor);
    const scenario = join(dirname(STUDIO), "yard-room.json");
    const before = await readBoardState();
    const bar = new Progress("measuring");
    let measured: Measured;
    try {
      const plan = {
        optics,
        mostPixels: config.mostPixels,
        rate,
        settings: config.settings,
        seconds,
        scenario,
      };
      measured = measureFrames(plan, (share) => bar.show(share));
    } finally {
      bar.stop();
    }
    const after = await readBoardState();
    const findings = findingsOf(measured, rate, before, after);
    if (values.json)
      console.log(JSON.stringify({ ...findings, frames: measured.costs.length, before, after }, null, 2));
    else console.log(describe(measured, { rate, findings, before, after }).join("\n"));
    return 0;
  },
});

/** Ages of a running head. */
async function live(address: string, seconds: number, isJson = false): Promise<number> {
  if (!URL.canParse(address) || !["http:", "https:"].includes(new URL(address).protocol)) {
    throw new UsageError(
      `--live takes the address of a head's page, http://127.0.0.1:4917, got "${address}"`,
    );
  }
  const ages = await untilInterrupted((signal) => watchAges(address, seconds, signal));
  console.log(isJson ? JSON.stringify(ages, null, 2) : describeAges(ages).join("\n"));
  return 0;
}

function opticsOf(
  sensors: readonly { readonly name: string; readonly optics: Measured["camera"] }[],
  name: string | undefined,
): Plan["optics"] {
  const found = sensors.find((sensor) =>
    name === undefined ? sensor.optics.model !== "scan" : sensor.name === name,
  );
  if (found === undefined && name !== undefined) {
    const names = sensors.map((sensor) => `"${sensor.name}"`).join(", ");
    throw new UsageError(`--sensor "${name}" is none of the settings file's: ${names || "it names none"}`);
  }
  if (found === undefined) return CAMERA;
  if (found.optics.model === "scan")
    throw new UsageError(`--sensor "${found.name}" is a planar scan, not a camera`);
  return found.optics;
}

interface Shown {
  readonly rate: number;
  readonly findings: Findings;
  readonly before: BoardState;
  readonly after: BoardState;
}

/** The figures as lines for people. */
function describe({ costs, camera, worked }: Measured, { rate, findings, before, after }: Shown): string[] {
  const size = ({ width, height }: Measured["camera"]): string => `${width} x ${height}`;
  const { stages, busy, mostRate, slowdown, advice } = findings;
  const binned = worked === camera ? "" : `, binned to ${size(worked)}`;
  const number = (value: number): string => value.toFixed(2).padStart(9);
  const degrees = ({ temperature }: BoardState): string => `${temperature?.toFixed(0)}`;
  const heat =
    after.temperature === null
      ? "not told by this machine"
      : `${degrees(before)} to ${degrees(after)} degrees${after.limit === null ? "" : `; slows down at ${after.limit.toFixed(0)}`}`;
  const clock =
    after.clock === null
      ? "not told by this machine"
      : `${after.clock.toFixed(0)} of ${after.highestClock!.toFixed(0)} MHz (${after.governor ?? "unknown governor"})`;
  return [
    `camera        ${size(camera)} at ${rate} a second${binned}; ${costs.length} frames`,
    "",
    "ms a frame       median     99 %",
    ...stages.map(({ name, median, most }) => `${name.padEnd(14)}${number(median)}${number(most)}`),
    "",
    `busy          ${(100 * busy).toFixed(0)} % of a core at this rate; at most ${mostRate.toFixed(0)} frames a second`,
    `while busy    ${slowdown > 1 ? "slower" : "faster"} by ${(100 * Math.abs(slowdown - 1)).toFixed(0)} % from the first to the last quarter`,
    `temperature   ${heat}`,
    `clock         ${clock}`,
    ...(advice.length === 0
      ? ["", "nothing to change"]
      : ["", "to change", ...advice.map((line) => `- ${line}`)]),
  ];
}

await runIfStarted(import.meta.url, main);
