import { statSync } from "node:fs";
import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { wholeOption } from "./options.ts";
import { parseServer, QueueError } from "./queue/address.ts";
import { loadQueue } from "./queue/load.ts";
import { CORES, untilInterrupted } from "./tune/runs.ts";

const HELP = `Usage: lend [options] <address>    lends this machine's cores to a tune that was given the same --queue
                          redis://127.0.0.1:6379, or rediss://<host>:6379 with a password (docs/tuning.md)
  -w, --workers <n>       replays at a time (default: one per core)
      --recordings <folder>   where recordings may lie already, under any name; again for several. What is not there
                          is fetched from the tune
      --keep <folder>     where recordings that are fetched stay (default: a folder that is removed at the end)
  -h, --help              show this text
It lends until Ctrl-C, and then finishes what it has begun. The password may be in BRINKMAP_QUEUE_PASSWORD.
Exit codes: 0 stopped, 1 internal error, 2 wrong usage, 3 a folder is missing, 6 the queue cannot be used`;
const options = {
  workers: { type: "string", short: "w", default: String(CORES) },
  recordings: { type: "string", multiple: true },
  keep: { type: "string" },
  help: { type: "boolean", short: "h" },
} as const;

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string): number => {
    console.error(`lend: ${why}`);
    return code;
  };
  try {
    const { values, positionals } = parseArgs({ args, options, allowPositionals: true });
    if (values.help) {
      console.log(HELP);
      return 0;
    }
    if (positionals.length !== 1) return fail(2, "expected the address of a queue (see --help)");
    const workers = wholeOption(values, "workers", 1, 1024);
    const { recordings: folders = [], keep = null } = values;
    const missing = folders.find((folder) => !statSync(folder, { throwIfNoEntry: false })?.isDirectory()); // biome-ignore format: one line
    if (missing !== undefined) return fail(3, `--recordings ${missing} is no folder`);
    const server = parseServer(positionals[0]!);
    const { lend } = await loadQueue(() => import("./queue/lender.ts"));
    const say = (line: string) => console.error(`lend: ${line}`);
    const done = await untilInterrupted((signal) => lend({ server, workers, folders, keep, say }, signal));
    console.log(`${done} replays done`);
    return 0;
  } catch (error) {
    const { code = "", message } = error as NodeJS.ErrnoException;
    if (error instanceof QueueError) return fail(6, message);
    if (code.startsWith("ERR_PARSE_ARGS") || error instanceof RangeError) return fail(2, message);
    throw error;
  }
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
