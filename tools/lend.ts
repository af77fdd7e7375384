import { statSync } from "node:fs";
import { mainOf, runIfStarted } from "./frame/command.ts";
import { UsageError } from "./frame/errors.ts";
import { untilInterrupted } from "./frame/interrupt.ts";
import { oneExpected, wholeOption } from "./frame/values.ts";
import { parseServer } from "./queue/address.ts";
import { loadQueue } from "./queue/load.ts";
import { CORES } from "./tune/runs.ts";

export const main = mainOf({
  name: "lend",
  usage: "[options] <address>",
  about:
    "Lends this machine's cores to a tune that was given the same --queue: redis://127.0.0.1:6379, or rediss://<host>:6379 with a password (docs/tuning.md).",
  options: {
    workers: {
      type: "string",
      short: "w",
      value: "<n>",
      default: String(CORES),
      help: "replays at a time (default: one per core)",
    },
    recordings: {
      type: "string",
      multiple: true,
      value: "<folder>",
      help: "folder that may have the recordings already, under any name; may be repeated. Missing ones are fetched from the tune",
    },
    keep: {
      type: "string",
      value: "<folder>",
      help: "folder for fetched recordings (default: a temporary folder)",
    },
  },
  notes:
    "It works until Ctrl-C, and then finishes the replays in progress. The password may be in BRINKMAP_QUEUE_PASSWORD.",
  exits: { 0: "stopped", 3: "a folder is missing", 6: "the queue cannot be used" },
  async run({ values, positionals }) {
    const address = oneExpected(positionals, "the address of a queue");
    const workers = wholeOption(values, "workers", 1, 1024);
    const { recordings: folders = [], keep = null } = values;
    for (const folder of folders) {
      if (!statSync(folder).isDirectory()) throw new UsageError(`--recordings ${folder} is not a folder`);
    }
    const server = parseServer(address);
    const { lend } = await loadQueue(() => import("./queue/lender.ts"));
    const say = (line: string) => console.error(`lend: ${line}`);
    const done = await untilInterrupted((signal) => lend({ server, workers, folders, keep, say }, signal));
    console.log(`${done} replays done`);
    return 0;
  },
});

await runIfStarted(import.meta.url, main);
