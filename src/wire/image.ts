import { DecodeError } from "../coding/decode-error.ts";
import { decodeImage, encodeImage, maxEncodedSize } from "../coding/depth-codec.ts";
import { REASON } from "../sense/mask.ts";

export { REASON };

// Coding of depth images and of layers of small codes for watchers. Codes go as runs, one byte each: the code in the upper
// three bits, length - 1 in the lower five.

const LONGEST_RUN = 32;

/** @param image by the recording format's lossless codec */
export function packImage(image: Uint16Array): Uint8Array {
  const bytes = new Uint8Array(maxEncodedSize(image.length));
  return bytes.slice(0, encodeImage(bytes, 0, image));
}

/** @throws {DecodeError} if they are not an image of that many pixels */
export function unpackImage(bytes: Uint8Array, pixels: number): Uint16Array {
  const image = new Uint16Array(pixels);
  decodeImage(image, bytes, 0, bytes.length);
  return image;
}

/** @param codes below 8 */
export function packCodes(codes: Uint8Array): Uint8Array {
  const bytes = new Uint8Array(codes.length);
  let size = 0;
  for (let n = 0; n < codes.length; ) {
    const code = codes[n]!;
    const limit = Math.min(codes.length, n + LONGEST_RUN);
    let end = n + 1;
    while (end < limit && codes[end] === code) end++;
    bytes[size++] = (code << 5) | (end - n - 1);
    n = end;
  }
  return bytes.slice(0, size);
}

/** @throws {DecodeError} if they are not that many codes */
export function unpackCodes(bytes: Uint8Array, count: number): Uint8Array {
  const codes = new Uint8Array(count);
  let n = 0;
  bytes.forEach((run, at) => {
    const end = n + (run & 31) + 1;
    if (end > count) throw new DecodeError(`run to ${end}, there are ${count} codes`, at);
    codes.fill(run >> 5, n, end);
    n = end;
  });
  if (n !== count) throw new DecodeError(`${n} of ${count} codes`, bytes.length);
  return codes;
}
