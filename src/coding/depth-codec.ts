import { DecodeError } from "./decode-error.ts";

// Lossless coding of 16-bit depth and amplitude images, laid out byte by byte in docs/recording-format.md.
// As in RVL (Wilson 2017, "Fast lossless depth image compression") empty pixels are run lengths, and each other
// pixel is the zigzag difference to the one before. Where RVL spends nibbles of 3 bits plus a flag, the
// differences here go in groups of 8 with one common width, which a decoder unpacks without a branch per nibble;
// and a sensor that knows only a few hundred distances (structured light) is coded in steps between those.

const RAW = 0;
const PLAIN = 1;
const LEVELS = 2;

/** Most pixels an image may have (8 Mi): bounds what a reader allocates. */
export const MAX_PIXELS = 1 << 23;

/** The most bytes `encodeImage` needs for an image of `pixels` pixels. */
export const maxEncodedSize = (pixels: number): number => 1 + 2 * pixels;

// Working memory, as large as the largest image so far.
let dense = new Uint16Array(0); // the counts other than 0, in order
let plain = new Uint16Array(0); // zigzag differences of neighbours in `dense`
let stepped = new Uint16Array(0); // the same with each count's level in its place
const levelOf = new Uint16Array(65536); // count -> index in `countOf`; all 0 between calls
const countOf = new Uint16Array(65536); // ascending distinct counts other than 0

const varintSize = (value: number): number => {
  let size = 1;
  for (let rest = value; rest >= 0x80; rest >>>= 7) size++;
  return size;
};

function putVarint(out: Uint8Array, start: number, value: number): number {
  let at = start;
  let rest = value;
  for (; rest >= 0x80; rest >>>= 7) out[at++] = (rest & 0x7f) | 0x80;
  out[at++] = rest;
  return at;
}

/** A width's code is one nibble, so 15 stands for 16 and nothing is coded in 15 bits. */
const widthOf = (bits: number): number => {
  const width = 32 - Math.clz32(bits);
  return width === 15 ? 16 : width;
};

/** Fills `differences[0..count)`, and up to a whole group with 0. Returns their packed size in bytes, widths included. */
function difference(differences: Uint16Array, values: Uint16Array, count: number): number {
  let size = (count + 15) >> 4; // one nibble a group of 8
  let previous = 0;
  for (let i = 0; i < count; ) {
    let bits = 0;
    for (const end = Math.min(i + 8, count); i < end; i++) {
      const value = values[i]!;
      const step = ((value - previous) << 16) >> 16; // modulo 2^16: from 0 to 65535 is a step of -1
      const coded = ((step << 1) ^ (step >> 31)) & 0xffff;
      differences[i] = coded;
      bits |= coded;
      previous = value;
    }
    size += widthOf(bits);
  }
  differences.fill(0, count, (count + 7) & ~7);
  return size;
}

function pack(out: Uint8Array, start: number, differences: Uint16Array, count: number): number {
  const groups = (count + 7) >> 3;
  let at = start + ((groups + 1) >> 1);
  out.fill(0, start, at);
  for (let g = 0, i = 0; g < groups; g++, i += 8) {
    const a = differences[i]!;
    const b = differences[i + 1]!;
    const c = differences[i + 2]!;
    const d = differences[i + 3]!;
    const e = differences[i + 4]!;
    const f = differences[i + 5]!;
    const h = differences[i + 6]!;
    const j = differences[i + 7]!;
    const w = widthOf(a | b | c | d | e | f | h | j);
    if (w === 0) continue;
    out[start + (g >> 1)]! |= Math.min(w, 15) << (4 * (g & 1));
    if (w <= 8) {
      // 8 * w bits as two words.
      const first = a | (b << w) | (c << (2 * w)) | (d << (3 * w));
      const second = e | (f << w) | (h << (2 * w)) | (j << (3 * w));
      let low = w === 8 ? first : first | (second << (4 * w));
      let high = w === 8 ? second : second >>> (32 - 4 * w);
      for (let k = Math.min(w, 4); k > 0; k--) {
        out[at++] = low;
        low >>>= 8;
      }
      for (let k = w - 4; k > 0; k--) {
        out[at++] = high;
        high >>>= 8;
      }
      continue;
    }
    let held = 0; // bits not yet written, at most 7 + 16
    let holds = 0;
    for (let k = i; k < i + 8; k++) {
      held |= differences[k]! << holds;
      for (holds += w; holds >= 8; holds -= 8) {
        out[at++] = held;
        held >>>= 8;
      }
    }
  }
  return at;
}

/**
 * Codes a 16-bit image without loss into `out` from `start` and returns the offset after it. 0 ("no return") is
 * cheap in long runs.
 * @param out has at least `maxEncodedSize(image.length)` bytes from `start`
 * @throws {RangeError} if `out` is too small or the image has more than `MAX_PIXELS`
 */
export function encodeImage(out: Uint8Array, start: number, image: Uint16Array): number {
  const pixels = image.length;
  if (pixels > MAX_PIXELS || out.length - start < maxEncodedSize(pixels)) {
    throw new RangeError(`image of ${pixels} pixels, ${out.length - start} bytes for it`);
  }
  if (dense.length < pixels) {
    dense = new Uint16Array(pixels);
    plain = new Uint16Array(pixels + 8);
    stepped = new Uint16Array(pixels + 8);
  }
  let runsSize = 0;
  let count = 0;
  let lowest = 65535;
  let highest = 0;
  for (let i = 0; i < pixels; ) {
    const empty = i;
    while (i < pixels && image[i] === 0) i++;
    const full = i;
    for (; i < pixels && image[i] !== 0; i++) {
      const value = image[i]!;
      dense[count++] = value;
      levelOf[value] = 1;
      lowest = Math.min(lowest, value);
      highest = Math.max(highest, value);
    }
    runsSize += varintSize(full - empty) + varintSize(i - full);
  }
  let levels = 0;
  let levelsSize = 0;
  for (let value = lowest, last = 0; value <= highest; value++) {
    if (levelOf[value] === 0) continue;
    levelsSize += varintSize(value - last - 1);
    last = value;
    levelOf[value] = levels;
    countOf[levels++] = value;
  }
  levelsSize += varintSize(levels);

  const plainSize = difference(plain, dense, count);
  let steppedSize = Number.POSITIVE_INFINITY;
  // Levels make differences smaller only where there are gaps between them; else spare the time.
  if (4 * levels < 3 * (highest - lowest + 1)) {
    for (let i = 0; i < count; i++) dense[i] = levelOf[dense[i]!]!;
    steppedSize = levelsSize + difference(stepped, dense, count);
  }
  levelOf.fill(0, lowest, highest + 1);

  let at = start;
  if (runsSize + Math.min(plainSize, steppedSize) >= 2 * pixels) {
    out[at++] = RAW;
    for (let i = 0; i < pixels; i++) {
      out[at++] = image[i]!;
      out[at++] = image[i]! >> 8;
    }
    return at;
  }
  out[at++] = steppedSize < plainSize ? LEVELS : PLAIN;
  if (steppedSize < plainSize) {
    at = putVarint(out, at, levels);
    for (let level = 0, last = 0; level < levels; level++) {
      at = putVarint(out, at, countOf[level]! - last - 1);
      last = countOf[level]!;
    }
  }
  for (let i = 0; i < pixels; ) {
    const empty = i;
    while (i < pixels && image[i] === 0) i++;
    const full = i;
    while (i < pixels && image[i] !== 0) i++;
    at = putVarint(out, at, full - empty);
    at = putVarint(out, at, i - full);
  }
  return pack(out, at, steppedSize < plainSize ? stepped : plain, count);
}

let cursor = 0; // after the varint last read

function varint(bytes: Uint8Array, at: number, end: number, base: number): number {
  let value = 0;
  for (let shift = 0; shift <= 21; shift += 7) {
    if (at >= end) throw new DecodeError("image ends inside a number", base + at);
    const byte = bytes[at++]!;
    value |= (byte & 0x7f) << shift;
    if (byte < 0x80) {
      cursor = at;
      return value;
    }
  }
  throw new DecodeError("number in an image is longer than 4 bytes", base + at);
}

/**
 * Undoes `encodeImage`: fills all of `out` from `bytes[start..end)`, allocates nothing. When it throws, `out`
 * holds rubbish. `base` is the offset of `bytes[0]` in the file, for the error.
 * @throws {DecodeError} if the bytes aren't an image of exactly `out.length` pixels
 */
export function decodeImage(out: Uint16Array, bytes: Uint8Array, start: number, end: number, base = 0): void {
  const pixels = out.length;
  if (!(start >= 0 && start <= end && end <= bytes.length)) {
    throw new RangeError(`range ${start}..${end} of ${bytes.length} bytes`);
  }
  if (start === end) throw new DecodeError("image is empty", base + start);
  const method = bytes[start]!;
  let at = start + 1;
  if (method === RAW) {
    if (end - at !== 2 * pixels) {
      throw new DecodeError(`${pixels} raw pixels need ${2 * pixels} bytes, not ${end - at}`, base + at);
    }
    for (let i = 0; i < pixels; i++, at += 2) out[i] = bytes[at]! | (bytes[at + 1]! << 8);
    return;
  }
  if (method !== PLAIN && method !== LEVELS)
    throw new DecodeError(`image coding ${method} is unknown`, base + start);

  let levels = 0;
  if (method === LEVELS) {
    levels = varint(bytes, at, end, base);
    at = cursor;
    if (levels > 65535) throw new DecodeError(`${levels} levels in an image`, base + at);
    for (let level = 0, last = 0; level < levels; level++) {
      last += 1 + varint(bytes, at, end, base);
      if (last > 65535) throw new DecodeError(`level ${last} of an image is over 65535`, base + at);
      at = cursor;
      countOf[level] = last;
    }
    countOf.fill(0, levels); // 0 marks what no level may refer to
  }

  const runs = at;
  let count = 0;
  for (let i = 0; i < pixels; ) {
    const empty = varint(bytes, at, end, base);
    const full = varint(bytes, cursor, end, base);
    i += empty + full;
    if (i > pixels || empty + full === 0) {
      throw new DecodeError(`runs of ${i} pixels in an image of ${pixels}`, base + at);
    }
    count += full;
    at = cursor;
  }

  // The values go to the end of `out` first and then forward to where the runs want them: never overtaken, since
  // the empty pixels still to come are what separates the two.
  const first = pixels - count;
  unpack(out, first, count, bytes, at, end, base);
  if (method === LEVELS) {
    let lowest = 65535;
    for (let i = first; i < pixels; i++) {
      const value = countOf[out[i]!]!;
      lowest = Math.min(lowest, value);
      out[i] = value;
    }
    if (lowest === 0 && count > 0)
      throw new DecodeError("a pixel refers to a level that isn't there", base + at);
  }
  if (count === pixels) return;
  at = runs;
  for (let i = 0, from = first; i < pixels; ) {
    const full = i + varint(bytes, at, end, base);
    const next = full + varint(bytes, cursor, end, base);
    at = cursor;
    if (next - full > 64 || full - i > 64) {
      out.copyWithin(full, from, from + next - full);
      out.fill(0, i, full);
      from += next - full;
    } else {
      // Copy before clearing: the empty stretch may still hold values waiting to move, but only behind `from`.
      for (let j = full; j < next; j++) out[j] = out[from++]!;
      for (let j = i; j < full; j++) out[j] = 0;
    }
    i = next;
  }
}

/**
 * Unpacks `count` values to `out` from index `first`. Longer than a screen: it runs for each group of pixels of each frame, and the
 * position in the bits stays in local variables.
 */
function unpack(
  out: Uint16Array,
  first: number,
  count: number,
  bytes: Uint8Array,
  start: number,
  end: number,
  base: number,
): void {
  const groups = (count + 7) >> 3;
  let p = start + ((groups + 1) >> 1);
  let size = 0;
  for (let i = start; i < p && p <= end; i++) {
    const a = bytes[i]! & 15;
    const b = bytes[i]! >> 4;
    size += a + b + (a === 15 ? 1 : 0) + (b === 15 ? 1 : 0);
  }
  // Checked once for the whole image, so the loop below needs no check.
  if (p + size !== end) {
    throw new DecodeError(`packed pixels need ${p + size - start} bytes, ${end - start} left`, base + start);
  }
  let v = 0;
  let o = first;
  for (let g = 0; g < groups; g++) {
    const code = (bytes[start + (g >> 1)]! >> (4 * (g & 1))) & 15;
    const w = code === 15 ? 16 : code;
    if (8 * g + 8 > count) {
      for (let j = 0; 8 * g + j < count; j++) {
        const d = bitsAt(bytes, p, j * w, w);
        v += (d >>> 1) ^ -(d & 1);
        out[o++] = v;
      }
      return;
    }
    if (w === 0) {
      out[o] = v;
      out[o + 1] = v;
      out[o + 2] = v;
      out[o + 3] = v;
      out[o + 4] = v;
      out[o + 5] = v;
      out[o + 6] = v;
      out[o + 7] = v;
    } else if (w <= 8) {
      const mask = (1 << w) - 1;
      let x = 0; // differences 0 to 3 in the low bits
      let y = 0; // and 4 to 7
      if (w >= 4) {
        // 8 * w bits in two words; they overlap when w < 8.
        x = bytes[p]! | (bytes[p + 1]! << 8) | (bytes[p + 2]! << 16) | (bytes[p + 3]! << 24);
        const q = p + w - 4;
        y = bytes[q]! | (bytes[q + 1]! << 8) | (bytes[q + 2]! << 16) | (bytes[q + 3]! << 24);
        y >>>= 32 - 4 * w;
      } else {
        x = bytes[p]!;
        if (w > 1) x |= bytes[p + 1]! << 8;
        if (w > 2) x |= bytes[p + 2]! << 16;
        y = x >>> (4 * w);
      }
      let d = x & mask;
      v += (d >>> 1) ^ -(d & 1);
      out[o] = v;
      d = (x >>> w) & mask;
      v += (d >>> 1) ^ -(d & 1);
      out[o + 1] = v;
      d = (x >>> (2 * w)) & mask;
      v += (d >>> 1) ^ -(d & 1);
      out[o + 2] = v;
      d = (x >>> (3 * w)) & mask;
      v += (d >>> 1) ^ -(d & 1);
      out[o + 3] = v;
      d = y & mask;
      v += (d >>> 1) ^ -(d & 1);
      out[o + 4] = v;
      d = (y >>> w) & mask;
      v += (d >>> 1) ^ -(d & 1);
      out[o + 5] = v;
      d = (y >>> (2 * w)) & mask;
      v += (d >>> 1) ^ -(d & 1);
      out[o + 6] = v;
      d = (y >>> (3 * w)) & mask;
      v += (d >>> 1) ^ -(d & 1);
      out[o + 7] = v;
    } else {
      for (let j = 0; j < 8; j++) {
        const d = bitsAt(bytes, p, j * w, w);
        v += (d >>> 1) ^ -(d & 1);
        out[o + j] = v;
      }
    }
    v &= 0xffff; // as stored; keeps the sum from growing
    o += 8;
    p += w;
  }
}

/** `width` (0 to 16) bits from bit `bit` after `bytes[start]`, least significant first. */
function bitsAt(bytes: Uint8Array, start: number, bit: number, width: number): number {
  if (width === 0) return 0;
  const at = start + (bit >> 3);
  const shift = bit & 7;
  let value = bytes[at]!;
  if (shift + width > 8) value |= bytes[at + 1]! << 8;
  if (shift + width > 16) value |= bytes[at + 2]! << 16;
  return (value >>> shift) & ((1 << width) - 1);
}
