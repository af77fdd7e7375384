import { crc32c } from "../coding/crc32c.ts";
import { DecodeError } from "../coding/decode-error.ts";
import type { MsgpackWriter } from "../coding/msgpack.ts";
import type { HeadEvent, Setup } from "../sense/events.ts";

// What all records have in common. docs/recording-format.md has the layout for other languages; header.ts, event-fields.ts
// and recording-index.ts have the payloads.

export const FORMAT_VERSION = 1;
/** The longest payload a record may have (64 MiB), so that a damaged length never asks for more. */
export const MAX_PAYLOAD = 1 << 26;
/** The longest header payload (4 MiB): unlike an event's it becomes objects, many times its size. */
export const MAX_HEADER = 1 << 22;
/** Sensors in a recording, and pixels along either side of an image. */
export const MAX_SENSORS = 64;
export const MAX_SIDE = 16384;

/** The header of a recording. */
export interface RecordingHeader {
  readonly setup: Setup;
  /** Whatever settings were in force: JSON-like (null, booleans, finite numbers, text, arrays, plain objects). */
  readonly settings: Readonly<Record<string, unknown>>;
  /** Free text: where, who, why. */
  readonly about: string;
  /** Name and version of the software that wrote it. */
  readonly software: string;
}

/** The kinds of events, in the order that the counts of an index follow. */
export const EVENT_KINDS = [
  "depth",
  "orientation",
  "inertial",
  "motion",
  "mount",
  "knock",
  "floorcheck",
  "mark",
  "reference",
  "waiver",
  "shed",
] as const satisfies readonly HeadEvent["kind"][];

// Prefix: 8 bytes of magic, version, CRC. The first byte isn't text and the line ends show a file that
// went through a text-mode copy (after PNG, ISO/IEC 15948, 5.2).
const MAGIC = Uint8Array.of(0x89, 0x42, 0x52, 0x4b, 0x0d, 0x0a, 0x1a, 0x0a);
export const PREFIX_SIZE = 16;

// Record head: sync, payload size, CRC of the payload, CRC of the head. 0xc1 never occurs in MessagePack itself.
const SYNC = Uint8Array.of(0xc1, 0x42, 0x52, 0x4b);
export const SYNC_FIRST = 0xc1;
export const HEAD_SIZE = 16;

const u32 = (bytes: Uint8Array, at: number): number =>
  (bytes[at]! | (bytes[at + 1]! << 8) | (bytes[at + 2]! << 16) | (bytes[at + 3]! << 24)) >>> 0;

/** The recording has a version that this software doesn't know. */
export class VersionError extends DecodeError {}

/** The first bytes of every recording. */
export function encodePrefix(): Uint8Array {
  const prefix = new Uint8Array(PREFIX_SIZE);
  const view = new DataView(prefix.buffer);
  prefix.set(MAGIC);
  view.setUint32(8, FORMAT_VERSION, true);
  view.setUint32(12, crc32c(prefix, 0, 12), true);
  return prefix;
}

/** Whether a recording starts at `bytes[at]`, where `PREFIX_SIZE` bytes are. @throws {VersionError} for another version */
export function isPrefix(bytes: Uint8Array, at: number): boolean {
  for (let i = 0; i < MAGIC.length; i++) if (bytes[at + i] !== MAGIC[i]) return false;
  if (u32(bytes, at + 12) !== crc32c(bytes, at, at + 12)) return false;
  const version = u32(bytes, at + 8);
  if (version !== FORMAT_VERSION) {
    throw new VersionError(
      `recording has format version ${version}, this software reads ${FORMAT_VERSION}`,
      8,
    );
  }
  return true;
}

/** The payload size that a record head at `bytes[at]` (`HEAD_SIZE` bytes) gives, or -1 if it isn't one. */
export function payloadSize(bytes: Uint8Array, at: number): number {
  for (let i = 0; i < SYNC.length; i++) if (bytes[at + i] !== SYNC[i]) return -1;
  const size = u32(bytes, at + 4);
  return size <= MAX_PAYLOAD && u32(bytes, at + 12) === crc32c(bytes, at, at + 12) ? size : -1;
}

/** Whether the payload of `size` bytes after the head at `bytes[at]` has the right CRC. */
export const isIntact = (bytes: Uint8Array, at: number, size: number): boolean =>
  u32(bytes, at + 8) === crc32c(bytes, at + HEAD_SIZE, at + HEAD_SIZE + size);

/** Starts a record at the beginning of `out`: its payload goes behind the head. */
export function startRecord(out: MsgpackWriter): void {
  out.at = 0;
  out.reserve(HEAD_SIZE);
  out.bytes.set(SYNC);
  out.at = HEAD_SIZE;
}

/** Fills in the head. @throws {RangeError} if the record is too long */
export function finishRecord(out: MsgpackWriter): void {
  const size = out.at - HEAD_SIZE;
  if (size > MAX_PAYLOAD) throw new RangeError(`record of ${size} bytes, the format allows ${MAX_PAYLOAD}`);
  out.u32At(4, size);
  out.u32At(8, crc32c(out.bytes, HEAD_SIZE, out.at));
  out.u32At(12, crc32c(out.bytes, 0, 12));
}
