import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { parseArgs } from "node:util";
import { failureOf } from "../frame/errors.ts";
import { untilInterrupted } from "../frame/interrupt.ts";
import { wholeOption } from "../frame/values.ts";
import { main as simulate } from "../simulate.ts";
import { draw, parseTry } from "../tune/candidates.ts";
import type { Score } from "../tune/job.ts";
import { CRITERIA, type Criterion, makeReport } from "../tune/report.ts";
import { CORES, openEntries, runAll } from "../tune/runs.ts";
import { readTruth } from "../tune/true-map.ts";

const HELP = `Usage: score-ranking [options] <scenario.json>...    do settings rank by held-out frames as they do by the true geometry?
  -n, --settings <n>    random settings, besides the defaults (default 47)
  -s, --seed <n>        of the settings and of the first recording's noise (default 1)
      --recordings <n>  of each scenario, each with the next seed, which draws other settings, too (default 1)
  -r, --results <file>  where scores are kept, one JSON line each (default: nowhere)
  -w, --workers <n>     replays at a time (default: one per core)
  -h, --help            show this text
Exit codes: 0 the bar is held by every recording, 1 it is missed or an internal error, 2 wrong usage,
3 scenario missing or unfit, 130 stopped`;
const options = {
  settings: { type: "string", short: "n", default: "47" },
  seed: { type: "string", short: "s", default: "1" },
  recordings: { type: "string", default: "1" },
  results: { type: "string", short: "r" },
  workers: { type: "string", short: "w", default: String(CORES) },
  help: { type: "boolean", short: "h" },
} as const;

/** Least rank correlation of what `tune` ranks by, over each recording. */
const BAR = 0.9;
/** What bears most on a map, from far too little to far too much. */
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
  // Of maps, not of tracking: all settings get the true poses.
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

export async function main(args: string[]): Promise<number> {
  const fail = (code: number, why: string) => {
    console.error(`score-ranking: ${why}`);
    return code;
  };
  const folder = mkdtempSync(join(tmpdir(), "brinkmap-ranking-"));
  try {
    const { values, positionals } = parseArgs({ args, options, allowPositionals: true });
    if (values.help) {
      console.log(HELP);
      return 0;
    }
    const whole = (name: "settings" | "seed" | "recordings" | "workers", least: number) =>
      wholeOption(values, name, least);
    const [settings, seed, recordings] = [whole("settings", 3), whole("seed", 0), whole("recordings", 1)];
    const workers = whole("workers", 1);
    if (positionals.length === 0) return fail(2, "expected scenarios (see --help)");
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
        if (ranking === null) return fail(130, "stopped");
        const numbers = CRITERIA.map((by) => ranking.scores[by].toFixed(3).padStart(12)).join("");
        console.log(`${scenario.padEnd(36)}${String(own).padStart(6)}${numbers}`);
        least = Math.min(least, ranking.scores[CRITERIA[0]]);
      }
    }
    const isHeld = least >= BAR;
    console.log(`least by ${CRITERIA[0]} ${least.toFixed(3)}, bar ${BAR}: ${isHeld ? "held" : "MISSED"}`);
    return isHeld ? 0 : 1;
  } catch (error) {
    const failure = failureOf(error);
    if (failure !== null) return fail(failure.code, failure.message);
    throw error;
  } finally {
    rmSync(folder, { recursive: true });
  }
}
