import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { pino } from "pino";
import { resolveConfig } from "../src/service/config.ts";
import { readPlayed } from "../src/service/playing/recordings-folder.ts";
import { Service } from "../src/service/service.ts";
import { ScenarioError } from "../src/simulate/fields.ts";
import { provideDemo } from "./demo/recording.ts";
import { readScenario, STUDIO } from "./scenario-file.ts";
import { pageAddress, VIEWER } from "./serve/page.ts";

const HELP = `Usage: start [options]    the demo, driven through the head in the service, with a page to see it
  -p, --port <n>          where it listens, on this machine only (default 4917; 0 takes any that is free)
  -o, --out <folder>      where the demo's recording is kept (default out)
      --scenario <file>   drive through another scenario (default: the pottery studio)
  -h, --help              show this text
The first time it renders the demo, which takes under a minute. Ctrl-C ends it.
Without a page: npm run demo. A head of your own: npm run serve -- --help
Exit codes: 0 stopped by a signal, 1 failed, 2 wrong usage, 3 scenario missing or unfit, 4 folder or port cannot be had`;
const options = {
  port: { type: "string", short: "p" },
  out: { type: "string", short: "o" },
  scenario: { type: "string" },
  help: { type: "boolean", short: "h" },
} as const;

const CAUTION =
  "This is not a safety device: keep an independent hardware stop, and read the cautions in README.md.";

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string): number => {
    console.error(`start: ${why}`);
    return code;
  };
  let isLoaded = false;
  try {
    const { values, positionals } = parseArgs({ args, options, allowPositionals: true });
    if (values.help) {
      console.log(HELP);
      return 0;
    }
    if (positionals.length > 0) return fail(2, `"${positionals[0]}" is not expected (see --help)`);
    const port = Number(values.port ?? 4917);
    if (!(Number.isInteger(port) && port >= 0 && port <= 65535)) {
      return fail(2, `--port must be a whole number from 0 to 65535, got "${values.port}"`);
    }
    const scenario = await readScenario(values.scenario ?? STUDIO);
    isLoaded = true;
    const folder = values.out ?? "out";
    const path = await provideDemo(scenario, folder);
    const service = await Service.start({
      config: resolveConfig({
        listen: { port },
        recordings: { folder },
        ...(VIEWER !== undefined && { viewer: VIEWER }),
      }),
      log: pino({ level: "warn" }, pino.destination({ fd: 2, sync: true })),
      played: await readPlayed(path),
    });
    console.log(`The demo drives. See it at ${pageAddress(service.url)} (Ctrl-C ends it)\n${CAUTION}`);
    let isSignalled = false;
    for (const signal of ["SIGINT", "SIGTERM"] as const) {
      process.once(signal, () => {
        isSignalled = true;
        void service.stop(signal);
      });
    }
    await service.stopped;
    return isSignalled ? 0 : 1;
  } catch (error) {
    const { code = "", message } = error as NodeJS.ErrnoException;
    if (code.startsWith("ERR_PARSE_ARGS")) return fail(2, message);
    if (error instanceof ScenarioError) return fail(3, message);
    if (code === "EADDRINUSE") return fail(4, `${message}; is it running already? --port 0 takes any port`);
    if (["EACCES", "ENOENT", "EISDIR", "EEXIST", "ENOTDIR", "ENOSPC", "EROFS"].includes(code)) {
      return fail(isLoaded ? 4 : 3, message);
    }
    throw error;
  }
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
