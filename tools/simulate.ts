import { readFile, stat } from "node:fs/promises";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { createRecording } from "../src/record/file.ts";
import { simulateEvents } from "../src/simulate/events.ts";
import { ScenarioError } from "../src/simulate/fields.ts";
import { loadScenario, type Scenario } from "../src/simulate/scenario.ts";
import { Progress } from "./frame/progress.ts";

const HELP = `Usage: simulate [options] <scenario.json> <recording>    render a scenario into a recording with truth
  -e, --exact         no noise, errors or drift: exact depth, ideal inertial sensors and wheels
  -r, --repeat <n>    drive the lap n times instead of the scenario's own number
  -s, --set <f>=<v>   put JSON value v in field f of the scenario before it is read; may be given again.
                      Fields are joined by dots, list entries by number: -s sensors.0.rate=15
  -f, --force         overwrite the recording if it is there
  -h, --help          show this text
Exit codes: 0 done, 1 internal error, 2 wrong usage, 3 scenario missing or unfit, 4 recording cannot be written`;
const options = {
  exact: { type: "boolean", short: "e" },
  repeat: { type: "string", short: "r" },
  set: { type: "string", short: "s", multiple: true },
  force: { type: "boolean", short: "f" },
  help: { type: "boolean", short: "h" },
} as const;

/** Bytes. Scenario files are small; a larger one is something else. */
const LARGEST_SCENARIO = 16 * 1024 * 1024;

/** Wrong arguments. */
class UsageError extends Error {
  override readonly name = "UsageError";
}

/** Puts a value into a field of parsed JSON, "field.0.field=value". */
export function setField(json: unknown, setting: string): void {
  const [, path, text] = /^([\w.-]+)=(.*)$/s.exec(setting) ?? [];
  if (!path || text === undefined) throw new UsageError(`--set "${setting}": give field=value`);
  let value: unknown;
  try {
    value = JSON.parse(text);
  } catch {
    throw new UsageError(`--set "${setting}": "${text}" is not JSON (a text needs quotes)`);
  }
  const names = path.split(".");
  const last = names.pop()!;
  let at = json;
  for (const name of names) at = isOwn(at, name) ? at[name] : undefined;
  if (typeof at !== "object" || at === null || last === "__proto__") {
    throw new UsageError(`--set "${setting}": the scenario has no "${names.join(".")}"`);
  }
  (at as Record<string, unknown>)[last] = value;
}

const isOwn = (value: unknown, name: string): value is Record<string, unknown> =>
  typeof value === "object" && value !== null && Object.hasOwn(value, name);

export async function readJson(path: string): Promise<unknown> {
  const { size } = await stat(path);
  if (size > LARGEST_SCENARIO) {
    throw new ScenarioError(`the file has ${size} bytes; give a scenario of at most ${LARGEST_SCENARIO}`);
  }
  try {
    return JSON.parse(await readFile(path, "utf8"));
  } catch (error) {
    if (error instanceof SyntaxError) throw new ScenarioError(`not JSON: ${error.message}`);
    throw error;
  }
}

/**
 * Renders a scenario into a recording.
 * @param options.about what else the header tells of the making
 * @param options.onProgress called now and then with the seconds that are done
 * @returns the number of depth frames
 * @throws file errors; EEXIST if the recording is there and `overwrite` is false
 */
export async function recordScenario(
  scenario: Scenario,
  to: string,
  options: {
    readonly about?: Readonly<Record<string, unknown>>;
    readonly overwrite?: boolean;
    readonly onProgress?: (done: number) => void;
  } = {},
): Promise<number> {
  const { about = {}, overwrite = false, onProgress } = options;
  const recording = await createRecording(
    to,
    {
      setup: scenario.setup,
      settings: {
        scenario: scenario.name,
        seed: scenario.seed,
        repeat: scenario.repeat,
        ...about,
        // What the sensors' own data sheets would say: amplitude gates, modulation frequency and the like.
        noise: scenario.sensors.map(({ noise }) => noise),
      },
      about: `simulated: ${scenario.name}`,
      software: "brinkmap simulate",
    },
    { overwrite },
  );
  let frames = 0;
  try {
    for (const event of simulateEvents(scenario, onProgress)) {
      if (event.kind === "depth") frames++;
      recording.write(event);
    }
  } finally {
    await recording.close();
  }
  return frames;
}

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string): number => {
    console.error(`simulate: ${why}`);
    return code;
  };
  let scenarioPath = "";
  let isLoaded = false;
  try {
    const { values, positionals } = parseArgs({ args, options, allowPositionals: true });
    if (values.help) {
      console.log(HELP);
      return 0;
    }
    const [from, to, ...rest] = positionals;
    if (!from || !to || rest.length > 0) return fail(2, "expected a scenario and a recording (see --help)");
    const repeat = values.repeat === undefined ? undefined : Number(values.repeat);
    if (repeat !== undefined && !(Number.isInteger(repeat) && repeat >= 1 && repeat <= 10_000)) {
      return fail(2, `--repeat must be a whole number from 1 to 10000, got "${values.repeat}"`);
    }
    scenarioPath = from;
    const json = await readJson(from);
    for (const setting of values.set ?? []) setField(json, setting);
    const exact = values.exact ?? false;
    const scenario = loadScenario(json, repeat === undefined ? { exact } : { exact, repeat });
    isLoaded = true;
    const bar = new Progress("rendering");
    const seconds = scenario.lap * scenario.repeat;
    let frames = 0;
    try {
      frames = await recordScenario(scenario, to, {
        about: { exact, set: values.set ?? [] },
        overwrite: values.force ?? false,
        onProgress: (done) => bar.show(done / seconds),
      });
    } finally {
      bar.stop();
    }
    console.log(`${to}: ${frames} frames, ${seconds.toFixed(1)} s`);
    return 0;
  } catch (error) {
    const { code = "", message } = error as NodeJS.ErrnoException;
    if (error instanceof ScenarioError) return fail(3, `${scenarioPath}: ${message}`);
    if (error instanceof UsageError || code.startsWith("ERR_PARSE_ARGS")) return fail(2, message);
    if (code === "EEXIST") return fail(4, `${message} (give --force to overwrite)`);
    if (["ENOENT", "EACCES", "EISDIR", "ENOSPC", "ENOTDIR"].includes(code)) {
      return fail(isLoaded ? 4 : 3, message);
    }
    throw error;
  }
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
