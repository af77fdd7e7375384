import { mainOf, runIfStarted } from "./frame/command.ts";
import { checkFile, EXIT, UsageError, writing } from "./frame/errors.ts";
import { untilInterrupted } from "./frame/interrupt.ts";
import { wholeOption } from "./frame/values.ts";
import { executeAt } from "./queue/load.ts";
import { settingsFrom } from "./replay/given-settings.ts";
import { type Comparison, compareScores } from "./tune/comparison.ts";
import type { Score } from "./tune/job.ts";
import { describeDifference } from "./tune/report.ts";
import { mapPictures, writeReport } from "./tune/report-files.ts";
import { RUN_EXITS, RUN_OPTIONS, reportName } from "./tune/run-options.ts";
import { describeSettings, type Entry, type Given, openEntries, runAll } from "./tune/runs.ts";
import { readTruth } from "./tune/true-map.ts";

export const main = mainOf({
  name: "compare",
  usage: "[options] <recording>...",
  about: "Compares two settings on the same recordings.",
  options: {
    a: {
      type: "string",
      short: "a",
      multiple: true,
      value: "<name=value | file>",
      help: "the first: a setting, or a JSON file of settings; may be repeated (default: as in the recordings)",
    },
    b: {
      type: "string",
      short: "b",
      multiple: true,
      value: "<name=value | file>",
      help: "the second, likewise",
    },
    ...RUN_OPTIONS,
  },
  notes:
    "The results file is shared with tune. After Ctrl-C the same command continues with the scores so far.",
  exits: RUN_EXITS,
  async run({ values, positionals }) {
    if (positionals.length === 0) throw new UsageError("expected recordings (see --help)");
    if (values.a === undefined && values.b === undefined) {
      throw new UsageError("give -a or -b, or both (see --help)");
    }
    const workers = wholeOption(values, "workers", 1, 1024);
    const report = reportName(values.report);
    await checkFile(values.results);
    if (report !== null) await checkFile(report);
    const settings = [await given(values.a), await given(values.b)] as const;
    const entries = await openEntries(positionals, await readTruth(values.truth));
    const execute = await executeAt(values.queue, "compare");
    const run = await untilInterrupted((signal) =>
      writing(values.results, () =>
        runAll(entries, settings, { results: values.results, workers, signal, what: "compare", ...execute }),
      ),
    );
    if (run.left > 0) {
      console.error(`compare: stopped; ${values.results} keeps what is done, and the same command continues`);
      return EXIT.stopped;
    }
    if (run.failures.length > 0) {
      for (const failure of run.failures) console.error(`compare: ${failure}`);
      return EXIT.failed;
    }
    const [first, second] = run.scores as [Score[], Score[]];
    const comparisons = compareScores(first, second);
    const warnings = warningsOf(first, second);
    const recordings = entries.map(({ path, content }) => ({ path, content }));
    const json = JSON.stringify({ recordings, settings, comparisons, warnings }, null, 2);
    if (report !== null) {
      const maps = await mapPictures(entries[0]!.path, [
        { name: "first", settings: settings[0] },
        { name: "second", settings: settings[1] },
      ]);
      // Charts are loaded only when a report is asked for.
      const { comparePage } = await import("./tune/compare-page.ts");
      const page = comparePage({ entries, settings, comparisons, warnings, maps });
      await writing(report, () => writeReport(report, page, json));
    }
    if (values.json) console.log(json);
    else {
      console.log(describe(entries, [...settings], comparisons).join("\n"));
      for (const warning of warnings) console.log(`warning: ${warning}`);
    }
    return EXIT.done;
  },
});

function warningsOf(first: readonly Score[], second: readonly Score[]): string[] {
  const warnings: string[] = [];
  if (first.length < 3) warnings.push("fewer than three recordings are too few to compare");
  if (first.some(({ pixels }, r) => Math.abs(second[r]!.pixels / pixels - 1) > 0.01)) {
    warnings.push(
      "scored on other pixels (range or lost frames): the scores do not answer the same question",
    );
  }
  return warnings;
}

function describe(
  entries: readonly Entry[],
  settings: readonly [Given, Given],
  comparisons: readonly Comparison[],
) {
  const mean = (values: readonly number[]) => values.reduce((sum, value) => sum + value, 0) / values.length;
  const lines = [
    `first   ${describeSettings(settings[0])}`,
    `second  ${describeSettings(settings[1])}`,
    `${"mean of recordings".padEnd(20)}${"first".padStart(10)}${"second".padStart(10)}       second - first (95 % interval)   the second is`,
  ];
  for (const { name, unit, digits, first, second, difference } of comparisons) {
    const number = (value: number) => value.toFixed(digits).padStart(10);
    lines.push(
      `${name.padEnd(20)}${number(mean(first))}${number(mean(second))} ${unit.padEnd(3)}   ` +
        `${describeDifference(difference).padEnd(32)} ${difference.verdict}`,
    );
  }
  const [{ name, first, second }] = comparisons as [Comparison];
  lines.push("", `${name.padEnd(20)}${"first".padStart(10)}${"second".padStart(10)}   by recording`);
  for (const [r, { path }] of entries.entries()) {
    lines.push(
      `${"".padEnd(20)}${first[r]!.toFixed(2).padStart(10)}${second[r]!.toFixed(2).padStart(10)} %   ${path}`,
    );
  }
  return lines;
}

/** A setting, or a file of settings. */
async function given(words: readonly string[] = []): Promise<Given> {
  let out: Given = {};
  for (const word of words) {
    out = {
      ...out,
      ...(word.includes("=") ? await settingsFrom(undefined, [word]) : await settingsFrom(word, [])),
    };
  }
  return out;
}

await runIfStarted(import.meta.url, main);
