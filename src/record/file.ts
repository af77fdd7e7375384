import { closeSync, fstatSync, fsyncSync, openSync, readSync, writeSync } from "node:fs";
import { DecodeError } from "../coding/decode-error.ts";
import { MsgpackReader, type MsgpackWriter } from "../coding/msgpack.ts";
import type { HeadEvent } from "../sense/events.ts";
import type { ByteSink } from "./byte-sink.ts";
import { HEAD_SIZE, isIntact, payloadSize, type RecordingHeader, VersionError } from "./format.ts";
import { decodeHeader } from "./header.ts";
import { type Damage, type OutlineEvent, type ReadOptions, RecordingReader } from "./reader.ts";
import { decodeEnd, decodeIndex, END_SIZE, IndexBuilder, type RecordingIndex } from "./recording-index.ts";
import { RecordingWriter } from "./writer.ts";

const CHUNK = 1 << 18;

/** Appends to a file. Each `write` has reached the kernel when it returns, so it outlives this process. */
class FileSink implements ByteSink {
  readonly #fd: number;
  #whole = true;
  constructor(path: string, flags: string) {
    this.#fd = openSync(path, flags);
  }

  write(bytes: Uint8Array): void {
    this.#whole = false;
    for (let done = 0; done < bytes.length; ) done += writeSync(this.#fd, bytes, done);
    this.#whole = true;
  }

  /** Also out of the kernel's cache and onto the disk, unless writing failed before. */
  close(): void {
    try {
      if (this.#whole) fsyncSync(this.#fd);
    } finally {
      closeSync(this.#fd);
    }
  }
}

/**
 * Starts a recording in a new file. Every event is with the kernel when `write` returns: a killed process loses at
 * most the record in flight. (A power cut may lose the seconds that the kernel hasn't put on the disk yet.)
 * @throws {RangeError} if the header is invalid; an error with `code` "EEXIST" if the file is there, unless `overwrite`
 */
export function createRecordingNow(
  path: string,
  header: RecordingHeader,
  { overwrite = false, out }: { readonly overwrite?: boolean; readonly out?: MsgpackWriter } = {},
): RecordingWriter {
  const sink = new FileSink(path, overwrite ? "w" : "wx");
  try {
    return new RecordingWriter(sink, header, out);
  } catch (error) {
    sink.close();
    throw error;
  }
}

/** The same, as a promise. */
export async function createRecording(
  path: string,
  header: RecordingHeader,
  options: { readonly overwrite?: boolean } = {},
): Promise<RecordingWriter> {
  return createRecordingNow(path, header, options);
}

/** A recording in a file. */
export class Recording {
  readonly header: RecordingHeader;
  /** Bytes in the file when it was opened. */
  readonly size: number;
  readonly #fd: number;
  readonly #options: ReadOptions;
  #reader: RecordingReader;

  /** Use `openRecording`. @throws {DecodeError} if neither copy of the header can be read */
  constructor(fd: number, options: ReadOptions) {
    this.#fd = fd;
    this.#options = options;
    this.size = fstatSync(fd).size;
    this.#reader = new RecordingReader(options);
    this.header = this.#readHeader();
  }

  #readHeader(): RecordingHeader {
    const first = this.#reader;
    try {
      return this.#readUntil(first, () => first.readHeader());
    } catch (error) {
      const isDamage = error instanceof DecodeError && !(error instanceof VersionError);
      if (!isDamage || this.#options.strict) throw error;
      try {
        const copy = this.#fromEnd("header");
        if (copy !== null) return decodeHeader(copy);
        const scan = new RecordingReader();
        return this.#readUntil(scan, () => scan.findHeader());
      } catch {
        throw error; // about the first copy: that is the one to look at
      }
    }
  }

  /** Feeds the file to `reader` until `find` finds a header. */
  #readUntil(reader: RecordingReader, find: () => RecordingHeader | null): RecordingHeader {
    const pump = this.#pump(reader, 0);
    do {
      const header = find();
      if (header !== null) return header;
    } while (pump());
    throw new DecodeError(`no recording: no header record in ${this.size} bytes`, 0);
  }

  /** Returns a function that feeds one more piece of the file to `reader`; false after the last. */
  #pump(reader: RecordingReader, offset: number): () => boolean {
    let at = offset;
    let ended = false;
    return () => {
      if (ended) return false;
      const count = readSync(this.#fd, reader.space(CHUNK), 0, CHUNK, at);
      at += count;
      reader.commit(count);
      if (count === 0) {
        ended = true;
        reader.finish();
      }
      return true;
    };
  }

  /** Payload of the record at `offset`, or null if there is none. */
  #payload(offset: number): MsgpackReader | null {
    const head = new Uint8Array(HEAD_SIZE);
    if (readSync(this.#fd, head, 0, HEAD_SIZE, offset) < HEAD_SIZE) return null;
    const size = payloadSize(head, 0);
    if (size < 0 || offset + HEAD_SIZE + size > this.size) return null;
    const record = new Uint8Array(HEAD_SIZE + size);
    if (readSync(this.#fd, record, 0, record.length, offset) < record.length) return null;
    if (!isIntact(record, 0, size)) return null;
    const reader = new MsgpackReader();
    reader.reset(record, HEAD_SIZE, record.length, offset);
    return reader;
  }

  /** The record that the end record points to, or null. */
  #fromEnd(what: "index" | "header"): MsgpackReader | null {
    if (this.size < END_SIZE) return null;
    const end = this.#payload(this.size - END_SIZE);
    if (end === null) return null;
    try {
      return this.#payload(decodeEnd(end, this.size)[what]);
    } catch (error) {
      if (error instanceof DecodeError) return null;
      throw error;
    }
  }

  /**
   * The events in the order they were recorded. A depth event's images are valid until the next event is asked for.
   * @param offset where a record starts, from `seekOffset`; without it, from the beginning
   * @throws {DecodeError} while iterating, if opened with `strict`, at the first damage
   */
  *events(offset = 0): Generator<HeadEvent, void, undefined> {
    const reader = new RecordingReader(this.#options, this.header, offset);
    this.#reader = reader;
    const pump = this.#pump(reader, offset);
    do {
      for (let event = reader.next(); event !== null; event = reader.next()) yield event;
    } while (pump());
  }

  /** Everything except the images, piece by piece: the events, and the times of the frames. */
  *outline(): Generator<OutlineEvent, void, undefined> {
    const reader = new RecordingReader({}, this.header);
    this.#reader = reader;
    const pump = this.#pump(reader, 0);
    do {
      for (let event = reader.nextWithoutImages(); event !== null; event = reader.nextWithoutImages()) {
        yield event;
      }
    } while (pump());
  }

  /** Damage found so far by the latest `events` or `outline`. */
  get damage(): readonly Damage[] {
    return this.#reader.damage;
  }

  /** Number of records of unknown kinds so far, in the latest `events`. */
  get unknown(): number {
    return this.#reader.unknown;
  }

  /** Offset and size in bytes of the latest event's record. */
  get position(): { readonly offset: number; readonly size: number } {
    return { offset: this.#reader.offset, size: this.#reader.size };
  }

  /** Whether the recorder closed it and wrote its index; `index` takes a scan otherwise. */
  hasIndex(): boolean {
    return this.#fromEnd("index") !== null;
  }

  /** The index at the end of the file or, when there is none (a killed recorder) or it is damaged, from a scan. */
  async index(): Promise<RecordingIndex> {
    const written = this.#fromEnd("index");
    try {
      if (written) return decodeIndex(written, this.size);
    } catch (error) {
      if (!(error instanceof DecodeError)) throw error;
    }
    const reader = new RecordingReader({}, this.header);
    const pump = this.#pump(reader, 0);
    const builder = new IndexBuilder();
    for (let pieces = 1; ; pieces++) {
      for (let label = reader.nextLabel(); label !== null; label = reader.nextLabel()) {
        builder.add(label.kind as HeadEvent["kind"], label.time, reader.offset, reader.size);
      }
      if (!pump()) return builder.finish(true);
      if (pieces % 16 === 0) await new Promise((resolve) => setImmediate(resolve)); // yield to other tasks
    }
  }

  /** The file isn't read any more. */
  close(): void {
    closeSync(this.#fd);
  }
}

/**
 * Opens a recording and reads its header.
 * @throws {DecodeError} if it isn't a recording or has no readable header; a file system error if it can't be read
 */
export async function openRecording(path: string, options: ReadOptions = {}): Promise<Recording> {
  const fd = openSync(path, "r");
  try {
    return new Recording(fd, options);
  } catch (error) {
    closeSync(fd);
    throw error;
  }
}
