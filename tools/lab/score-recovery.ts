import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { SETTINGS, type SettingName } from "../../src/head/settings.ts";
import { EXIT } from "../frame/errors.ts";
import { untilInterrupted } from "../frame/interrupt.ts";
import { oneExpected, wholeOption } from "../frame/values.ts";
import { main as simulate } from "../simulate.ts";
import { draw, parseTry } from "../tune/candidates.ts";
import type { Score } from "../tune/job.ts";
import { CRITERIA, makeReport } from "../tune/report.ts";
import {
  describeSettings,
  type Entry,
  type Given,
  openEntries,
  type RunOptions,
  runAll,
} from "../tune/runs.ts";
import { programOf, RESULTS_OPTION, workersOption } from "./program.ts";

/** Most that what was chosen may score below the best known, as a share of it. */
const BAR = 0.01;
/** A far too large range error, coarse voxels, and evidence that hardly ever clears. */
const BROKEN = { "evidence.sigma0": 0.2, "map.voxelSize": 0.12, "evidence.framesToClear": 150 };
const RANGES = ["evidence.sigma0=0.003..0.3", "map.voxelSize=0.035..0.12", "evidence.framesToClear=3..200"];
/** Added to the seed: settings in search of the best are others than those that tuning tries. */
const APART = 1000;

/** The ranges' parts around settings, a third of each: by the logarithm, as they are drawn from. */
function around(best: Given): string[] {
  return RANGES.map((word) => {
    const [, name, low, high] = /^(.+)=(.+)\.\.(.+)$/.exec(word)!;
    const factor = (Number(high) / Number(low)) ** (1 / 6);
    const value = best[name!] as number;
    const [from, to] = [Math.max(Number(low), value / factor), Math.min(Number(high), value * factor)];
    const isWhole = SETTINGS[name as SettingName].type === "integer";
    return `${name}=${isWhole ? Math.floor(from) : from}..${isWhole ? Math.ceil(to) : to}`;
  });
}

const agreementOf = (row: readonly (Score | null)[]): number => row[0]!.agreement;

export const main = programOf({
  name: "score-recovery",
  usage: "[options] <scenario.json>",
  about:
    "Whether tuning repairs settings that were set wrong on purpose. Sets three settings wrong, lets a random search choose on some recordings, and scores the choice on another recording, beside the best known there: the best of the defaults, of what was tried, and of more random settings.",
  options: {
    tries: {
      type: "string",
      short: "n",
      value: "<n>",
      default: "20",
      help: "random settings to try, and the same number around the best of those (default 20)",
    },
    known: {
      type: "string",
      short: "k",
      value: "<n>",
      default: "40",
      help: "more random settings, in search of the best (default 40)",
    },
    recordings: { type: "string", value: "<n>", default: "3", help: "recordings to choose on (default 3)" },
    seed: {
      type: "string",
      short: "s",
      value: "<n>",
      default: "1",
      help: "seed of the first recording's noise and of all settings (default 1)",
    },
    set: {
      type: "string",
      multiple: true,
      value: "<field=value>",
      help: "as for simulate, for all recordings; may be repeated",
    },
    results: RESULTS_OPTION,
    workers: workersOption("replays at a time"),
  },
  exits: {
    1: "not within 1 % of the best known, or an internal error",
    3: "scenario missing or unfit",
    130: "stopped",
  },
  run: async ({ values, positionals }) => {
    const whole = (name: "tries" | "known" | "recordings" | "seed" | "workers", least: number) =>
      wholeOption(values, name, least);
    const [tries, more, count] = [whole("tries", 1), whole("known", 1), whole("recordings", 1)];
    const [seed, workers] = [whole("seed", 0), whole("workers", 1)];
    const scenario = oneExpected(positionals, "one scenario");
    const folder = mkdtempSync(join(tmpdir(), "brinkmap-recovery-"));
    try {
      const recordings = Array.from({ length: count + 1 }, (_, n) => join(folder, `${seed + n}.brk`));
      for (const [n, path] of recordings.entries()) {
        const sets = [...(values.set ?? []), `seed=${seed + n}`].flatMap((set) => ["--set", set]);
        const code = await simulate([scenario, path, ...sets]);
        if (code !== 0) return code;
      }
      const entries = await openEntries(recordings);
      const [own, unseen] = [entries.slice(0, count), entries.slice(count)];
      const results = values.results ?? join(folder, "results.jsonl");
      return await untilInterrupted(async (signal) => {
        const scoreAll = scorer({ results, workers, what: "score-recovery", signal });
        const { chosen, tried } = await tune(own, { tries, seed }, scoreAll);
        const known = [{}, ...tried, ...draw(RANGES.map(parseTry), more, seed + APART)];
        const there = await scoreAll(unseen, [BROKEN, chosen, ...known]);
        const outcome = { chosen, known, scores: there.map(agreementOf) };
        return print(outcome, `chosen of ${tried.length} on ${count} recordings`) ? 0 : 1;
      });
    } catch (error) {
      if (!(error instanceof Stopped)) throw error;
      console.error("score-recovery: stopped");
      return EXIT.stopped;
    } finally {
      rmSync(folder, { recursive: true });
    }
  },
});

/** The person who called stopped the program before all replays were done. */
class Stopped extends Error {
  override readonly name = "Stopped";
}

/** Scores of each settings on each entry. */
type ScoreAll = (on: readonly Entry[], settings: readonly Given[]) => Promise<readonly (readonly Score[])[]>;

/** @returns a function that replays, and throws when a replay fails, or `Stopped` */
function scorer(options: RunOptions): ScoreAll {
  return async (on, settings) => {
    const done = await runAll(on, settings, options);
    if (done.failures.length > 0) throw new Error(done.failures.join("; "));
    if (done.left > 0) throw new Stopped();
    return done.scores as readonly (readonly Score[])[];
  };
}

/** Tunes as one does by hand: once over the whole ranges, and once more around the best of that. */
async function tune(
  on: readonly Entry[],
  { tries, seed }: { readonly tries: number; readonly seed: number },
  scoreAll: ScoreAll,
): Promise<{ readonly chosen: Given; readonly tried: readonly Given[] }> {
  const tried: Given[] = [];
  let chosen: Given = BROKEN;
  let ranges = RANGES;
  for (const round of [0, 1]) {
    tried.push(...draw(ranges.map(parseTry), tries, seed + round));
    const scores = await scoreAll(on, [BROKEN, ...tried]);
    const candidates = tried.map((settings, n) => ({ settings, scores: scores[n + 1]! }));
    const report = makeReport(on, { settings: BROKEN, scores: scores[0]! }, candidates, CRITERIA[0]);
    chosen = report.lines[0]!.settings;
    ranges = around(chosen);
  }
  return { chosen, tried };
}

interface RecoveryOutcome {
  readonly chosen: Given;
  /** The defaults first. */
  readonly known: readonly Given[];
  /** Agreement of the broken settings, of the chosen ones, and of the known ones. */
  readonly scores: readonly number[];
}

/** @returns whether what was chosen is within the bar of the best known */
function print({ chosen, known, scores }: RecoveryOutcome, how: string): boolean {
  const [broken, found, ...others] = scores;
  const best = Math.max(...others);
  const short = (best - found!) / best;
  const line = (what: string, score: number, settings: Given) =>
    console.log(
      `${what.padEnd(12)}${(100 * score).toFixed(2).padStart(8)} %   ${describeSettings(settings)}`,
    );
  console.log(`held-out ${CRITERIA[0]} on a recording that nothing was chosen on`);
  line("broken", broken!, BROKEN);
  line("chosen", found!, chosen);
  line("defaults", others[0]!, {});
  line("best known", best, known[others.indexOf(best)]!);
  console.log(
    `${how}, best of ${known.length}: ${(100 * short).toFixed(2)} % below it, ` +
      `bar ${100 * BAR} %: ${short <= BAR ? "held" : "MISSED"}`,
  );
  return short <= BAR;
}
