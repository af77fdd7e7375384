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
import { describeSettings, type Given, openEntries, runAll } from "../tune/runs.ts";
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
    "Does tuning mend settings that were broken on purpose? Breaks three settings, lets random tuning choose on some recordings, and scores what it chose on one that it has not seen, beside the best that is known there: the best of the defaults, of what was tried, and of more random settings.",
  options: {
    tries: {
      type: "string",
      short: "n",
      value: "<n>",
      default: "20",
      help: "random settings that tuning tries, and again as many around the best of those (default 20)",
    },
    known: {
      type: "string",
      short: "k",
      value: "<n>",
      default: "40",
      help: "more random settings, in search of the best (default 40)",
    },
    recordings: { type: "string", value: "<n>", default: "3", help: "to choose on (default 3)" },
    seed: {
      type: "string",
      short: "s",
      value: "<n>",
      default: "1",
      help: "of the first recording's noise and of all settings (default 1)",
    },
    set: {
      type: "string",
      multiple: true,
      value: "<field=value>",
      help: "as for simulate, of all recordings; may be given again",
    },
    results: RESULTS_OPTION,
    workers: workersOption("replays at a time"),
  },
  exits: {
    1: "not within 1 % of the best known, or an error of the program",
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
    const stopped = (): number => {
      console.error("score-recovery: stopped");
      return EXIT.stopped;
    };
    try {
      const recordings = Array.from({ length: count + 1 }, (_, n) => join(folder, `${seed + n}.brk`));
      for (const [n, path] of recordings.entries()) {
        const sets = [...(values.set ?? []), `seed=${seed + n}`].flatMap((set) => ["--set", set]);
        const code = await simulate([scenario, path, ...sets]);
        if (code !== 0) return code;
      }
      const entries = await openEntries(recordings);
      const [own, unseen] = [entries.slice(0, count), entries.slice(count)];
      const plan = {
        results: values.results ?? join(folder, "results.jsonl"),
        workers,
        what: "score-recovery",
      };
      let chosen: Given = BROKEN;
      const run = async (on: typeof entries, settings: readonly Given[]) => {
        const done = await untilInterrupted((signal) => runAll(on, settings, { ...plan, signal }));
        if (done.failures.length > 0) throw new Error(done.failures.join("; "));
        return done.left > 0 ? null : (done.scores as Score[][]);
      };

      // As one does by hand: once all over the place, and once more around the best of that.
      const tried: Given[] = [];
      let ranges = RANGES;
      for (const round of [0, 1]) {
        tried.push(...draw(ranges.map(parseTry), tries, seed + round));
        const scores = await run(own, [BROKEN, ...tried]);
        if (scores === null) return stopped();
        const candidates = tried.map((settings, n) => ({ settings, scores: scores[n + 1]! }));
        chosen = makeReport(own, { settings: BROKEN, scores: scores[0]! }, candidates, CRITERIA[0]).lines[0]!
          .settings;
        ranges = around(chosen);
      }

      const known = [{}, ...tried, ...draw(RANGES.map(parseTry), more, seed + APART)];
      const there = await run(unseen, [BROKEN, chosen, ...known]);
      if (there === null) return stopped();
      const [broken, found, ...others] = there.map(agreementOf);
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
        `chosen of ${tried.length} on ${count} recordings, best of ${known.length}: ${(100 * short).toFixed(2)} % below it, ` +
          `bar ${100 * BAR} %: ${short <= BAR ? "held" : "MISSED"}`,
      );
      return short <= BAR ? 0 : 1;
    } finally {
      rmSync(folder, { recursive: true });
    }
  },
});
