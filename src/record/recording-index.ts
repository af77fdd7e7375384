import type { MsgpackReader, MsgpackWriter } from "../coding/msgpack.ts";
import type { HeadEvent } from "../sense/events.ts";
import { EVENT_KINDS, finishRecord, startRecord } from "./format.ts";

// An index of pages rather than of records: a stretch of the file each, with what is in it. It never has more than
// MAX_PAGES, so that neither a writer's memory nor the index grows with the length of a recording.

/** Most pages of an index; when it is full, each two neighbours are merged. */
export const MAX_PAGES = 4096;
const FIRST_PAGE_SIZE = 1 << 18;

/** A stretch of a recording, from the record at `offset` up to the next page. */
export interface IndexPage {
  readonly offset: number;
  /** The earliest and the latest time in it, microseconds; events needn't be in the order of time. */
  readonly firstTime: number;
  readonly lastTime: number;
  /** How many events of each kind (in the order of `EVENT_KINDS`), and the bytes of their records. */
  readonly counts: readonly number[];
  readonly sizes: readonly number[];
}

/** The contents of a recording, without its images. */
export interface RecordingIndex {
  readonly pages: readonly IndexPage[];
  readonly counts: Readonly<Record<HeadEvent["kind"], number>>;
  readonly sizes: Readonly<Record<HeadEvent["kind"], number>>;
  /** Earliest and latest time of any event; NaN when there is none. */
  readonly firstTime: number;
  readonly lastTime: number;
  /** True when the recording had no readable index, so that this one comes from a scan. */
  readonly rebuilt: boolean;
}

interface OpenPage extends IndexPage {
  firstTime: number;
  lastTime: number;
  readonly counts: number[];
  readonly sizes: number[];
}

/** Gathers an index while records are written or scanned, in bounded memory. */
export class IndexBuilder {
  #pages: OpenPage[] = [];
  #pageSize = FIRST_PAGE_SIZE;

  add(kind: HeadEvent["kind"], time: number, offset: number, size: number): void {
    let page = this.#pages.at(-1);
    if (page === undefined || offset >= page.offset + this.#pageSize) {
      if (this.#pages.length === MAX_PAGES) this.#halve();
      const zeros = EVENT_KINDS.map(() => 0);
      page = { offset, firstTime: time, lastTime: time, counts: zeros, sizes: [...zeros] };
      this.#pages.push(page);
    }
    const k = EVENT_KINDS.indexOf(kind);
    page.firstTime = Math.min(page.firstTime, time);
    page.lastTime = Math.max(page.lastTime, time);
    page.counts[k]!++;
    page.sizes[k]! += size;
  }

  #halve(): void {
    const merged: OpenPage[] = [];
    for (let i = 0; i < this.#pages.length; i += 2) {
      const page = this.#pages[i]!;
      const next = this.#pages[i + 1];
      if (next !== undefined) {
        page.firstTime = Math.min(page.firstTime, next.firstTime);
        page.lastTime = Math.max(page.lastTime, next.lastTime);
        next.counts.forEach((count, k) => {
          page.counts[k]! += count;
          page.sizes[k]! += next.sizes[k]!;
        });
      }
      merged.push(page);
    }
    this.#pages = merged;
    this.#pageSize *= 2;
  }

  finish(rebuilt: boolean): RecordingIndex {
    return summarize(this.#pages, rebuilt);
  }
}

function summarize(pages: readonly IndexPage[], rebuilt: boolean): RecordingIndex {
  const sum = (of: "counts" | "sizes") =>
    Object.fromEntries(EVENT_KINDS.map((kind, k) => [kind, pages.reduce((n, page) => n + page[of][k]!, 0)]));
  return {
    pages,
    counts: sum("counts") as RecordingIndex["counts"],
    sizes: sum("sizes") as RecordingIndex["sizes"],
    firstTime: pages.reduce(
      (time, page) => Math.min(time, page.firstTime),
      pages[0]?.firstTime ?? Number.NaN,
    ),
    lastTime: pages.reduce((time, page) => Math.max(time, page.lastTime), pages[0]?.lastTime ?? Number.NaN),
    rebuilt,
  };
}

/**
 * The offset from which to read every event at or after `time`, for `Recording.events`. Earlier
 * events may come first, up to a page of them. Null when all events are earlier.
 */
export function seekOffset(index: RecordingIndex, time: number): number | null {
  return index.pages.find((page) => page.lastTime >= time)?.offset ?? null;
}

/** Writes the index record. */
export function encodeIndex(out: MsgpackWriter, pages: readonly IndexPage[]): void {
  startRecord(out);
  out.map(3);
  out.name("kind");
  out.name("index");
  out.name("kinds");
  out.array(EVENT_KINDS.length);
  for (const kind of EVENT_KINDS) out.name(kind);
  out.name("pages");
  out.array(pages.length);
  for (const { offset, firstTime, lastTime, counts, sizes } of pages) {
    out.array(5);
    for (const value of [offset, firstTime, lastTime]) out.int(value);
    for (const values of [counts, sizes]) {
      out.array(values.length);
      for (const value of values) out.int(value);
    }
  }
  finishRecord(out);
}

/** Most kinds of events that an index may name, known here or not. */
const MAX_KINDS = 64;

/**
 * Reads the payload of an index record. Unknown kinds are skipped, and known kinds that it does not name have
 * no events, so an index of an older or newer version is valid.
 * @param fileSize offsets must lie below it
 * @throws {DecodeError} if it isn't an index, or its pages aren't in order
 */
export function decodeIndex(reader: MsgpackReader, fileSize: number): RecordingIndex {
  let kinds: string[] | null = null;
  let pages: IndexPage[] = [];
  for (let left = reader.map("index"); left > 0; left--) {
    const key = reader.text("field name");
    if (key === "kind") {
      if (reader.text(key) !== "index") reader.fail("record isn't an index");
    } else if (key === "kinds") {
      kinds = Array.from({ length: bounded(reader, "kinds", MAX_KINDS) }, () => reader.text(key));
    } else if (key === "pages") pages = decodePages(reader, fileSize);
    else reader.skip(key);
  }
  const named = kinds ?? [];
  if (pages.some(({ counts, sizes }) => counts.length !== named.length || sizes.length !== named.length)) {
    reader.fail("counts or sizes of a page don't match the kinds");
  }
  const known = (values: readonly number[]) => EVENT_KINDS.map((kind) => values[named.indexOf(kind)] ?? 0);
  return summarize(
    pages.map((page) => ({ ...page, counts: known(page.counts), sizes: known(page.sizes) })),
    false,
  );
}

/** The pages of an index, with the counts and sizes of whatever kinds it names. */
function decodePages(reader: MsgpackReader, fileSize: number): IndexPage[] {
  const most = Number.MAX_SAFE_INTEGER;
  const whole = (name: string) =>
    Array.from({ length: bounded(reader, name, MAX_KINDS) }, () => reader.int(name, 0, most));
  let next = 0;
  return Array.from({ length: bounded(reader, "pages", MAX_PAGES) }, () => {
    if (reader.array("page") !== 5) reader.fail("a page of the index should have 5 parts");
    const offset = reader.int("page offset", next, fileSize);
    next = offset + 1;
    const firstTime = reader.int("page time", -most, most);
    const lastTime = reader.int("page time", firstTime, most);
    return { offset, firstTime, lastTime, counts: whole("counts"), sizes: whole("sizes") };
  });
}

/** Length of the array that comes next. @throws {DecodeError} if it is longer than the format allows */
function bounded(reader: MsgpackReader, field: string, most: number): number {
  const count = reader.array(field);
  if (count > most) reader.fail(`${count} ${field} in an index, the format allows ${most}`);
  return count;
}

/** Size of the end record, head included: always the same, so that it is found from the end of the file. */
export const END_SIZE = 57;

/** Writes the last record: where the index and the second copy of the header are. */
export function encodeEnd(out: MsgpackWriter, indexOffset: number, headerOffset: number): void {
  startRecord(out);
  out.map(3);
  out.name("kind");
  out.name("end");
  out.name("index");
  out.float(indexOffset); // always 9 bytes
  out.name("header");
  out.float(headerOffset);
  finishRecord(out);
}

/** @throws {DecodeError} if the payload isn't an end record's */
export function decodeEnd(reader: MsgpackReader, fileSize: number): { index: number; header: number } {
  let index = -1;
  let header = -1;
  let kind = "";
  for (let left = reader.map("end"); left > 0; left--) {
    const key = reader.text("field name");
    if (key === "kind") kind = reader.text(key);
    else if (key === "index") index = reader.int(key, 0, fileSize);
    else if (key === "header") header = reader.int(key, 0, fileSize);
    else reader.skip(key);
  }
  if (kind !== "end" || index < 0 || header < 0) reader.fail("record isn't a complete end record");
  return { index, header };
}
