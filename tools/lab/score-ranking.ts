import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { EXIT, UsageError } from "../frame/errors.ts";
import { untilInterrupted } from "../frame/interrupt.ts";
import { wholeOption } from "../frame/values.ts";
import { main as simulate } from "../simulate.ts";
import { draw, parseTry } from "../tune/candidates.ts";
import type { Score } from "../tune/job.ts";
import { CRITERIA, type Criterion, makeReport } from "../tune/report.ts";
import { openEntries, runAll } from "../tune/runs.ts";
import { readTruth } from "../tune/true-map.ts";
import { programOf, RESULTS_OPTION, workersOption } from "./program.ts";

/** Least rank correlation of `tune`'s score, for each recording. */
const BAR = 0.9;
/** Ranges of the most influential settings, from far too small to far too large. */
const RANGES = [
  "evidence.sigma0=0.003..0.3",
  "map.voxelSize=0.035..0.12",
  "evidence.framesToClear=3..200",
  "evidence.outlierShare=0.005..0.3",
];

interface Ranking {
  readonly scenario: string;
  readonly seed: number;
  readonly scores: Readonly<Record<Criterion, number>>;
}

interface Plan {
  readonly settings: number;
  readonly results: string;
  readonly workers: number;
  readonly signal: AbortSignal;
}

/** @returns null when it was stopped */
async function rank(
  scenario: string,
  recording: string,
  seed: number,
  { settings: count, ...plan }: Plan,
): Promise<Ranking | null> {
  const [entry] = await openEntries([recording], await readTruth(scenario));
  // The score is of maps, not of tracking: all settings get the true poses.
  const base = { "pose.source": "reference" };
  const tried = draw(RANGES.map(parseTry), count, seed).map((given) => ({ ...base, ...given }));
  const run = await runAll([entry!], [base, ...tried], { ...plan, what: "score-ranking" });
  if (run.left > 0) return null;
  if (run.failures.length > 0) throw new Error(run.failures.join("; "));
  const scores = run.scores as Score[][];
  const candidates = tried.map((settings, n) => ({ settings, scores: scores[n + 1]! }));
  const { ranks } = makeReport([entry!], { settings: base, scores: scores[0]! }, candidates, CRITERIA[0]);
  return { scenario, seed, scores: ranks.true! };
}

export const main = programOf({
  name: "score-ranking",
  usage: "[options] <scenario.json>...",
  about: "Whether held-out scores rank settings as the true geometry does.",
  options: {
    settings: {
      type: "string",
      short: "n",
      value: "<n>",
      default: "47",
      help: "random settings, beside the defaults (default 47)",
    },
    seed: {
      type: "string",
      short: "s",
      value: "<n>",
      default: "1",
      help: "seed of the settings and of the first recording's noise (default 1)",
    },
    recordings: {
      type: "string",
      value: "<n>",
      default: "1",
      help: "recordings of each scenario, each with the next seed for noise and settings (default 1)",
    },
    results: RESULTS_OPTION,
    workers: workersOption("replays at a time"),
  },
  exits: {
    1: "the bar is missed by a recording, or an internal error",
    3: "scenario missing or unfit",
    130: "stopped",
  },
  run: async ({ values, positionals }) => {
    const whole = (name: "settings" | "seed" | "recordings" | "workers", least: number) =>
      wholeOption(values, name, least);
    const [settings, seed, recordings] = [whole("settings", 3), whole("seed", 0), whole("recordings", 1)];
    const workers = whole("workers", 1);
    if (positionals.length === 0) throw new UsageError("expected scenarios (see --help)");
    const folder = mkdtempSync(join(tmpdir(), "brinkmap-ranking-"));
    try {
      const results = values.results ?? join(folder, "results.jsonl");
      console.log(
        `${settings} random settings and the defaults; rank correlation (Spearman) with the true map score`,
      );
      console.log(
        `${"scenario".padEnd(36)}${"seed".padStart(6)}${CRITERIA.map((by) => by.padStart(12)).join("")}`,
      );
      let least = 1;
      for (const scenario of positionals) {
        for (let own = seed; own < seed + recordings; own++) {
          const recording = join(folder, `${own}.brk`);
          const code = await simulate([scenario, recording, "--force", "--set", `seed=${own}`]);
          if (code !== 0) return code;
          const ranking = await untilInterrupted((signal) =>
            rank(scenario, recording, own, { settings, results, workers, signal }),
          );
          if (ranking === null) {
            console.error("score-ranking: stopped");
            return EXIT.stopped;
          }
          const numbers = CRITERIA.map((by) => ranking.scores[by].toFixed(3).padStart(12)).join("");
          console.log(`${scenario.padEnd(36)}${String(own).padStart(6)}${numbers}`);
          least = Math.min(least, ranking.scores[CRITERIA[0]]);
        }
      }
      const isHeld = least >= BAR;
      console.log(`least by ${CRITERIA[0]} ${least.toFixed(3)}, bar ${BAR}: ${isHeld ? "held" : "MISSED"}`);
      return isHeld ? 0 : 1;
    } finally {
      rmSync(folder, { recursive: true });
    }
  },
});
