import type { Option } from "../frame/command.ts";
import { UsageError } from "../frame/errors.ts";
import { isPageName } from "./report-files.ts";
import { CORES } from "./runs.ts";

/** Options of the commands that replay many times. */
export const RUN_OPTIONS = {
  truth: {
    type: "string",
    value: "<scenario>",
    help: "score maps by the true geometry, too: the scenario that all recordings were simulated of",
  },
  results: {
    type: "string",
    short: "r",
    value: "<file>",
    default: "tune.jsonl",
    help: "where scores are kept, one JSON line each (default tune.jsonl); replays whose score is there are not done again",
  },
  workers: {
    type: "string",
    short: "w",
    value: "<n>",
    default: String(CORES),
    help: "replays at a time (default: one per core; 1 for times that nothing else disturbs)",
  },
  queue: {
    type: "string",
    value: "<address>",
    help: "have the replays done by the machines that lend cores there (see brinkmap lend --help) instead of here: redis://127.0.0.1:6379, or rediss://<host>:6379 with a password in BRINKMAP_QUEUE_PASSWORD",
  },
  report: {
    type: "string",
    value: "<file>",
    help: "write the result as a page, too (HTML, one file), and as JSON beside it",
  },
  json: { type: "boolean", help: "print the result as JSON" },
} as const satisfies Record<string, Option>;

export const RUN_EXITS = {
  1: "a replay failed, or an error of the program",
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
