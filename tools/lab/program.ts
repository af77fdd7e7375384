import { availableParallelism } from "node:os";
import { type Command, mainOf, type Options } from "../frame/command.ts";

/** The `main` of a program of the lab: a command that is called by `npm run lab`. */
export const programOf = <const O extends Options>(
  program: Omit<Command<O>, "within">,
): ((args: string[]) => Promise<number>) => mainOf<O>({ ...program, within: "npm run lab --" });

/** The option of programs that work in several processes. @param work what one of them does */
export const workersOption = (work: string) =>
  ({
    type: "string",
    short: "w",
    value: "<n>",
    default: String(availableParallelism()),
    help: `${work} (default: one per core)`,
  }) as const;

/** The option of programs that keep the scores of replays. */
export const RESULTS_OPTION = {
  type: "string",
  short: "r",
  value: "<file>",
  help: "results file, one JSON line per score (default: none)",
} as const;
