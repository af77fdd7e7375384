import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { ScenarioError } from "../src/simulate/fields.ts";
import { recordScenario } from "../src/simulate/record.ts";
import { UsageError } from "./frame/errors.ts";
import { Progress } from "./frame/progress.ts";
import { parseScenario, readScenarioJson, setField } from "./scenario-file.ts";

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

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string): number => {
    console.error(`simulate: ${why}`);
    return code;
  };
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
    const json = await readScenarioJson(from);
    for (const setting of values.set ?? []) setField(json, setting);
    const exact = values.exact ?? false;
    const scenario = parseScenario(from, json, repeat === undefined ? { exact } : { exact, repeat });
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
    if (error instanceof ScenarioError) return fail(3, message);
    if (error instanceof UsageError || code.startsWith("ERR_PARSE_ARGS")) return fail(2, message);
    if (code === "EEXIST") return fail(4, `${message} (give --force to overwrite)`);
    if (["ENOENT", "EACCES", "EISDIR", "ENOSPC", "ENOTDIR"].includes(code)) {
      return fail(isLoaded ? 4 : 3, message);
    }
    throw error;
  }
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
