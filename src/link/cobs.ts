// Byte stuffing that removes every zero byte, so that a zero byte can mark the end of a frame.
// Source: Cheshire & Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2), 1999.

/** Longest run of bytes without a zero that one code byte describes. */
const LONGEST_RUN = 254;

/** The most bytes that stuffing makes of `size` bytes, without the delimiter. */
export const stuffedSize = (size: number): number => size + Math.floor(size / LONGEST_RUN) + 1;

/**
 * Stuffs `bytes` into `out` from `start` on. The result has no zero byte, and no delimiter.
 * @returns the index after the last byte written
 * @throws {RangeError} if `out` is too short
 */
export function stuff(bytes: Uint8Array, out: Uint8Array, start = 0): number {
  if (out.length - start < stuffedSize(bytes.length)) {
    throw new RangeError(`${out.length - start} bytes for up to ${stuffedSize(bytes.length)}`);
  }
  let code = start; // where the length of the present run will be written
  let at = start + 1;
  for (let i = 0; i < bytes.length; i++) {
    const byte = bytes[i]!;
    if (byte !== 0) out[at++] = byte;
    const isFull = at - code > LONGEST_RUN;
    if (byte !== 0 && !isFull) continue;
    out[code] = at - code;
    // A full run stands for no zero, so a run that ends with the bytes needs no other after it.
    if (isFull && i === bytes.length - 1) return at;
    code = at++;
  }
  out[code] = at - code;
  return at;
}

/**
 * Undoes `stuff` in `bytes[start..end)`, without the delimiter.
 * @param out receives the bytes; as long as the stuffed ones suffices
 * @returns the number of bytes written, or -1 when the bytes are not stuffed ones or `out` is too short
 */
export function unstuff(bytes: Uint8Array, start: number, end: number, out: Uint8Array): number {
  let size = 0;
  for (let i = start; i < end; ) {
    const code = bytes[i++]!;
    const last = i + code - 1;
    if (code === 0 || last > end || size + code > out.length + 1) return -1;
    while (i < last) {
      const byte = bytes[i++]!;
      if (byte === 0) return -1;
      out[size++] = byte;
    }
    if (code <= LONGEST_RUN && i < end) {
      if (size === out.length) return -1;
      out[size++] = 0;
    }
  }
  return size;
}
