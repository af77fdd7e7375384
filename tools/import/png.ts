import { inflateSync } from "node:zlib";
import { decode } from "fast-png";
import { ImportError } from "./source.ts";

// Chunk layout and colour types: PNG, ISO/IEC 15948, 5.3 and 11.2.2.
const SIGNATURE = Buffer.from("89504e470d0a1a0a", "hex");
/** Signature and IHDR chunk. */
const START_SIZE = 33;
/** Bytes of all chunks that aren't pixels: texts, a colour profile. */
const MOST_OTHER = 1 << 16;
const COLOURS: Readonly<Record<number, string>> = {
  0: "grey",
  2: "colour",
  3: "palette",
  4: "grey with alpha",
  6: "colour with alpha",
};

/** Width and height of a 16-bit grey PNG, as its first bytes have them. @throws {ImportError} if it is something else */
export function pngSize(bytes: Buffer, file: string): { width: number; height: number } {
  const isPng =
    bytes.length >= START_SIZE &&
    bytes.subarray(0, 8).equals(SIGNATURE) &&
    bytes.toString("latin1", 12, 16) === "IHDR";
  if (!isPng) throw new ImportError(file, null, "isn't a PNG file");
  const [bits, colour] = [bytes[24]!, bytes[25]!];
  if (bits !== 16 || colour !== 0) {
    const fix = "depth needs 16-bit grey; export it again without scaling";
    throw new ImportError(file, null, `${bits}-bit ${COLOURS[colour] ?? "?"} PNG; ${fix}`);
  }
  return { width: bytes.readUInt32BE(16), height: bytes.readUInt32BE(20) };
}

/** Unpacks the pixels once within bounds, because the decoder itself has no limit. */
function requireBounded(bytes: Buffer, width: number, height: number): void {
  const pixels: Buffer[] = [];
  let others = 0;
  for (let at = SIGNATURE.length; at < bytes.length; ) {
    if (at + 12 > bytes.length) throw new Error("cut short");
    const size = bytes.readUInt32BE(at);
    const end = at + 12 + size;
    if (end > bytes.length) throw new Error("cut short");
    const type = bytes.toString("latin1", at + 4, at + 8);
    if (type === "IDAT") pixels.push(bytes.subarray(at + 8, end - 4));
    else others += size;
    if (type === "IEND") break;
    at = end;
  }
  if (others > MOST_OTHER) throw new Error(`${others} bytes beside the pixels`);
  // A filter byte for each row; interlaced images have seven passes with rows of their own.
  inflateSync(Buffer.concat(pixels), { maxOutputLength: 2 * width * height + 7 * (height + 1) });
}

/**
 * Decodes a 16-bit grey PNG whose size is known to be reasonable.
 * @param counts (height * width) receives the pixels
 * @throws {ImportError} if the file is damaged
 */
export function readPng(
  counts: Uint16Array,
  bytes: Buffer,
  file: string,
  { width, height }: { readonly width: number; readonly height: number },
): void {
  try {
    requireBounded(bytes, width, height);
    const { data } = decode(bytes, { checkCrc: true });
    if (data.length !== counts.length) throw new Error(`${data.length} of ${counts.length} pixels`);
    counts.set(data);
  } catch (error) {
    throw new ImportError(file, null, `damaged PNG (${(error as Error).message}); get it again`);
  }
}
