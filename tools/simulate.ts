import { readFile } from "node:fs/promises";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { SingleBar } from "cli-progress";
import { createRecording } from "../src/record/file.ts";
import { ScenarioError } from "./simulate/fields.ts";
import { loadScenario, type Scenario, simulateEvents } from "./simulate/scenario.ts";

const HELP = `Usage: simulate [options] <scenario.json> <recording>    render a scenario into a recording with truth
  -e, --exact         no noise, errors or drift: exact depth, ideal inertial sensors and wheels
  -r, --repeat <n>    drive the lap n times instead of the scenario's own number
  -f, --force         overwrite the recording if it is there
  -h, --help          show this text
Exit codes: 0 done, 1 internal error, 2 wrong usage, 3 scenario missing or unfit, 4 recording cannot be written`;
const options = {
  exact: { type: "boolean", short: "e" },
  repeat: { type: "string", short: "r" },
  force: { type: "boolean", short: "f" },
  help: { type: "boolean", short: "h" },
} as const;

/** Scenario files are small; a larger one is something else. */
const LARGEST_SCENARIO = 16 * 1024 * 1024;

async function readScenario(path: string, exact: boolean, repeat: number | undefined): Promise<Scenario> {
  const text = await readFile(path, "utf8");
  if (text.length > LARGEST_SCENARIO) {
    throw new ScenarioError(
      `the file has ${text.length} characters; give a scenario of at most ${LARGEST_SCENARIO}`,
    );
  }
  let json: unknown;
  try {
    json = JSON.parse(text);
  } catch (error) {
    throw new ScenarioError(`not JSON: ${(error as Error).message}`);
  }
  return loadScenario(json, repeat === undefined ? { exact } : { exact, repeat });
}

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string): number => {
    console.error(`simulate: ${why}`);
    return code;
  };
  let scenarioPath = "";
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
    const scenario = await readScenario(from, values.exact ?? false, repeat);
    const recording = await createRecording(
      to,
      {
        setup: scenario.setup,
        settings: { scenario: scenario.name, seed: scenario.seed, exact: values.exact ?? false },
        about: `simulated: ${scenario.name}`,
        software: "brinkmap simulate",
      },
      { overwrite: values.force ?? false },
    );
    const bar = new SingleBar({
      format: "simulate {bar} {percentage}% {value}/{total} s, {eta_formatted} left",
      stream: process.stderr,
      noTTYOutput: false,
      clearOnComplete: true,
    });
    bar.start(Math.round(scenario.lap * scenario.repeat), 0);
    let frames = 0;
    try {
      for (const event of simulateEvents(scenario, (done) => bar.update(Math.round(done)))) {
        if (event.kind === "depth") frames++;
        recording.write(event);
      }
    } finally {
      bar.stop();
      await recording.close();
    }
    console.log(`${to}: ${frames} frames, ${(scenario.lap * scenario.repeat).toFixed(1)} s`);
    return 0;
  } catch (error) {
    const { code = "", message } = error as NodeJS.ErrnoException;
    if (error instanceof ScenarioError) return fail(3, `${scenarioPath}: ${message}`);
    if (code.startsWith("ERR_PARSE_ARGS")) return fail(2, message);
    if (code === "EEXIST") return fail(4, `${message} (give --force to overwrite)`);
    if (["ENOENT", "EACCES", "EISDIR", "ENOSPC", "ENOTDIR"].includes(code)) {
      return fail(message.includes(scenarioPath) ? 3 : 4, message);
    }
    throw error;
  }
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
