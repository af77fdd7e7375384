import { readdirSync, rmSync, statSync } from "node:fs";
import { join } from "node:path";
import { MsgpackWriter } from "../../coding/msgpack.ts";
import { createRecordingNow } from "../../record/file.ts";
import type { RecordingWriter } from "../../record/writer.ts";
import type { HeadEvent, Setup, ShedEvent } from "../../sense/events.ts";
import { makeFolder } from "../make-folder.ts";

const SOFTWARE = "brinkmap serve";

interface Segment {
  readonly path: string;
  /** Microseconds: times of its first and its newest event. */
  readonly from: number;
  until: number;
  bytes: number;
}

/**
 * The newest events on disk, within a budget of bytes. The ring consists of segments, each of them a complete recording, so a killed process
 * loses at most the record in flight. The oldest segments are deleted to make room.
 */
export class SegmentRing {
  readonly #folder: string;
  readonly #budget: number;
  readonly #length: number;
  readonly #failed: (error: Error) => void;
  readonly #segments: Segment[] = [];
  /** Segments of an earlier run, which are only deleted. */
  readonly #old: Segment[] = [];
  #header: { readonly setup: Setup; readonly settings: Readonly<Record<string, unknown>> } | null = null;
  #writer: RecordingWriter | null = null;
  #count = 0;
  /** The present level of load shedding. Each segment begins with it, because it may be the first one of a kept stretch. */
  shed: ShedEvent | null = null;
  /** Reused for all segments, because a head runs for weeks and new buffers would be garbage. */
  readonly #out = new MsgpackWriter();

  /**
   * @param budget bytes of all segments
   * @param length microseconds of a segment
   * @param failed called when the end of a segment cannot be written
   */
  constructor(folder: string, budget: number, length: number, failed: (error: Error) => void) {
    this.#folder = folder;
    this.#budget = budget;
    this.#length = length;
    this.#failed = failed;
  }

  /** Makes the folder, and lists the segments in it. @throws file errors */
  restore(): void {
    makeFolder(this.#folder);
    const names = readdirSync(this.#folder)
      .filter((name) => /^\d{8}\.brk$/.test(name))
      .sort();
    for (const name of names) {
      const path = join(this.#folder, name);
      this.#old.push({ path, from: 0, until: 0, bytes: statSync(path).size });
    }
    this.#count = names.length === 0 ? 0 : Number(names.at(-1)!.slice(0, 8)) + 1;
  }

  /** Files of the newest segments of an earlier run, oldest first; at most `count`. */
  leftBehind(count: number): readonly string[] {
    return this.#old.slice(-count).map(({ path }) => path);
  }

  /** Removes the newest segment of an earlier run. */
  forgetLeftBehind(): void {
    const last = this.#old.pop();
    if (last !== undefined) rmSync(last.path, { force: true });
  }

  /** Sets sensors and settings of the following events. */
  begin(setup: Setup, settings: Readonly<Record<string, unknown>>): void {
    this.endSegment();
    this.#header = { setup, settings };
  }

  /** Whether events can be written. */
  get isBegun(): boolean {
    return this.#header !== null;
  }

  /** Ends the segment if it has its full length. */
  endSegmentBefore(time: number): void {
    if (this.#writer !== null && time - this.#segments.at(-1)!.from >= this.#length) this.endSegment();
  }

  endSegment(): void {
    const writer = this.#writer;
    this.#writer = null;
    if (writer === null) return;
    void writer.close().catch(this.#failed);
    this.#segments.at(-1)!.bytes = writer.size;
  }

  /** Ends the segment after a disk error. The written part stays readable, without an index. */
  giveUpSegment(): void {
    void this.#writer?.close().catch(() => {});
    this.#writer = null;
    this.#dropOldest();
  }

  /**
   * Writes an event, to a new segment if none is open.
   * @returns false when it fits no sensor of the header, so that nothing was written
   * @throws file errors
   */
  write(event: HeadEvent): boolean {
    this.#writer ??= this.#beginSegment(event.time);
    try {
      this.#writer.write(event);
    } catch (error) {
      if (error instanceof RangeError) return false;
      throw error;
    }
    const segment = this.#segments.at(-1)!;
    segment.until = Math.max(segment.until, event.time);
    segment.bytes = this.#writer.size;
    return true;
  }

  /** Files of the segments that overlap a time range, oldest first. */
  between(from: number, until: number): readonly string[] {
    return this.#segments
      .filter((segment) => segment.until >= from && segment.from <= until)
      .map(({ path }) => path);
  }

  #beginSegment(time: number): RecordingWriter {
    this.#makeRoom();
    const path = join(this.#folder, `${String(this.#count++).padStart(8, "0")}.brk`);
    const header = { ...this.#header!, about: "the last minutes", software: SOFTWARE };
    const writer = createRecordingNow(path, header, { out: this.#out });
    if (this.shed !== null) writer.write({ ...this.shed, time });
    this.#segments.push({ path, from: time, until: time, bytes: writer.size });
    return writer;
  }

  #makeRoom(): void {
    const sizeOf = (segments: readonly Segment[]) => segments.reduce((sum, { bytes }) => sum + bytes, 0);
    while (sizeOf(this.#old) + sizeOf(this.#segments) > this.#budget && this.#dropOldest());
  }

  #dropOldest(): boolean {
    const oldest = this.#old.shift() ?? this.#segments.shift();
    if (oldest === undefined) return false;
    try {
      rmSync(oldest.path, { force: true });
    } catch {
      // The file cannot be deleted either. The next attempt comes later.
    }
    return true;
  }
}
