import { readdirSync, readFileSync, statSync } from "node:fs";
import { gunzipSync } from "node:zlib";
import { ImportError } from "./source.ts";

/** Bytes of text, unpacked. A file of scans of an hour has some 30 MB. */
const LARGEST_TEXT = 256 * 1024 * 1024;
/** Bytes of any file. The largest image has 8 MB of counts. */
const LARGEST_FILE = 256 * 1024 * 1024;

/** All of a file, if it is one and not too large. @throws {ImportError} also instead of the file system's own error */
export function readBytes(path: string): Buffer {
  try {
    const stats = statSync(path);
    if (!stats.isFile()) throw new ImportError(path, null, "isn't a file");
    if (stats.size > LARGEST_FILE)
      throw new ImportError(path, null, `has ${stats.size} bytes, at most ${LARGEST_FILE}; split it`);
    return readFileSync(path);
  } catch (error) {
    if (error instanceof ImportError) throw error;
    throw new ImportError(
      path,
      null,
      `can't be read (${(error as NodeJS.ErrnoException).code}); check the path`,
    );
  }
}

/** @throws {ImportError} instead of the file system's own error */
export function listFolder(path: string): string[] {
  try {
    return readdirSync(path);
  } catch (error) {
    const { code } = error as NodeJS.ErrnoException;
    throw new ImportError(path, null, `can't be listed (${code}); give the folder that holds the files`);
  }
}

/** The text of a file, which may be gzipped. */
export function readText(path: string): string {
  let bytes = readBytes(path);
  if (bytes[0] === 0x1f && bytes[1] === 0x8b) {
    try {
      bytes = gunzipSync(bytes, { maxOutputLength: LARGEST_TEXT });
    } catch (error) {
      const { code, message } = error as NodeJS.ErrnoException;
      const why = code === "ERR_BUFFER_TOO_LARGE" ? `more than ${LARGEST_TEXT} bytes; split it` : message;
      throw new ImportError(path, null, `can't be unpacked: ${why}`);
    }
  }
  if (bytes.length > LARGEST_TEXT)
    throw new ImportError(path, null, `has ${bytes.length} bytes of text, at most ${LARGEST_TEXT}; split it`);
  return bytes.toString("utf8");
}

/** A finite number, or an error that says which. */
export function parseNumber(text: string, path: string, line: number, what: string): number {
  const value = text.trim() === "" ? Number.NaN : Number(text);
  if (!Number.isFinite(value))
    throw new ImportError(path, line, `${what} is "${text.trim()}"; a finite number is needed`);
  return value;
}

/** Lines that aren't blank, with their numbers from 1. */
export function* nonBlankLines(text: string): Generator<[line: string, number: number], void, undefined> {
  let line = 0;
  for (let at = 0; at < text.length; ) {
    const found = text.indexOf("\n", at);
    const end = found < 0 ? text.length : found;
    line++;
    const content = text.slice(at, end).trim();
    at = end + 1;
    if (content !== "") yield [content, line];
  }
}

/** A CSV file with a line of column names; no quotes. */
export class Table {
  readonly path: string;
  readonly columns: readonly string[];
  readonly #text: string;

  /** @throws {ImportError} if it can't be read, is empty, or lacks a column that is `needed` */
  constructor(path: string, needed: readonly string[]) {
    this.path = path;
    this.#text = readText(path).replace(/^\ufeff/, "");
    const first = nonBlankLines(this.#text).next();
    if (first.done) throw new ImportError(path, null, "is empty; it needs a line of column names");
    this.columns = first.value[0].split(",").map((name) => name.trim());
    const missing = needed.filter((name) => !this.columns.includes(name));
    if (missing.length > 0) {
      const all = this.columns.slice(0, 20).join(",");
      throw new ImportError(
        path,
        first.value[1],
        `no column ${missing.join(", ")} among ${all}; the first line must name the columns`,
      );
    }
  }

  /** Where a column is, or -1. */
  index(name: string): number {
    return this.columns.indexOf(name);
  }

  /** Rows, by counting lines. */
  get count(): number {
    let lines = -1;
    for (const _ of nonBlankLines(this.#text)) lines++;
    return lines;
  }

  /** The rows' cells and their line numbers. @throws {ImportError} at a row of another length */
  *rows(): Generator<[cells: string[], line: number], void, undefined> {
    const lines = nonBlankLines(this.#text);
    lines.next();
    for (const [content, line] of lines) {
      const cells = content.split(",");
      if (cells.length !== this.columns.length) {
        throw new ImportError(
          this.path,
          line,
          `${cells.length} columns, the first line names ${this.columns.length}; mend or remove the row`,
        );
      }
      yield [cells, line];
    }
  }
}
