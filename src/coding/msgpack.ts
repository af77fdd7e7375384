import { DecodeError } from "./decode-error.ts";

// The plain part of MessagePack (nil, bool, int, float, str, bin, array, map; no extensions), in the shortest form
// of each, as https://github.com/msgpack/msgpack/blob/master/spec.md gives it. Records are small and come by the
// hundred a second, from files that may be damaged: so the events are written and read here field by field, without
// intermediate objects, with every length compared with the bytes left before it is believed.

const utf8 = new TextEncoder();
const strictUtf8 = new TextDecoder("utf-8", { fatal: true, ignoreBOM: true });
/** Deepest nesting of arrays and maps that is read. */
const MAX_DEPTH = 32;

/** Writes MessagePack values one after the other into a buffer that grows to what the largest record needed. */
export class MsgpackWriter {
  bytes: Uint8Array<ArrayBuffer>;
  at = 0;
  #view: DataView;

  constructor(size = 4096) {
    this.bytes = new Uint8Array(size);
    this.#view = new DataView(this.bytes.buffer);
  }

  /** Makes room for `size` more bytes. */
  reserve(size: number): void {
    if (this.at + size <= this.bytes.length) return;
    const larger = new Uint8Array(Math.max(this.at + size, 2 * this.bytes.length));
    larger.set(this.bytes.subarray(0, this.at));
    this.bytes = larger;
    this.#view = new DataView(larger.buffer);
  }

  u32At(at: number, value: number): void {
    this.#view.setUint32(at, value, true);
  }

  #byte(byte: number): void {
    this.bytes[this.at++] = byte;
  }

  #sized(short: number, shortLimit: number, codes: readonly (number | null)[], size: number): void {
    this.reserve(5);
    if (size < shortLimit) this.#byte(short | size);
    else if (size < 0x100 && codes[0] !== null) {
      this.#byte(codes[0]!);
      this.#byte(size);
    } else if (size < 0x10000) {
      this.#byte(codes[1]!);
      this.#view.setUint16(this.at, size);
      this.at += 2;
    } else {
      this.#byte(codes[2]!);
      this.#view.setUint32(this.at, size);
      this.at += 4;
    }
  }

  map(count: number): void {
    this.#sized(0x80, 16, [null, 0xde, 0xdf], count);
  }

  array(count: number): void {
    this.#sized(0x90, 16, [null, 0xdc, 0xdd], count);
  }

  nil(): void {
    this.reserve(1);
    this.#byte(0xc0);
  }

  bool(value: boolean): void {
    this.reserve(1);
    this.#byte(value ? 0xc3 : 0xc2);
  }

  /** A name of this format: ASCII, shorter than 32. */
  name(text: string): void {
    this.reserve(1 + text.length);
    this.#byte(0xa0 | text.length);
    for (let i = 0; i < text.length; i++) this.#byte(text.charCodeAt(i));
  }

  text(text: string): void {
    const encoded = utf8.encode(text);
    this.#sized(0xa0, 32, [0xd9, 0xda, 0xdb], encoded.length);
    this.#put(encoded);
  }

  #put(bytes: Uint8Array): void {
    this.reserve(bytes.length);
    this.bytes.set(bytes, this.at);
    this.at += bytes.length;
  }

  /** Copies a value that is MessagePack already. */
  encoded(bytes: Uint8Array): void {
    this.#put(bytes);
  }

  float(value: number): void {
    this.reserve(9);
    this.#byte(0xcb);
    this.#view.setFloat64(this.at, value);
    this.at += 8;
  }

  /** @param value a safe integer */
  int(value: number): void {
    this.reserve(9);
    if (value >= 0) {
      if (value < 0x80) this.#byte(value);
      else if (value < 0x100) {
        this.#byte(0xcc);
        this.#byte(value);
      } else if (value < 0x10000) {
        this.#byte(0xcd);
        this.#view.setUint16(this.at, value);
        this.at += 2;
      } else if (value < 0x100000000) {
        this.#byte(0xce);
        this.#view.setUint32(this.at, value);
        this.at += 4;
      } else {
        this.#byte(0xcf);
        this.#long(value);
      }
    } else if (value >= -0x20) this.#byte(value);
    else if (value >= -0x80) {
      this.#byte(0xd0);
      this.#byte(value);
    } else if (value >= -0x8000) {
      this.#byte(0xd1);
      this.#view.setInt16(this.at, value);
      this.at += 2;
    } else if (value >= -0x80000000) {
      this.#byte(0xd2);
      this.#view.setInt32(this.at, value);
      this.at += 4;
    } else {
      this.#byte(0xd3);
      this.#long(value);
    }
  }

  #long(value: number): void {
    this.#view.setInt32(this.at, Math.floor(value / 0x100000000));
    this.#view.setUint32(this.at + 4, value >>> 0);
    this.at += 8;
  }

  /** Room for `size` bytes of binary whose final size isn't known yet; `endBin` says it. */
  startBin(maxSize: number): number {
    this.reserve(5 + maxSize);
    this.at += 5;
    return this.at;
  }

  /** Ends the binary begun at `start` (from `startBin`) at the offset `end`. */
  endBin(start: number, end: number): void {
    const size = end - start;
    // The shortest header, as other libraries write it, then the bytes move up to it.
    this.at = start - 5;
    this.#sized(0, 0, [0xc4, 0xc5, 0xc6], size);
    if (this.at < start) this.bytes.copyWithin(this.at, start, end);
    this.at += size;
  }
}

// Names and kinds are few: a table spares making a string for each one in each record.
const INTERNED = new Array<string>(256).fill("");
const internSlot = (size: number, first: number, last: number): number =>
  (size * 31 + first * 7 + last * 3) & 0xff;

/** Lets `MsgpackReader.text` return `names` without decoding them. */
export function intern(names: readonly string[]): void {
  for (const name of names) {
    INTERNED[internSlot(name.length, name.charCodeAt(0), name.charCodeAt(name.length - 1))] = name;
  }
}

/** Reads MessagePack values in order. Each error names the field and the offset in the file. */
export class MsgpackReader {
  #bytes: Uint8Array = new Uint8Array(0);
  #view: DataView = new DataView(new ArrayBuffer(0));
  #at = 0;
  #end = 0;
  #base = 0;
  #most = Number.POSITIVE_INFINITY;
  #values = 0;

  /** @param most values that `value` makes of one message: a few bytes each become tens of bytes of memory */
  constructor(most = Number.POSITIVE_INFINITY) {
    this.#most = most;
  }

  /** Goes to `bytes[start..end)`, inside `bytes`; `base` is the offset of `bytes[0]` in the file. */
  reset(bytes: Uint8Array, start: number, end: number, base: number): void {
    if (
      bytes.buffer !== this.#view.buffer ||
      bytes.byteOffset !== this.#view.byteOffset ||
      end > this.#view.byteLength
    ) {
      this.#view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    }
    this.#bytes = bytes;
    this.#at = start;
    this.#end = end;
    this.#base = base;
    this.#values = 0;
  }

  /** Offset in the bytes given to `reset`. */
  get at(): number {
    return this.#at;
  }

  /** Bytes not read yet. */
  get left(): number {
    return this.#end - this.#at;
  }

  fail(message: string): never {
    throw new DecodeError(message, this.#base + this.#at);
  }

  #take(size: number, field: string): number {
    const start = this.#at;
    if (size > this.#end - start) this.fail(`${field} needs ${size} bytes, ${this.#end - start} left`);
    this.#at = start + size;
    return start;
  }

  #code(field: string): number {
    return this.#bytes[this.#take(1, field)]!;
  }

  #wrong(field: string, wanted: string, code: number): never {
    this.#at--;
    return this.fail(`${field} should be ${wanted}, found type byte 0x${code.toString(16).padStart(2, "0")}`);
  }

  /** True, and past it, if the next value is nil. */
  nil(): boolean {
    if (this.#at >= this.#end || this.#bytes[this.#at] !== 0xc0) return false;
    this.#at++;
    return true;
  }

  bool(field: string): boolean {
    const code = this.#code(field);
    if (code !== 0xc2 && code !== 0xc3) this.#wrong(field, "true or false", code);
    return code === 0xc3;
  }

  /** Any MessagePack number. */
  number(field: string): number {
    const code = this.#code(field);
    if (code === 0xcb) return this.#view.getFloat64(this.#take(8, field));
    if (code < 0x80) return code;
    if (code >= 0xe0) return code - 0x100;
    switch (code) {
      case 0xca:
        return this.#view.getFloat32(this.#take(4, field));
      case 0xcc:
        return this.#view.getUint8(this.#take(1, field));
      case 0xcd:
        return this.#view.getUint16(this.#take(2, field));
      case 0xce:
        return this.#view.getUint32(this.#take(4, field));
      case 0xcf: {
        const at = this.#take(8, field);
        return this.#view.getUint32(at) * 0x100000000 + this.#view.getUint32(at + 4);
      }
      case 0xd0:
        return this.#view.getInt8(this.#take(1, field));
      case 0xd1:
        return this.#view.getInt16(this.#take(2, field));
      case 0xd2:
        return this.#view.getInt32(this.#take(4, field));
      case 0xd3: {
        const at = this.#take(8, field);
        return this.#view.getInt32(at) * 0x100000000 + this.#view.getUint32(at + 4);
      }
      default:
        return this.#wrong(field, "a number", code);
    }
  }

  /** A whole number in `low..high`. */
  int(field: string, low: number, high: number): number {
    const start = this.#at;
    const value = this.number(field);
    if (!(Number.isSafeInteger(value) && value >= low && value <= high)) {
      this.#at = start;
      this.fail(`${field} should be a whole number from ${low} to ${high}, is ${value}`);
    }
    return value === 0 ? 0 : value; // not -0
  }

  /** The size that follows, at most the bytes left: each item takes one at least. */
  #size(code: number, code8: number, code16: number, field: string): number {
    const size =
      code === code8
        ? this.#view.getUint8(this.#take(1, field))
        : code === code16
          ? this.#view.getUint16(this.#take(2, field))
          : this.#view.getUint32(this.#take(4, field));
    if (size > this.#end - this.#at) {
      this.fail(`${field} says it has ${size} bytes or items, ${this.#end - this.#at} bytes left`);
    }
    return size;
  }

  map(field: string): number {
    const code = this.#code(field);
    if (code >> 4 === 0x8) return code & 15;
    if (code !== 0xde && code !== 0xdf) this.#wrong(field, "a map", code);
    return this.#size(code, -1, 0xde, field);
  }

  array(field: string): number {
    const code = this.#code(field);
    if (code >> 4 === 0x9) return code & 15;
    if (code !== 0xdc && code !== 0xdd) this.#wrong(field, "an array", code);
    return this.#size(code, -1, 0xdc, field);
  }

  text(field: string): string {
    const code = this.#code(field);
    if (code >> 5 !== 0x5 && (code < 0xd9 || code > 0xdb)) this.#wrong(field, "text", code);
    const size = code >> 5 === 0x5 ? code & 31 : this.#size(code, 0xd9, 0xda, field);
    const start = this.#take(size, field);
    if (size > 0 && size < 32) {
      const known = INTERNED[internSlot(size, this.#bytes[start]!, this.#bytes[start + size - 1]!)]!;
      let i = 0;
      if (known.length === size) while (i < size && known.charCodeAt(i) === this.#bytes[start + i]) i++;
      if (i === size) return known;
    }
    try {
      return strictUtf8.decode(this.#bytes.subarray(start, start + size));
    } catch {
      this.#at = start;
      return this.fail(`${field} isn't UTF-8`);
    }
  }

  /** Start of binary data; it ends at `at`. */
  bin(field: string): number {
    const code = this.#code(field);
    if (code < 0xc4 || code > 0xc6) this.#wrong(field, "binary", code);
    return this.#take(this.#size(code, 0xc4, 0xc5, field), field);
  }

  /** Any value, as plain objects and arrays; binary is a view of the bytes that are read. */
  value(field: string, depth = 0): unknown {
    if (depth > MAX_DEPTH) this.fail(`${field} is nested more than ${MAX_DEPTH} deep`);
    if (++this.#values > this.#most) this.fail(`the message has more than ${this.#most} values`);
    if (this.nil()) return null;
    if (this.#at >= this.#end) this.fail(`${field} is missing`);
    const code = this.#bytes[this.#at]!;
    if (code === 0xc2 || code === 0xc3) return this.bool(field);
    if (code >> 5 === 0x5 || (code >= 0xd9 && code <= 0xdb)) return this.text(field);
    if (code >> 4 === 0x9 || code === 0xdc || code === 0xdd) {
      const items: unknown[] = [];
      for (let left = this.array(field); left > 0; left--) items.push(this.value(field, depth + 1));
      return items;
    }
    if (code >> 4 === 0x8 || code === 0xde || code === 0xdf) {
      const entries: [string, unknown][] = [];
      for (let left = this.map(field); left > 0; left--) {
        const key = this.text(field);
        entries.push([key, this.value(key, depth + 1)]);
      }
      return Object.fromEntries(entries); // defines each, so that "__proto__" is a key like any other
    }
    if (code >= 0xc4 && code <= 0xc6) {
      const start = this.bin(field);
      return this.#bytes.subarray(start, this.#at);
    }
    return this.number(field);
  }

  /** Passes over any value. */
  skip(field: string): void {
    let left = 1;
    while (left > 0) {
      left--;
      if (this.nil()) continue;
      if (this.#at >= this.#end) this.fail(`${field} is missing`);
      const code = this.#bytes[this.#at]!;
      if (code === 0xc2 || code === 0xc3) this.#at++;
      else if (code >> 5 === 0x5 || (code >= 0xd9 && code <= 0xdb)) this.text(field);
      else if (code >> 4 === 0x9 || code === 0xdc || code === 0xdd) left += this.array(field);
      else if (code >> 4 === 0x8 || code === 0xde || code === 0xdf) left += 2 * this.map(field);
      else if (code >= 0xc4 && code <= 0xc6) this.bin(field);
      else this.number(field);
    }
  }
}
