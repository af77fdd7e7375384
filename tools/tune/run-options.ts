import type { Option } from "../frame/command.ts";
import { UsageError } from "../frame/errors.ts";
import { isPageName } from "./report-files.ts";
import { CORES } from "./runs.ts";

/** Options of the commands that replay many times. */
export const RUN_OPTIONS = {
  truth: {
    type: "string",
    value: "<scenario>",
    help: "score maps by the true geometry as well: the scenario of all recordings",
  },
  results: {
    type: "string",
    short: "r",
    value: "<file>",
    default: "tune.jsonl",
    help: "results file, one JSON line per score (default tune.jsonl); replays with a score in it are not repeated",
  },
  workers: {
    type: "string",
    short: "w",
    value: "<n>",
    default: String(CORES),
    help: "replays at a time (default: one per core; use 1 for reliable times)",
  },
  queue: {
    type: "string",
    value: "<address>",
    help: "replay on the machines that lend cores there (see brinkmap lend --help), and not here: redis://127.0.0.1:6379, or rediss://<host>:6379 with a password in BRINKMAP_QUEUE_PASSWORD",
  },
  report: {
    type: "string",
    value: "<file>",
    help: "write the result as a page (HTML, one file), and as JSON beside it",
  },
  json: { type: "boolean", help: "print the result as JSON" },
} as const satisfies Record<string, Option>;

export const RUN_EXITS = {
  1: "a replay failed, or internal error",
  3: "recording missing or unreadable",
  4: "the results file or the report cannot be written",
  6: "the queue cannot be used",
  130: "stopped",
} as const;

/** The page's name, null when none is asked for. @throws {UsageError} when it is not one of a page */
export function reportName(given: string | undefined): string | null {
  if (given === undefined || isPageName(given)) return given ?? null;
  throw new UsageError(`--report takes a file that ends in .html, got "${given}"`);
}
