import { DecodeError } from "../coding/decode-error.ts";
import { MsgpackReader } from "../coding/msgpack.ts";
import type { HeadEvent } from "../sense/events.ts";
import { decodeEvent, decodeLabel, ImageBuffers, type RecordLabel } from "./decode-event.ts";
import {
  HEAD_SIZE,
  isIntact,
  isPrefix,
  MAX_PAYLOAD,
  PREFIX_SIZE,
  payloadSize,
  type RecordingHeader,
  SYNC_FIRST,
} from "./format.ts";
import { decodeHeader } from "./header.ts";

/** A part of a recording that can't be read. Reading continues after it. */
export interface Damage {
  readonly offset: number;
  readonly length: number;
  readonly reason: string;
}

export interface ReadOptions {
  /** Throw a DecodeError at the first damage instead of going on behind it. */
  readonly strict?: boolean;
  /** Buffers of its own otherwise. */
  readonly memory?: ReadMemory;
}

/** Shared buffers for readers that are never in use at the same time: each reader invalidates the results of the others. */
export class ReadMemory {
  bytes = new Uint8Array(1 << 16);
  readonly images = new ImageBuffers();
}

/** An event without its images, which take long to unpack. */
export type OutlineEvent =
  | Exclude<HeadEvent, { kind: "depth" }>
  | { readonly kind: "depth"; readonly time: number };

/** Most entries of damage; the last entry then covers all further damage. */
const MAX_DAMAGES = 10_000;
/** Bytes from the start of a file in which the first record is sought before the file counts as no recording. */
const MAX_LEAD = 1 << 20;

/**
 * Bytes checksummed in vain for each byte of the file, beyond one record's worth. Damage costs its own size once;
 * a file of nested false records could otherwise cost the square of its size.
 */
const MAX_WASTE = 4;

/**
 * Finds the records in bytes that come in pieces of any size. Its buffer holds one record and one piece, so it grows
 * to the longest record at most, and only with bytes that have come.
 */
export class RecordScanner {
  readonly #memory: ReadMemory;
  #buffer: Uint8Array;
  #at = 0; // the next byte to look at
  #end = 0; // after the last byte that came
  #base: number; // offset of #buffer[0] in the file
  #ended = false;
  #needsPrefix: boolean;
  #found = 0; // records so far
  #damages: Damage[] = [];
  #lostFrom = -1; // where the damage being passed starts, -1 for none
  #lostReason = "";
  #wasted = 0;
  readonly #strict: boolean;
  /** The record last found: where its head starts in `bytes`, and its size with the head. */
  start = 0;
  size = 0;

  /** @param offset where in the file the bytes start; unless at 0, that is at a record */
  constructor({ strict = false }: ReadOptions, memory: ReadMemory, offset: number) {
    this.#strict = strict;
    this.#memory = memory;
    this.#buffer = memory.bytes;
    this.#base = offset;
    this.#needsPrefix = offset === 0;
  }

  get bytes(): Uint8Array {
    return this.#buffer;
  }

  /** Offset of `bytes[0]` in the file. */
  get base(): number {
    return this.#base;
  }

  get damage(): readonly Damage[] {
    return this.#damages;
  }

  /** Buffer space for `size` more bytes, before `commit`. Invalidates the last record. */
  space(size: number): Uint8Array {
    if (this.#end + size > this.#buffer.length) {
      const held = this.#end - this.#at;
      if (held + size <= this.#buffer.length) this.#buffer.copyWithin(0, this.#at, this.#end);
      else {
        const larger = new Uint8Array(Math.max(2 * this.#buffer.length, held + size));
        larger.set(this.#buffer.subarray(this.#at, this.#end));
        this.#buffer = this.#memory.bytes = larger;
      }
      this.#base += this.#at;
      this.#end = held;
      this.#at = 0;
    }
    return this.#buffer.subarray(this.#end, this.#end + size);
  }

  /** `size` bytes have been put into `space`. */
  commit(size: number): void {
    this.#end += size;
  }

  /** No more bytes will come. */
  finish(): void {
    this.#ended = true;
  }

  /** Finds the next record; false if that takes more bytes, or there is none after `finish`. */
  next(): boolean {
    if (this.#needsPrefix) {
      if (this.#end - this.#at < PREFIX_SIZE && !this.#ended) return false;
      this.#needsPrefix = false;
      if (this.#end - this.#at >= PREFIX_SIZE && isPrefix(this.#buffer, this.#at)) this.#at += PREFIX_SIZE;
      else this.#lose("doesn't start as a recording does");
    }
    if (this.#lostFrom < 0) {
      if (this.#at === this.#end) return false;
      const state = this.#look();
      if (state === "more") return false;
      if (state === "record") return this.#take();
      this.#lose(state);
      this.#at++;
    }
    for (;;) {
      const candidate = this.#buffer.indexOf(SYNC_FIRST, this.#at);
      this.#at = candidate < 0 || candidate >= this.#end ? this.#end : candidate;
      if (this.#found === 0 && this.#base + this.#at - this.#lostFrom > MAX_LEAD) {
        throw new DecodeError(`no recording: no record in ${MAX_LEAD} bytes`, this.#lostFrom);
      }
      if (this.#at === this.#end) {
        if (this.#ended) this.#reportLost();
        return false;
      }
      const state = this.#look();
      if (state === "more") return false;
      if (state === "record") {
        this.#reportLost();
        return this.#take();
      }
      this.#at++;
    }
  }

  /** What starts at the next byte: a record, too little to tell, or the reason why it is none. */
  #look(): string {
    const left = this.#end - this.#at;
    if (left < HEAD_SIZE) return this.#ended ? "record head is cut short" : "more";
    const size = payloadSize(this.#buffer, this.#at);
    if (size < 0) return "no record head";
    if (left < HEAD_SIZE + size) return this.#ended ? "record is cut short" : "more";
    if (!isIntact(this.#buffer, this.#at, size)) {
      this.#wasted += size;
      const offset = this.#base + this.#at;
      if (this.#wasted > MAX_PAYLOAD + MAX_WASTE * offset) {
        throw new DecodeError("too many false records: the file is made to waste time", offset);
      }
      return "checksum of the record is wrong";
    }
    this.size = HEAD_SIZE + size;
    return "record";
  }

  #take(): true {
    this.start = this.#at;
    this.#at += this.size;
    this.#found++;
    return true;
  }

  #lose(reason: string): void {
    const offset = this.#base + this.#at;
    if (this.#strict) throw new DecodeError(reason, offset);
    this.#lostFrom = offset;
    this.#lostReason = reason;
  }

  #reportLost(): void {
    const offset = this.#lostFrom;
    this.#lostFrom = -1;
    this.#report({ offset, length: this.#base + this.#at - offset, reason: this.#lostReason });
  }

  #report(damage: Damage): void {
    if (damage.length === 0) return; // an empty file
    const last = this.#damages.at(-1);
    if (this.#damages.length < MAX_DAMAGES || last === undefined) this.#damages.push(damage);
    else {
      const length = damage.offset + damage.length - last.offset;
      this.#damages[MAX_DAMAGES - 1] = { offset: last.offset, length, reason: "many damages from here on" };
    }
  }

  /** The last record is intact, but its content is invalid. @throws {DecodeError} when strict */
  reject(error: DecodeError): void {
    if (this.#strict) throw error;
    this.#report({ offset: this.#base + this.start, length: this.size, reason: error.message });
  }

  /** Lets `reader` read the payload of the record last found. */
  open(reader: MsgpackReader): void {
    reader.reset(this.#buffer, this.start + HEAD_SIZE, this.start + this.size, this.#base);
  }
}

/**
 * Reads a recording that comes in pieces of any size:
 *
 *     reader.push(piece); for (let e = reader.next(); e; e = reader.next()) take(e);  // per piece
 *     reader.finish();    for (let e = reader.next(); e; e = reader.next()) take(e);  // at the end
 *
 * A depth event's images are valid until the next call of `next`.
 */
export class RecordingReader {
  readonly #scanner: RecordScanner;
  readonly #reader = new MsgpackReader();
  readonly #images: ImageBuffers;
  #header: RecordingHeader | null;
  #unknown = 0;

  /**
   * @param header the header, if it is known already, to read from `offset`, where a record starts. Without it
   *   the bytes start at the beginning of the recording.
   */
  constructor(options: ReadOptions = {}, header: RecordingHeader | null = null, offset = 0) {
    const { memory = new ReadMemory() } = options;
    this.#scanner = new RecordScanner(options, memory, offset);
    this.#images = memory.images;
    this.#header = header;
  }

  /** Null until enough bytes have come. */
  get header(): RecordingHeader | null {
    return this.#header;
  }

  /** Damage so far. */
  get damage(): readonly Damage[] {
    return this.#scanner.damage;
  }

  /** Number of skipped records of unknown kinds. */
  get unknown(): number {
    return this.#unknown;
  }

  /** Offset in the file of the last event, and the size of its record. */
  get offset(): number {
    return this.#scanner.base + this.#scanner.start;
  }

  get size(): number {
    return this.#scanner.size;
  }

  /** Takes a copy of `piece`. */
  push(piece: Uint8Array): void {
    this.#scanner.space(piece.length).set(piece);
    this.#scanner.commit(piece.length);
  }

  /** Like `push`, without the copy: fill what this returns, then `commit` how much was filled. */
  space(size: number): Uint8Array {
    return this.#scanner.space(size);
  }

  commit(size: number): void {
    this.#scanner.commit(size);
  }

  /** No more bytes will come. */
  finish(): void {
    this.#scanner.finish();
  }

  /** Reads the header if enough bytes have come. @throws {DecodeError} if the first record isn't a good one */
  readHeader(): RecordingHeader | null {
    if (this.#header === null && this.#scanner.next()) {
      this.#scanner.open(this.#reader);
      this.#header = decodeHeader(this.#reader);
    }
    return this.#header;
  }

  /** Decodes the record that the reader was opened on. */
  #decode(): HeadEvent | string {
    const { bytes, base } = this.#scanner;
    const { setup } = this.#header!;
    return decodeEvent({ reader: this.#reader, bytes, base, setup, images: this.#images });
  }

  /**
   * The next event, or null if that takes more bytes or there is none after `finish`.
   * @throws {DecodeError} if there is no readable header; when strict, at the first damage
   */
  next(): HeadEvent | null {
    if (this.readHeader() === null) return null;
    while (this.#scanner.next()) {
      this.#scanner.open(this.#reader);
      try {
        const event = this.#decode();
        if (typeof event !== "string") return event;
        if (!["header", "index", "end"].includes(event)) this.#unknown++;
      } catch (error) {
        if (!(error instanceof DecodeError)) throw error;
        this.#scanner.reject(error);
      }
    }
    return null;
  }

  /** Like `readHeader`, but skips other records until there is a header. */
  findHeader(): RecordingHeader | null {
    while (this.#header === null && this.#scanner.next()) {
      this.#scanner.open(this.#reader);
      if (decodeLabel(this.#reader).kind !== "header") continue;
      this.#scanner.open(this.#reader);
      this.#header = decodeHeader(this.#reader);
    }
    return this.#header;
  }

  /** Like `next`, but without unpacking depth images: those have kind and time only. */
  nextWithoutImages(): OutlineEvent | null {
    if (this.readHeader() === null) return null;
    while (this.#scanner.next()) {
      this.#scanner.open(this.#reader);
      try {
        const label = decodeLabel(this.#reader);
        if (label.kind === "depth") return { kind: "depth", time: label.time };
        if (Number.isNaN(label.time)) continue;
        this.#scanner.open(this.#reader);
        const event = this.#decode();
        if (typeof event !== "string" && event.kind !== "depth") return event;
      } catch (error) {
        if (!(error instanceof DecodeError)) throw error;
        this.#scanner.reject(error);
      }
    }
    return null;
  }

  /** Like `next`, but reads only what an index needs. */
  nextLabel(): RecordLabel | null {
    if (this.readHeader() === null) return null;
    while (this.#scanner.next()) {
      this.#scanner.open(this.#reader);
      try {
        const label = decodeLabel(this.#reader);
        if (!Number.isNaN(label.time)) return label;
      } catch (error) {
        if (!(error instanceof DecodeError)) throw error;
        this.#scanner.reject(error);
      }
    }
    return null;
  }
}
