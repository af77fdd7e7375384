import { mkdtemp, rmdir, stat } from "node:fs/promises";
import { dirname, join, resolve } from "node:path";
import { DecodeError } from "../../src/coding/decode-error.ts";
import { fileTrouble } from "../../src/service/file-trouble.ts";

/** Wrong usage: an invalid option or argument; the message names it and the allowed values. */
export class UsageError extends Error {
  override readonly name = "UsageError";
}

/** The output cannot be written; the message names the file and the reason. */
export class OutputError extends Error {
  override readonly name = "OutputError";
}

/** Exit codes, the same for every command; a command's help adds its own. */
export const EXIT = {
  done: 0,
  failed: 1,
  usage: 2,
  input: 3,
  output: 4,
  finding: 5,
  queue: 6,
  stopped: 130,
} as const;

/**
 * Exit codes of errors that the caller can correct, by name, so that no command loads the modules of another's
 * errors. Any other error is internal.
 */
const CODES: Readonly<Record<string, number>> = {
  UsageError: EXIT.usage,
  SettingError: EXIT.usage,
  DecodeError: EXIT.input,
  SnapshotError: EXIT.input,
  ScenarioError: EXIT.input,
  ConfigError: EXIT.input,
  ImportError: EXIT.input,
  LabelsError: EXIT.input,
  LiveError: EXIT.input,
  NoPoseError: EXIT.input,
  OutputError: EXIT.output,
  ResultsError: EXIT.output,
  QueueError: EXIT.queue,
  StoppedError: EXIT.stopped,
};

/** Messages for errors of addresses; %s is the address. */
const ADDRESS: Readonly<Record<string, string>> = {
  EADDRINUSE: "another program listens at %s already; --port 0 takes any port that is free",
  EADDRNOTAVAIL: "this machine has no address %s",
  EACCES: "this user may not listen at %s; ports from 1024 up are open to all",
};

interface SystemError extends Error {
  readonly code: string;
  readonly path?: string;
  readonly syscall?: string;
  readonly address?: string;
  readonly port?: number;
}

const codeOf = (error: unknown): string => String((error as Partial<SystemError> | null)?.code ?? "");

/**
 * A file or network error of the system as one line for people; null for other errors.
 * @param subject the file that was worked on, where the error does not name one
 */
export function systemMessage(error: unknown, subject = "the file"): string | null {
  if (!(error instanceof Error)) return null;
  const { code, syscall, address, port } = error as SystemError;
  if (syscall === "listen" || syscall === "bind") {
    return ADDRESS[code]?.replace("%s", () => `${address ?? "this machine"}:${port ?? "?"}`) ?? null;
  }
  return fileTrouble(error, subject);
}

/** Runs code that reads a file; an error of the system or of the content then names the file. */
export async function reading<T>(path: string, body: () => T | Promise<T>): Promise<T> {
  try {
    return await body();
  } catch (error) {
    // Reading a folder fails without a path.
    if (systemMessage(error) !== null && (error as Partial<SystemError>).path === undefined) {
      Object.assign(error as object, { path });
    }
    if (error instanceof DecodeError && !error.message.includes(path))
      error.message = `${path}: ${error.message}`;
    throw error;
  }
}

/**
 * Runs code that writes; its file errors become errors of the output.
 * @param canForce whether the command has a --force, which is named when the file is there already
 * @throws {OutputError}
 */
export async function writing<T>(subject: string, body: () => T | Promise<T>, canForce = false): Promise<T> {
  try {
    return await body();
  } catch (error) {
    const message = systemMessage(error, subject);
    if (message === null) throw error;
    throw new OutputError(
      canForce && codeOf(error) === "EEXIST" ? `${message} (--force overwrites it)` : message,
    );
  }
}

/**
 * Checks before long work that files can be written into a folder, which may not exist yet. An empty folder is made for the check, and removed:
 * permissions alone do not tell whether the file system takes it.
 * @throws {OutputError}
 */
export function checkFolder(folder: string): Promise<void> {
  return writing(folder, async () => {
    for (let at = resolve(folder); ; at = dirname(at)) {
      const found = await stat(at).catch((error: unknown) => {
        if (codeOf(error) === "ENOENT") return null;
        throw error;
      });
      if (found === null) continue;
      if (!found.isDirectory()) throw new OutputError(`${at} is a file; a folder is needed`);
      await tryFolder(at);
      return;
    }
  });
}

/**
 * Checks before long work that a file can be written where it is asked for. Its folder must be there.
 * @throws {OutputError}
 */
export function checkFile(path: string): Promise<void> {
  return writing(path, async () => {
    const folder = dirname(resolve(path));
    const isThere = await stat(folder).catch(() => null);
    if (isThere === null) throw new OutputError(`${folder}: there is no such folder`);
    const found = await stat(path).catch(() => null);
    if (found?.isDirectory()) throw new OutputError(`${path} is a folder; a file is needed`);
    await tryFolder(folder);
  });
}

async function tryFolder(folder: string): Promise<void> {
  const tried = await mkdtemp(join(folder, ".brinkmap-")).catch((error: unknown) => {
    if (codeOf(error) !== "ENOENT") throw Object.assign(error as object, { path: folder });
    throw new OutputError(`${folder}: no files can be made in this folder`);
  });
  await rmdir(tried);
}

export interface Failure {
  readonly code: number;
  readonly message: string;
}

/**
 * The exit code and the line for an error that the caller can correct; null for an internal error, whose
 * stack is then wanted.
 * @param subject the file that was worked on, where the error does not name one
 */
export function failureOf(error: unknown, subject?: string): Failure | null {
  if (!(error instanceof Error)) return null;
  const code = codeOf(error);
  if (code.startsWith("ERR_PARSE_ARGS")) return { code: EXIT.usage, message: parseMessage(error) };
  const known = Object.hasOwn(CODES, error.name) ? CODES[error.name] : undefined;
  if (known !== undefined) {
    const isUnnamed =
      error.name === "DecodeError" && subject !== undefined && !error.message.includes(subject);
    return { code: known, message: oneLine(isUnnamed ? `${subject}: ${error.message}` : error.message) };
  }
  const message = systemMessage(error, subject);
  if (message === null) return null;
  const { syscall } = error as SystemError;
  return { code: syscall === "listen" || syscall === "bind" ? EXIT.output : EXIT.input, message };
}

/** A shorter form of the messages of Node's argument parser. */
function parseMessage({ message }: Error): string {
  const unknown = /^Unknown option '([^']+)'/.exec(message);
  if (unknown !== null) return `there is no option ${unknown[1]} (see --help)`;
  const missing = /^Option '([^']+)' argument missing/.exec(message);
  if (missing !== null) return `${missing[1]!.replace(/ <value>$/, "")} needs a value (see --help)`;
  const flag = /^Option '([^']+)' does not take an argument/.exec(message);
  if (flag !== null) return `${flag[1]} takes no value (see --help)`;
  return oneLine(message.split("\n")[0]!);
}

const oneLine = (text: string): string => text.trim().replace(/\s*\n\s*/g, "; ");

/** The names most similar to a misspelt one, best first; none if nothing is similar. */
export function nearest(word: string, names: readonly string[]): string[] {
  const most = Math.max(1, Math.floor(word.length / 3));
  return names
    .map((name) => ({ name, edits: name.startsWith(word) ? 0 : editsBetween(word, name) }))
    .filter(({ edits }) => edits <= most)
    .sort((a, b) => a.edits - b.edits)
    .map(({ name }) => name);
}

/** Letters to insert, delete or replace to make one word of the other. Source: Levenshtein 1966, by Wagner & Fischer 1974. */
function editsBetween(a: string, b: string): number {
  let above = Array.from({ length: b.length + 1 }, (_, j) => j);
  for (let i = 1; i <= a.length; i++) {
    const row = [i];
    for (let j = 1; j <= b.length; j++) {
      const replaced = above[j - 1]! + (a[i - 1] === b[j - 1] ? 0 : 1);
      row.push(Math.min(replaced, above[j]! + 1, row[j - 1]! + 1));
    }
    above = row;
  }
  return above[b.length]!;
}
