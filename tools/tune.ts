import { mainOf, runIfStarted } from "./frame/command.ts";
import { checkFile, EXIT, UsageError, writing } from "./frame/errors.ts";
import { untilInterrupted } from "./frame/interrupt.ts";
import { wholeOption } from "./frame/values.ts";
import { executeAt } from "./queue/load.ts";
import { givenSettings, SETTINGS_OPTIONS } from "./replay/given-settings.ts";
import { draw, grid, parseTry } from "./tune/candidates.ts";
import type { Score } from "./tune/job.ts";
import { bestOf, CRITERIA, type Criterion, describeReport, makeReport, type Report } from "./tune/report.ts";
import { mapPictures, writeReport } from "./tune/report-files.ts";
import { RUN_EXITS, RUN_OPTIONS, reportName } from "./tune/run-options.ts";
import { type Entry, type Given, keyOf, openEntries, runAll } from "./tune/runs.ts";
import { readTruth } from "./tune/true-map.ts";

export const main = mainOf({
  name: "tune",
  usage: "[options] <recording>...",
  about: "Finds settings that predict held-out frames better than the baseline.",
  options: {
    try: {
      type: "string",
      short: "t",
      multiple: true,
      value: "<name=a,b,c>",
      help: "values of a setting to try; may be repeated, then all combinations are tried",
    },
    random: {
      type: "string",
      value: "<n>",
      help: "try n random combinations instead; <name=low..high> then draws from a range",
    },
    seed: { type: "string", value: "<n>", default: "1", help: "seed of the random combinations (default 1)" },
    by: {
      type: "string",
      value: "<what>",
      default: CRITERIA[0],
      help: "score: agreement (missing and surplus surface count alike); within: share of held-out pixels predicted within 5 cm; error: median depth error (default agreement)",
    },
    ...SETTINGS_OPTIONS,
    ...RUN_OPTIONS,
  },
  notes:
    "The settings given by --set, --settings and --pose are the baseline that others are compared with. After Ctrl-C the same command continues with the scores so far.",
  exits: RUN_EXITS,
  async run({ values, positionals }) {
    if (positionals.length === 0) throw new UsageError("expected recordings (see --help)");
    const report = reportName(values.report);
    await checkFile(values.results);
    if (report !== null) await checkFile(report);
    const by = values.by as Criterion;
    const drawn = drawnOf(values);
    if (!CRITERIA.includes(by))
      throw new UsageError(`--by must be ${CRITERIA.join(" or ")}, got "${values.by}"`);
    const workers = wholeOption(values, "workers", 1, 1024);
    const baseline = await givenSettings(values);
    const entries = await openEntries(positionals, await readTruth(values.truth));
    const candidates = distinct(entries, baseline, drawn);
    const execute = await executeAt(values.queue, "tune");
    const run = await untilInterrupted((signal) =>
      writing(values.results, () =>
        runAll(entries, [baseline, ...candidates], {
          results: values.results,
          workers,
          signal,
          what: "tune",
          ...execute,
        }),
      ),
    );
    for (const failure of run.failures) console.error(`tune: ${failure}`);
    if (run.left > 0) {
      console.error(
        `tune: stopped with ${run.left} replays to go; ${values.results} keeps the others, and the same command continues`,
      );
      return EXIT.stopped;
    }
    const [own, ...rest] = run.scores;
    if (!isWhole(own!)) {
      console.error("tune: the baseline itself cannot be replayed, so nothing can be compared with it");
      return EXIT.failed;
    }
    const scored = candidates.flatMap((settings, i) => {
      const scores = rest[i]!;
      return isWhole(scores) ? [{ settings, scores }] : [];
    });
    const result = makeReport(entries, { settings: baseline, scores: own }, scored, by);
    const counts = { replayed: run.done, kept: run.kept };
    const json = JSON.stringify({ ...result, ...counts, failures: run.failures }, null, 2);
    if (report !== null) await writePage(report, result, entries, json);
    if (values.json) console.log(json);
    else {
      console.log(`${run.done} replays done, ${run.kept} taken from ${values.results}`);
      console.log(describeReport(result).join("\n"));
    }
    return run.failures.length > 0 ? EXIT.failed : EXIT.done;
  },
});

/** The combinations of settings that are asked for. */
function drawnOf(values: {
  readonly try?: readonly string[] | undefined;
  readonly random?: string | undefined;
  readonly seed: string;
}): Given[] {
  if (values.try === undefined) throw new UsageError("nothing to try; give --try <name=a,b,c> (see --help)");
  const ranges = rangesOf(values.try);
  const seed = wholeOption(values, "seed", 0, 2 ** 32 - 1);
  if (values.random === undefined) return grid(ranges);
  return draw(ranges, wholeOption(values, "random", 1, 10_000), seed);
}

/** Writes the report as a page, and as JSON beside it. */
async function writePage(
  path: string,
  result: Report,
  entries: readonly Entry[],
  json: string,
): Promise<void> {
  const best = bestOf(result);
  const maps = await mapPictures(entries[0]!.path, [
    { name: "baseline", settings: result.baseline.settings },
    ...(best === null ? [] : [{ name: "best", settings: best.settings }]),
  ]);
  // Charts are loaded only when a report is asked for.
  const { tunePage } = await import("./tune/tune-page.ts");
  await writing(path, () => writeReport(path, tunePage(result, entries, maps), json));
}

function rangesOf(words: readonly string[]): ReturnType<typeof parseTry>[] {
  const ranges = words.map(parseTry);
  const twice = ranges.find(({ name }, i) => ranges.findIndex((range) => range.name === name) !== i);
  if (twice === undefined) return ranges;
  throw new UsageError(`--try ${twice.name} is given twice; give all its values at once`);
}

/** The candidates that differ in effect from the baseline and from each other. @throws {UsageError} when there are none */
function distinct(entries: readonly Entry[], baseline: Given, drawn: readonly Given[]): Given[] {
  const effectOf = (settings: Given) => entries.map((entry) => keyOf(entry, settings)).join();
  const known = new Set([effectOf(baseline)]);
  const candidates = drawn
    .map((given) => ({ ...baseline, ...given }))
    .filter((settings) => {
      const effect = effectOf(settings);
      if (known.has(effect)) return false;
      known.add(effect);
      return true;
    });
  if (candidates.length === 0) throw new UsageError("every setting to try is the baseline itself");
  return candidates;
}

const isWhole = (scores: readonly (Score | null)[]): scores is readonly Score[] => !scores.includes(null);

await runIfStarted(import.meta.url, main);
