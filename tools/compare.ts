import { fileURLToPath } from "node:url";
import { parseArgs } from "node:util";
import { executeAt } from "./queue/load.ts";
import { settingsFrom } from "./replay.ts";
import { type Comparison, compareScores } from "./tune/comparison.ts";
import type { Score } from "./tune/job.ts";
import { describeDifference } from "./tune/report.ts";
import { isPageName, mapPictures, writeReport } from "./tune/report-files.ts";
import {
  CORES,
  describeSettings,
  type Entry,
  exitCodeOf,
  type Given,
  openEntries,
  runAll,
  untilInterrupted,
} from "./tune/runs.ts";
import { readTruth } from "./tune/true-map.ts";

const HELP = `Usage: compare [options] <recording>...    two settings on the same recordings, side by side
  -a <name=value | file>  the first: a setting, or a JSON file of them; as often as you like (default: the recordings' own)
  -b <name=value | file>  the second, likewise
      --truth <scenario>  score maps by the true geometry, too: the scenario that all recordings were simulated of
  -r, --results <file>    where scores are kept, shared with tune (default tune.jsonl)
  -w, --workers <n>       replays at a time (default: one per core; 1 for times that nothing else disturbs)
      --queue <address>   have the replays done by those who lend their cores there, as for tune
      --report <file>     write the comparison as a page too (HTML, one file), and as JSON beside it
      --json              print the comparison as JSON
  -h, --help              show this text
Exit codes: 0 done, 1 a replay failed or an internal error, 2 wrong usage, 3 recording missing or unreadable,
4 the results file cannot be used, 6 the queue cannot be used, 130 stopped`;
const options = {
  a: { type: "string", short: "a", multiple: true },
  b: { type: "string", short: "b", multiple: true },
  truth: { type: "string" },
  results: { type: "string", short: "r", default: "tune.jsonl" },
  workers: { type: "string", short: "w", default: String(CORES) },
  queue: { type: "string" },
  report: { type: "string" },
  json: { type: "boolean" },
  help: { type: "boolean", short: "h" },
} as const;

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

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string) => {
    console.error(`compare: ${why}`);
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
    if (values.a === undefined && values.b === undefined)
      return fail(2, "give -a or -b, or both (see --help)");
    const workers = Number(values.workers);
    if (!(Number.isInteger(workers) && workers >= 1 && workers <= 1024)) {
      return fail(2, `--workers must be a whole number from 1 to 1024, got "${values.workers}"`);
    }
    if (values.report !== undefined && !isPageName(values.report)) {
      return fail(2, `--report takes a file that ends in .html, got "${values.report}"`);
    }
    const settings = [await given(values.a), await given(values.b)] as const;
    const entries = await openEntries(positionals, await readTruth(values.truth));
    const execute = await executeAt(values.queue, "compare");
    isRunning = true;
    const run = await untilInterrupted((signal) =>
      runAll(entries, settings, { results: values.results, workers, signal, what: "compare", ...execute }),
    );
    if (run.left > 0) {
      return fail(130, `stopped; ${values.results} keeps what is done, the same command goes on`);
    }
    if (run.failures.length > 0) return fail(1, run.failures.join("\ncompare: "));
    const [first, second] = run.scores as [Score[], Score[]];
    const comparisons = compareScores(first, second);
    const warnings: string[] = [];
    if (entries.length < 3) warnings.push("fewer than three recordings tell nothing about others");
    if (first.some(({ pixels }, r) => Math.abs(second[r]!.pixels / pixels - 1) > 0.01)) {
      warnings.push("scored on other pixels (range or lost frames): the scores are not of the same question");
    }
    const recordings = entries.map(({ path, content }) => ({ path, content }));
    const all = JSON.stringify({ recordings, settings, comparisons, warnings }, null, 2);
    if (values.report !== undefined) {
      const maps = await mapPictures(entries[0]!.path, [
        { name: "first", settings: settings[0] },
        { name: "second", settings: settings[1] },
      ]);
      // Loaded by those alone who want it.
      const { comparePage } = await import("./tune/compare-page.ts");
      await writeReport(values.report, comparePage(entries, settings, comparisons, warnings, maps), all);
    }
    if (values.json) console.log(all);
    else {
      console.log(describe(entries, [...settings], comparisons).join("\n"));
      for (const warning of warnings) console.log(`careful: ${warning}`);
    }
    return 0;
  } catch (error) {
    const code = exitCodeOf(error, isRunning);
    if (code !== null) return fail(code, (error as Error).message);
    throw error;
  }
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = await main(process.argv.slice(2));
