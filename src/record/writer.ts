import { MsgpackWriter } from "../coding/msgpack.ts";
import type { HeadEvent } from "../sense/events.ts";
import type { ByteSink } from "./byte-sink.ts";
import { encodeEvent } from "./encode-event.ts";
import { encodePrefix, type RecordingHeader } from "./format.ts";
import { encodeHeader } from "./header.ts";
import { encodeEnd, encodeIndex, IndexBuilder } from "./recording-index.ts";

/** Bytes between copies of the header, so that damage to the first copy does not lose a long recording. */
const HEADER_EVERY = 1 << 26;

/**
 * Writes a recording to `sink`, one `sink.write` for each whole record, in memory that doesn't grow with its length.
 * Once the sink has failed, nothing more is written: `close` then leaves out the index, which readers rebuild.
 */
export class RecordingWriter {
  readonly #sink: ByteSink;
  readonly #header: RecordingHeader;
  readonly #out: MsgpackWriter;
  readonly #index = new IndexBuilder();
  #size = 0;
  #headerOffset = 0; // of its latest copy
  #state: "open" | "failed" | "closed" = "open";

  /**
   * Writes the header at once.
   * @param out work buffer; may be shared by writers that are used one after the other
   * @throws {RangeError} if the header is invalid
   */
  constructor(sink: ByteSink, header: RecordingHeader, out = new MsgpackWriter()) {
    this.#out = out;
    encodeHeader(this.#out, header); // may throw, so before anything is written
    this.#sink = sink;
    this.#header = header;
    this.#put(encodePrefix());
    this.#headerOffset = this.#size;
    this.#put(this.#record());
  }

  /** Bytes handed to the sink so far. */
  get size(): number {
    return this.#size;
  }

  #record(): Uint8Array {
    return this.#out.bytes.subarray(0, this.#out.at);
  }

  #put(bytes: Uint8Array): void {
    try {
      this.#sink.write(bytes);
    } catch (error) {
      this.#state = "failed"; // how much of `bytes` arrived isn't known, and so no offset after it
      throw error;
    }
    this.#size += bytes.length;
  }

  /**
   * Hands the event to the sink as one record before it returns; keeps nothing of it.
   * @throws {RangeError} if it doesn't fit the setup (nothing is written then), or the writer is closed or failed
   */
  write(event: HeadEvent): void {
    if (this.#state !== "open")
      throw new RangeError(`${event.kind} event after the recording ${this.#state}`);
    encodeEvent(this.#out, event, this.#header.setup);
    const offset = this.#size;
    this.#put(this.#record());
    this.#index.add(event.kind, event.time, offset, this.#size - offset);
    if (this.#size - this.#headerOffset > HEADER_EVERY) this.#putHeader();
  }

  #putHeader(): void {
    encodeHeader(this.#out, this.#header);
    this.#headerOffset = this.#size;
    this.#put(this.#record());
  }

  /** Writes the index, then closes the sink. Closing again does nothing. */
  async close(): Promise<void> {
    if (this.#state === "closed") return;
    const complete = this.#state === "open";
    this.#state = "closed";
    try {
      if (complete) this.#finish();
    } finally {
      await this.#sink.close();
    }
  }

  #finish(): void {
    this.#putHeader();
    const indexOffset = this.#size;
    encodeIndex(this.#out, this.#index.finish(false).pages);
    this.#put(this.#record());
    encodeEnd(this.#out, indexOffset, this.#headerOffset);
    this.#put(this.#record());
  }
}
