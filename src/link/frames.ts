import { crc32c } from "../coding/crc32c.ts";
import { DecodeError } from "../coding/decode-error.ts";
import { stuff, stuffedSize, unstuff } from "./cobs.ts";
import {
  CHECKSUM_SIZE,
  type Field,
  type FrameContents,
  type FrameKind,
  HEADER,
  HEADER_SIZE,
  itemCount,
  itemSize,
  LAYOUT_VERSION,
  LAYOUTS,
  LONGEST_FRAME,
  offsetsOf,
  sizeOf,
} from "./layouts.ts";

const MOST_U32 = 4294967295;

/** What every frame carries beside its contents. */
export interface Stamp {
  readonly flags: number;
  /** Counts up by one with each frame of a sender; wraps at 2 ** 32. */
  readonly sequence: number;
  /** The sender's clock, microseconds; wraps at 2 ** 32. */
  readonly sent: number;
  /** Microseconds by which the contents were old then. */
  readonly age: number;
}

export interface Frame<K extends FrameKind = FrameKind> {
  readonly stamp: Stamp;
  readonly contents: FrameContents<K>;
}

const KINDS: ReadonlyMap<number, FrameKind> = new Map(
  Object.entries(LAYOUTS).map(([kind, { code }]) => [code, kind as FrameKind]),
);
const HEADER_FIELDS = offsetsOf(HEADER, 0);
const BODIES = Object.fromEntries(
  Object.entries(LAYOUTS).map(([kind, { fields }]) => [
    kind,
    { fields: offsetsOf(fields, HEADER_SIZE), end: HEADER_SIZE + sizeOf(fields) },
  ]),
) as Readonly<Record<FrameKind, { readonly fields: ReturnType<typeof offsetsOf>; readonly end: number }>>;

const LIMITS = {
  u8: [0, 255],
  i8: [-128, 127],
  u16: [0, 65535],
  i16: [-32768, 32767],
} as const;

/** Writes whole numbers; those of 8 and 16 bits saturate, those of 32 wrap. */
function put(view: DataView, field: Field, at: number, value: number): void {
  if (field.type === "u32") view.setUint32(at, value >>> 0, true);
  else if (field.type === "i32") view.setInt32(at, value | 0, true);
  else if (field.type !== "text") {
    const [least, most] = LIMITS[field.type];
    const whole = Math.max(least, Math.min(most, Math.trunc(value)));
    if (field.type === "u8") view.setUint8(at, whole);
    else if (field.type === "i8") view.setInt8(at, whole);
    else if (field.type === "u16") view.setUint16(at, whole, true);
    else view.setInt16(at, whole, true);
  }
}

function get(view: DataView, field: Field, at: number): number {
  switch (field.type) {
    case "u8":
    case "text":
      return view.getUint8(at);
    case "i8":
      return view.getInt8(at);
    case "u16":
      return view.getUint16(at, true);
    case "i16":
      return view.getInt16(at, true);
    case "u32":
      return view.getUint32(at, true);
    default:
      return view.getInt32(at, true);
  }
}

/** @returns the frame as it goes over the wire: a zero byte, the stuffed frame, a zero byte */
export function encodeFrame({ stamp, contents }: Frame): Uint8Array {
  const { fields, end } = BODIES[contents.kind];
  const bytes = new Uint8Array(end + CHECKSUM_SIZE);
  const view = new DataView(bytes.buffer);
  const header: Readonly<Record<string, number>> = {
    ...stamp,
    age: Math.max(0, Math.min(MOST_U32, Math.round(stamp.age))),
    layout: LAYOUT_VERSION,
    kind: LAYOUTS[contents.kind].code,
  };
  for (const { name, field, at } of HEADER_FIELDS) put(view, field, at, header[name]!);
  const values = contents as Readonly<Record<string, unknown>>;
  for (const { name, field, at } of fields) {
    const value = values[name];
    if (field.type === "text") {
      new TextEncoder().encodeInto(value as string, bytes.subarray(at, at + field.size));
    } else if ("count" in field) {
      for (let i = 0; i < field.count; i++) {
        put(view, field, at + i * itemSize(field), (value as number[])[i]!);
      }
    } else put(view, field, at, value as number);
  }
  view.setUint32(end, crc32c(bytes, 0, end), true);
  const out = new Uint8Array(stuffedSize(bytes.length) + 2);
  return out.subarray(0, stuff(bytes, out, 1) + 1);
}

/** @throws {DecodeError} when the bytes, without stuffing, are no frame of this layout */
export function decodeFrame(bytes: Uint8Array): Frame {
  if (bytes.length < HEADER_SIZE + CHECKSUM_SIZE)
    throw new DecodeError("too short for a frame", bytes.length);
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const end = bytes.length - CHECKSUM_SIZE;
  if (view.getUint32(end, true) !== crc32c(bytes, 0, end)) {
    throw new DecodeError("checksum does not match", end);
  }
  const header = Object.fromEntries(HEADER_FIELDS.map(({ name, field, at }) => [name, get(view, field, at)]));
  const { layout, kind: code, flags, sequence, sent, age } = header as Record<keyof typeof HEADER, number>;
  if (layout !== LAYOUT_VERSION) throw new DecodeError(`layout ${layout}, known is ${LAYOUT_VERSION}`, 0);
  const kind = KINDS.get(code);
  if (kind === undefined) throw new DecodeError(`kind ${code} is not known`, 1);
  const body = BODIES[kind];
  if (body.end !== end) {
    throw new DecodeError(
      `a frame ${kind} has ${body.end + CHECKSUM_SIZE} bytes, this has ${bytes.length}`,
      1,
    );
  }
  const contents: Record<string, unknown> = { kind };
  for (const { name, field, at } of body.fields) {
    const items = Array.from({ length: itemCount(field) }, (_, i) =>
      get(view, field, at + i * itemSize(field)),
    );
    if (field.type === "text") {
      const size = items.indexOf(0);
      contents[name] = String.fromCharCode(...(size < 0 ? items : items.slice(0, size)));
    } else contents[name] = "count" in field ? items : items[0];
  }
  return { stamp: { flags, sequence, sent, age }, contents: contents as unknown as FrameContents };
}

/**
 * Cuts a stream of bytes at its zero bytes into frames. Noise costs at most the frame that it hits: the next zero byte begins another.
 * Memory is bounded by the longest frame.
 */
export class FrameSplitter {
  readonly #stuffed = new Uint8Array(stuffedSize(LONGEST_FRAME));
  readonly #plain = new Uint8Array(LONGEST_FRAME);
  #size = 0;
  #isTooLong = false;
  /** Pieces between zero bytes that were no frame. */
  damaged = 0;

  /** Takes bytes, and calls `found` for each whole frame in them. */
  take(bytes: Uint8Array, found: (frame: Frame) => void): void {
    for (const byte of bytes) {
      if (byte !== 0) {
        if (this.#size < this.#stuffed.length) this.#stuffed[this.#size++] = byte;
        else this.#isTooLong = true;
        continue;
      }
      if (this.#size > 0) {
        const frame = this.#isTooLong ? null : this.#frame();
        if (frame === null) this.damaged++;
        else found(frame);
      }
      this.#size = 0;
      this.#isTooLong = false;
    }
  }

  #frame(): Frame | null {
    const size = unstuff(this.#stuffed, 0, this.#size, this.#plain);
    if (size < 0) return null;
    try {
      return decodeFrame(this.#plain.subarray(0, size));
    } catch (error) {
      if (error instanceof DecodeError) return null;
      throw error;
    }
  }
}
