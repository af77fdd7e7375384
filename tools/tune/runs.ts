import { createHash } from "node:crypto";
import { appendFileSync, existsSync, readFileSync, writeFileSync } from "node:fs";
import { availableParallelism } from "node:os";
import { resolveSettings } from "../../src/head/settings.ts";
import { openRecording } from "../../src/record/file.ts";
import { UsageError } from "../frame/errors.ts";
import { Progress } from "../frame/progress.ts";
import { preparationOf } from "../replay/prepared.ts";
import { settingsOf } from "../replay/run.ts";
import { contentOf } from "./content.ts";
import type { Answer, Job, Score } from "./job.ts";
import { type Labels, readLabels } from "./labels.ts";
import { Lanes } from "./lanes.ts";
import { programHash } from "./program.ts";

export type Given = Readonly<Record<string, unknown>>;

/** The results file cannot be used. */
export class ResultsError extends Error {
  override readonly name = "ResultsError";
}

export interface Entry {
  readonly path: string;
  /** SHA-256 of the file. */
  readonly content: string;
  /** Settings of the core in its header. */
  readonly settings: Given;
  /** Its labels, parsed and as text. */
  readonly labels: Labels | null;
  readonly labelsText: string;
  /** The scenario that was simulated, as JSON; null where no truth is known. */
  readonly scenario: unknown;
}

/** @throws {DecodeError | LabelsError} and file errors, as from opening it */
async function openEntry(path: string, scenario: unknown): Promise<Entry> {
  const recording = await openRecording(path);
  const settings = settingsOf(recording.header);
  recording.close();
  const content = await contentOf(path);
  const marked = readLabels(path);
  return {
    path,
    content,
    settings,
    labels: marked?.labels ?? null,
    labelsText: marked?.text ?? "",
    scenario,
  };
}

/** @throws {UsageError} if two are the same recording; file and format errors as from opening one */
export async function openEntries(paths: readonly string[], scenario: unknown = null): Promise<Entry[]> {
  const entries: Entry[] = [];
  for (const path of paths) {
    const entry = await openEntry(path, scenario);
    if (entries.some(({ content }) => content === entry.content)) {
      throw new UsageError(`${path} is given twice; it would count as two recordings`);
    }
    entries.push(entry);
  }
  return entries;
}

/** The parts of the program that affect scores; scores of another build are not reused. */
const MAKERS = ["coding", "terms", "geometry", "sense", "track", "map", "guard", "head", "record"].map(
  (part) => `src/${part}`,
);
let program: string | null = null;
/** SHA-256 of it. */
export function ownProgram(): string {
  program ??= programHash([
    ...MAKERS,
    "tools/replay",
    "src/simulate",
    "tools/tune/job.js",
    "tools/tune/labels.js",
    "tools/tune/true-map.js",
  ]);
  return program;
}

/** Key of everything a score depends on. A setting at its default counts like one that is not given. */
export function keyOf(
  entry: Pick<Entry, "content" | "settings" | "labelsText" | "scenario">,
  settings: Given,
): string {
  const all = resolveSettings({ ...entry.settings, ...settings });
  const truth = entry.scenario === null ? [] : [entry.scenario];
  return createHash("sha256")
    .update(
      JSON.stringify([ownProgram(), entry.content, entry.labelsText, Object.entries(all).sort(), ...truth]),
    )
    .digest("hex");
}

interface Row {
  readonly key: string;
  readonly score: Score;
}

/** Scores by key. Only the last line may be half a line: its writer was killed. */
function readResults(path: string): Map<string, Score> {
  const scores = new Map<string, Score>();
  if (!existsSync(path)) return scores;
  const lines = readFileSync(path, "utf8").split("\n");
  const last = lines.pop()!;
  for (const [n, line] of lines.entries()) {
    let row: Partial<Row> | null;
    try {
      row = JSON.parse(line) as Partial<Row> | null;
    } catch {
      row = null;
    }
    if (typeof row?.key !== "string" || typeof row.score?.within5cm !== "number") {
      throw new ResultsError(`${path} line ${n + 1} is not a result; name another file with --results`);
    }
    scores.set(row.key, row.score);
  }
  if (last !== "") writeFileSync(path, lines.map((line) => `${line}\n`).join(""));
  return scores;
}

/** A replay to be done. */
export interface Task {
  /** See `keyOf`. */
  readonly key: string;
  /** Tasks with the same text read and mask the same frames; with the same `poses`, too, they have the same tracked poses. */
  readonly group: string;
  /** "" where poses are not tracked. */
  readonly poses: string;
  readonly entry: Entry;
  readonly job: Job;
}

/** Does tasks, in any order, and gives each answer to `take`; ends early, without an error, when `signal` is aborted. */
export type Execute = (
  tasks: readonly Task[],
  take: (task: Task, answer: Answer) => void,
  signal: AbortSignal,
) => Promise<void>;

export interface RunOptions {
  /** JSON lines, one per score; made if it is not there. */
  readonly results: string;
  readonly workers: number;
  readonly signal: AbortSignal;
  readonly what: string;
  /** Where replays are done; by default in threads of this process. */
  readonly execute?: Execute;
}

export interface Runs {
  /** Per setting and recording; null where it failed or was not reached. */
  readonly scores: readonly (readonly (Score | null)[])[];
  readonly failures: readonly string[];
  /** Replays done now, taken from the results file, and not reached. */
  readonly done: number;
  readonly kept: number;
  readonly left: number;
}

/**
 * Replays every recording with every setting, except results that the file has already; a score is written as soon
 * as it is known, so that a run can be stopped at any time and continued later.
 *
 * @throws {ResultsError} when the file is not one of results; file errors when it cannot be written
 */
export async function runAll(
  entries: readonly Entry[],
  settings: readonly Given[],
  { results, workers, signal, what, execute = inThreads(workers) }: RunOptions,
): Promise<Runs> {
  const known = readResults(results);
  appendFileSync(results, ""); // fails now if it cannot be written
  const keys = settings.map((given) => entries.map((entry) => keyOf(entry, given)));
  // Ordered by recording and preparation, so that each is prepared once.
  const tasks = new Map<string, Task>();
  for (const [r, entry] of entries.entries()) {
    for (const [s, given] of settings.entries()) {
      const key = keys[s]![r]!;
      if (known.has(key)) continue;
      const { path, labels, content, scenario } = entry;
      const { frames, poses } = preparationOf(resolveSettings({ ...entry.settings, ...given }));
      const job = { path, settings: given, labels, scenario };
      tasks.set(key, { key, group: `${content} ${frames}`, poses, entry, job });
    }
  }
  const kept = new Set(keys.flat()).size - tasks.size;
  const failures: string[] = [];
  let done = 0;
  if (tasks.size > 0 && !signal.aborted) {
    const bar = new Progress(what, "lines");
    const take = ({ key, job }: Task, answer: Answer) => {
      if (signal.aborted) return;
      done++;
      if ("failed" in answer) {
        failures.push(`${job.path} with ${describeSettings(job.settings)}: ${answer.failed}`);
      } else {
        known.set(key, answer.score);
        const row = { key, recording: job.path, settings: job.settings, score: answer.score };
        appendFileSync(results, `${JSON.stringify(row)}\n`);
      }
      bar.show(done / tasks.size);
    };
    try {
      await execute([...tasks.values()], take, signal);
    } finally {
      bar.stop();
    }
  }
  return {
    scores: keys.map((row) => row.map((key) => known.get(key) ?? null)),
    failures: failures.sort(),
    done,
    kept,
    left: tasks.size - done,
  };
}

/** Does tasks in threads of this process, `workers` at a time. */
const inThreads =
  (workers: number): Execute =>
  async (tasks, take, signal) => {
    const lanes = new Lanes(Math.min(workers, tasks.length));
    const stop = () => void lanes.close();
    signal.addEventListener("abort", stop, { once: true });
    try {
      await lanes.runAll(tasks, take);
    } finally {
      signal.removeEventListener("abort", stop);
      await lanes.close();
    }
  };

export function describeSettings(settings: Given): string {
  const words = Object.entries(settings).map(([name, value]) => `${name}=${String(value)}`);
  return words.length > 0 ? words.join(" ") : "the recordings' own settings";
}

export const CORES = availableParallelism();
