import { Progress } from "../../frame/progress.ts";
import { wholeOption } from "../../frame/values.ts";
import { runJobs } from "./jobs.ts";

/** Values of the options that scores over homes share, as typed. */
export interface HomesValues {
  readonly homes: string;
  readonly seed: string;
  readonly workers: string;
}

/**
 * Runs a job for each home in threads, with a progress bar.
 * @param script see `runJobs`
 * @param jobFor the job of a home, by its number
 * @param done   called with each result when it is ready
 * @throws {UsageError} for options that are no such numbers, and what a job throws
 */
export async function runHomes<Job, Result>(
  script: URL,
  values: HomesValues,
  jobFor: (home: number) => Job,
  done: (result: Result) => void,
): Promise<void> {
  const [homes, first] = [wholeOption(values, "homes", 1, 1_000_000), wholeOption(values, "seed", 0)];
  const bar = new Progress("homes", "lines");
  let [next, ended] = [0, 0];
  try {
    await runJobs<Job, Result>(
      script,
      wholeOption(values, "workers", 1, 256),
      () => (next < homes ? jobFor(first + next++) : null),
      (result) => {
        done(result);
        bar.show(++ended / homes);
      },
    );
  } finally {
    bar.stop();
  }
}
