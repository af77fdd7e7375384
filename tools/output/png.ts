import { encode } from "fast-png";

/**
 * PNG from pixels row by row. Uint16Array becomes 16-bit grey; Uint8Array becomes 8-bit grey, RGB or RGBA, by its length.
 * @throws {RangeError} if the length fits none of them
 */
export function encodePng(data: Uint8Array | Uint16Array, width: number, height: number): Uint8Array {
  const channels = data.length / (width * height);
  const allowed = data instanceof Uint16Array ? [1] : [1, 3, 4];
  if (!allowed.includes(channels)) {
    const sizes = allowed.map((count) => count * width * height).join(", ");
    throw new RangeError(`${width} x ${height} pixels need ${sizes} values, got ${data.length}`);
  }
  const depth = data instanceof Uint16Array ? 16 : 8;
  return encode({ width, height, data, depth, channels }, { zlib: { level: 6 } });
}
