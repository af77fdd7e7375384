import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { wholeOption } from "./options.ts";
import { executeAt } from "./queue/load.ts";
import { settingsFrom } from "./replay.ts";
import { draw, grid, parseTry } from "./tune/candidates.ts";
import type { Score } from "./tune/job.ts";
import { bestOf, CRITERIA, type Criterion, describeReport, makeReport } from "./tune/report.ts";
import { isPageName, mapPictures, writeReport } from "./tune/report-files.ts";
import { CORES, exitCodeOf, keyOf, openEntries, runAll, untilInterrupted } from "./tune/runs.ts";
import { readTruth } from "./tune/true-map.ts";

const HELP = `Usage: tune [options] <recording>...    which settings predict held-out frames better than those you have?
  -t, --try <name=a,b,c>  values of a setting to try; given again, all combinations of them are tried
      --random <n>        n random combinations instead; <name=low..high> then draws from a range
      --seed <n>          of the random combinations (default 1)
      --by <what>         agreement: what is missing and what is too much count alike; within: share of held-out pixels
                          predicted within 5 cm; error: their median depth error (default agreement)
      --set <name=value>, --settings <file>, --pose <source>   as for replay: the base that others are compared with
      --truth <scenario>  score maps by the true geometry, too: the scenario that all recordings were simulated of
  -r, --results <file>    where scores are kept, one JSON line each (default tune.jsonl). What is there already is not
                          done again: Ctrl-C keeps what is done, and the same command goes on
  -w, --workers <n>       replays at a time (default: one per core)
      --queue <address>   have the replays done by those who lend their cores there (see lend --help), instead of here:
                          redis://127.0.0.1:6379, or rediss://<host>:6379 with a password in BRINKMAP_QUEUE_PASSWORD
      --report <file>     write the report as a page too (HTML, one file), and as JSON beside it
      --json              print the report as JSON
  -h, --help              show this text
Exit codes: 0 done, 1 a replay failed or an internal error, 2 wrong usage, 3 recording missing or unreadable,
4 the results file cannot be used, 6 the queue cannot be used, 130 stopped`;
const options = {
  try: { type: "string", short: "t", multiple: true },
  random: { type: "string" },
  seed: { type: "string", default: "1" },
  by: { type: "string", default: CRITERIA[0] },
  set: { type: "string", multiple: true },
  settings: { type: "string" },
  pose: { type: "string" },
  truth: { type: "string" },
  results: { type: "string", short: "r", default: "tune.jsonl" },
  workers: { type: "string", short: "w", default: String(CORES) },
  queue: { type: "string" },
  report: { type: "string" },
  json: { type: "boolean" },
  help: { type: "boolean", short: "h" },
} as const;

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string) => {
    console.error(`tune: ${why}`);
    return code;
  };
  let isRunning = false;
  try {
    const { values, positionals } = parseArgs({ args, options, allowPositionals: true });
    if (values.help) {
      console.log(HELP);
      return 0;
    }
    if (positionals.length === 0) return fail(2, "expected recordings (see --help)");
    if (values.report !== undefined && !isPageName(values.report)) {
      return fail(2, `--report takes a file that ends in .html, got "${values.report}"`);
    }
    if (values.try === undefined) return fail(2, "nothing to try; give --try <name=a,b,c> (see --help)");
    const by = values.by as Criterion;
    if (!CRITERIA.includes(by)) return fail(2, `--by must be ${CRITERIA.join(" or ")}, got "${values.by}"`);
    const workers = wholeOption(values, "workers", 1, 1024);
    const seed = wholeOption(values, "seed", 0, 2 ** 32 - 1);
    const ranges = values.try.map(parseTry);
    const twice = ranges.find(({ name }, i) => ranges.findIndex((range) => range.name === name) !== i);
    if (twice !== undefined)
      return fail(2, `--try ${twice.name} is given twice; give all its values at once`);
    const drawn =
      values.random === undefined
        ? grid(ranges)
        : draw(ranges, wholeOption(values, "random", 1, 10_000), seed);
    const base = await settingsFrom(values.settings, values.set ?? []);
    if (values.pose !== undefined) base["pose.source"] = values.pose;

    const entries = await openEntries(positionals, await readTruth(values.truth));
    // Settings that come to the same are one candidate, and the base is none.
    const keys = new Set([entries.map((entry) => keyOf(entry, base)).join()]);
    const candidates = drawn
      .map((given) => ({ ...base, ...given }))
      .filter((settings) => {
        const key = entries.map((entry) => keyOf(entry, settings)).join();
        return !keys.has(key) && keys.add(key);
      });
    if (candidates.length === 0) return fail(2, "every setting to try is the base itself");

    const execute = await executeAt(values.queue, "tune");
    isRunning = true;
    const run = await untilInterrupted((signal) =>
      runAll(entries, [base, ...candidates], {
        results: values.results,
        workers,
        signal,
        what: "tune",
        ...execute,
      }),
    );
    for (const failure of run.failures) console.error(`tune: ${failure}`);
    if (run.left > 0) {
      return fail(
        130,
        `stopped with ${run.left} replays to go; ${values.results} keeps the others, the same command goes on`,
      );
    }
    const isWhole = (scores: readonly (Score | null)[]): scores is readonly Score[] => !scores.includes(null);
    const [own, ...rest] = run.scores;
    if (!isWhole(own!))
      return fail(1, "the base itself cannot be replayed, so nothing can be compared with it");
    const scored = candidates.flatMap((settings, i) => {
      const scores = rest[i]!;
      return isWhole(scores) ? [{ settings, scores }] : [];
    });
    const report = makeReport(entries, { settings: base, scores: own }, scored, by);
    const counts = { replayed: run.done, kept: run.kept };
    const all = JSON.stringify({ ...report, ...counts, failures: run.failures }, null, 2);
    if (values.report !== undefined) {
      const best = bestOf(report);
      const maps = await mapPictures(entries[0]!.path, [
        { name: "base", settings: base },
        ...(best === null ? [] : [{ name: "best", settings: best.settings }]),
      ]);
      // Loaded by those alone who want it.
      const { tunePage } = await import("./tune/tune-page.ts");
      await writeReport(values.report, tunePage(report, entries, maps), all);
    }
    if (values.json) console.log(all);
    else {
      console.log(`${run.done} replays done, ${run.kept} taken from ${values.results}`);
      console.log(describeReport(report).join("\n"));
    }
    return run.failures.length > 0 ? 1 : 0;
  } catch (error) {
    const code = exitCodeOf(error, isRunning);
    if (code !== null) return fail(code, (error as Error).message);
    throw error;
  }
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
