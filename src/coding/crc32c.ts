// Slicing by 8: Kounavis & Berry 2005, "A systematic approach to building high performance, software-based, CRC
// generators". Table k holds the CRC of each byte value followed by k zero bytes.
const POLYNOMIAL = 0x82f63b78; // Castagnoli's 0x1edc6f41, bits reversed
const T = new Int32Array(8 * 256);
for (let byte = 0; byte < 256; byte++) {
  let crc = byte;
  for (let bit = 0; bit < 8; bit++) crc = crc & 1 ? (crc >>> 1) ^ POLYNOMIAL : crc >>> 1;
  T[byte] = crc;
}
for (let i = 256; i < T.length; i++) {
  const shorter = T[i - 256]!;
  T[i] = (shorter >>> 8) ^ T[shorter & 0xff]!;
}

/**
 * CRC-32C (Castagnoli) of `bytes[start..end)`, unsigned. Pass the result for one piece as `previous` to continue
 * with the next. Source: RFC 3720, section 12.1 and appendix B.4.
 * @throws {RangeError} if the range isn't inside `bytes`
 */
export function crc32c(bytes: Uint8Array, start = 0, end = bytes.length, previous = 0): number {
  if (!(start >= 0 && start <= end && end <= bytes.length)) {
    throw new RangeError(`range ${start}..${end} of ${bytes.length} bytes`);
  }
  let crc = ~previous;
  let i = start;
  for (const last = end - 8; i <= last; i += 8) {
    const low = crc ^ (bytes[i]! | (bytes[i + 1]! << 8) | (bytes[i + 2]! << 16) | (bytes[i + 3]! << 24));
    crc =
      T[0x700 + (low & 0xff)]! ^
      T[0x600 + ((low >>> 8) & 0xff)]! ^
      T[0x500 + ((low >>> 16) & 0xff)]! ^
      T[0x400 + (low >>> 24)]! ^
      T[0x300 + bytes[i + 4]!]! ^
      T[0x200 + bytes[i + 5]!]! ^
      T[0x100 + bytes[i + 6]!]! ^
      T[bytes[i + 7]!]!;
  }
  for (; i < end; i++) crc = (crc >>> 8) ^ T[(crc ^ bytes[i]!) & 0xff]!;
  return ~crc >>> 0;
}
