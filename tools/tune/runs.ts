import { createHash } from "node:crypto";
import { appendFileSync, createReadStream, existsSync, readFileSync, writeFileSync } from "node:fs";
import { availableParallelism } from "node:os";
import { Tinypool } from "tinypool";
import { resolveSettings, SettingError } from "../../src/head/settings.ts";
import { DecodeError } from "../../src/record/bytes.ts";
import { openRecording } from "../../src/record/file.ts";
import { ProgressLine } from "../output/progress.ts";
import { settingsOf } from "../replay/run.ts";
import { programHash } from "../score/program.ts";
import type { Answer, Job, Score } from "./job.ts";
import { type Labels, LabelsError, readLabels } from "./labels.ts";

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
  /** What people marked in it, and the same as it was written. */
  readonly labels: Labels | null;
  readonly labelsText: string;
}

/** @throws {DecodeError | LabelsError} and file errors, as from opening it */
async function openEntry(path: string): Promise<Entry> {
  const recording = await openRecording(path);
  const settings = settingsOf(recording.header);
  recording.close();
  const hash = createHash("sha256");
  for await (const bytes of createReadStream(path)) hash.update(bytes as Uint8Array);
  const marked = readLabels(path);
  return {
    ...{ path, content: hash.digest("hex"), settings },
    ...{ labels: marked?.labels ?? null, labelsText: marked?.text ?? "" },
  };
}

/** @throws {RangeError} if two are the same recording; file and format errors as from opening one */
export async function openEntries(paths: readonly string[]): Promise<Entry[]> {
  const entries: Entry[] = [];
  for (const path of paths) {
    const entry = await openEntry(path);
    if (entries.some(({ content }) => content === entry.content)) {
      throw new RangeError(`${path} is given twice; it would count as two recordings`);
    }
    entries.push(entry);
  }
  return entries;
}

/** Exit code for an error of the user's or the file system's; null for one of the program. */
export function exitCodeOf(error: unknown, isRunning: boolean): number | null {
  const { code = "" } = error as NodeJS.ErrnoException;
  if (code.startsWith("ERR_PARSE_ARGS") || error instanceof SettingError || error instanceof RangeError)
    return 2;
  const isFile = ["ENOENT", "EACCES", "EISDIR", "ENOSPC", "EROFS"].includes(code);
  if (error instanceof ResultsError || (isRunning && isFile)) return 4;
  return error instanceof DecodeError || error instanceof LabelsError || isFile ? 3 : null;
}

/** Threads run what was compiled of this folder. */
const JOB = import.meta.url.endsWith(".ts")
  ? new URL("../../dist/tools/tune/job.js", import.meta.url)
  : new URL("./job.js", import.meta.url);

/** What of the program makes a score: what another one scored is not taken for its own. */
const MAKERS = ["geometry", "sense", "track", "map", "guard", "head", "record"].map((part) => `src/${part}`);
let program: string | null = null;
function ownProgram(): string {
  program ??= programHash([...MAKERS, "tools/replay", "tools/tune/job.js", "tools/tune/labels.js"]);
  return program;
}

/** Of everything a score depends on. Settings count as they take effect: one at its default is as one not given. */
export function keyOf(entry: Entry, settings: Given): string {
  const all = resolveSettings({ ...entry.settings, ...settings });
  return createHash("sha256")
    .update(JSON.stringify([ownProgram(), entry.content, entry.labelsText, Object.entries(all).sort()]))
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
      throw new ResultsError(`${path} line ${n + 1} is no result; name another file with --results`);
    }
    scores.set(row.key, row.score);
  }
  if (last !== "") writeFileSync(path, lines.map((line) => `${line}\n`).join(""));
  return scores;
}

export interface RunOptions {
  /** JSON lines, one per score; made if it is not there. */
  readonly results: string;
  readonly workers: number;
  readonly signal: AbortSignal;
  readonly what: string;
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
 * Replays every recording with every setting, but for what the results file holds already; a score is in the file as soon
 * as it is known, so that a run can be stopped at any time and goes on where it was.
 *
 * @throws {ResultsError} when the file is not one of results; file errors when it cannot be written
 */
export async function runAll(
  entries: readonly Entry[],
  settings: readonly Given[],
  { results, workers, signal, what }: RunOptions,
): Promise<Runs> {
  const known = readResults(results);
  appendFileSync(results, ""); // it can be written, or it is said now
  const keys = settings.map((given) => entries.map((entry) => keyOf(entry, given)));
  // By recording first: its pages are then in memory.
  const jobs = new Map<string, Job>();
  for (const [r, { path, labels }] of entries.entries()) {
    for (const [s, given] of settings.entries()) {
      const key = keys[s]![r]!;
      if (!known.has(key)) jobs.set(key, { path, settings: given, labels });
    }
  }
  const kept = new Set(keys.flat()).size - jobs.size;
  const failures: string[] = [];
  let done = 0;
  if (jobs.size > 0 && !signal.aborted) {
    const threads = Math.min(workers, jobs.size);
    const pool = new Tinypool({
      filename: JOB.href,
      minThreads: threads,
      maxThreads: threads,
      resourceLimits: { maxYoungGenerationSizeMb: 8 },
    });
    const bar = new ProgressLine(what, "lines");
    const stop = () => void pool.destroy();
    signal.addEventListener("abort", stop, { once: true });
    try {
      await Promise.all(
        Array.from(jobs, async ([key, job]) => {
          let answer: Answer;
          try {
            answer = (await pool.run(job)) as Answer;
          } catch (error) {
            if (signal.aborted) return;
            answer = { failed: (error as Error).message };
          }
          if (signal.aborted) return;
          done++;
          if ("failed" in answer) {
            failures.push(`${job.path} with ${describeSettings(job.settings)}: ${answer.failed}`);
          } else {
            known.set(key, answer.score);
            const row = { key, recording: job.path, settings: job.settings, score: answer.score };
            appendFileSync(results, `${JSON.stringify(row)}\n`);
          }
          bar.show(done / jobs.size);
        }),
      );
    } finally {
      signal.removeEventListener("abort", stop);
      bar.stop();
      await pool.destroy();
    }
  }
  return {
    scores: keys.map((row) => row.map((key) => known.get(key) ?? null)),
    failures: failures.sort(),
    done,
    kept,
    left: jobs.size - done,
  };
}

export function describeSettings(settings: Given): string {
  const words = Object.entries(settings).map(([name, value]) => `${name}=${String(value)}`);
  return words.length > 0 ? words.join(" ") : "the recordings' own settings";
}

export const CORES = availableParallelism();

/** Runs `body` with a signal that Ctrl-C gives, instead of ending the process. */
export async function untilInterrupted<T>(body: (signal: AbortSignal) => Promise<T>): Promise<T> {
  const controller = new AbortController();
  const stop = () => controller.abort();
  process.once("SIGINT", stop);
  process.once("SIGTERM", stop);
  try {
    return await body(controller.signal);
  } finally {
    process.off("SIGINT", stop);
    process.off("SIGTERM", stop);
  }
}
