import { BLOCK_VOXELS, FREE_BELOW, OCCUPIED_FROM } from "../map/grid.ts";

export { BLOCK_SIDE, blockKey as packKey, keyX, keyY, keyZ } from "../map/grid.ts";

import { DecodeError } from "../coding/decode-error.ts";

// The map on the wire is the class of each voxel, not its log-odds: that is what a block's revision follows, so a
// client that has applied all patches has exactly the head's classes. Block, little-endian: key u32, revision u32,
// runs. A run is one byte: class in the top two bits, length - 1 in the lower six; voxels x fastest, then y, then z.
// A block ends with its 512th voxel.

/** A voxel's class on the wire. */
export const VOXEL = { undecided: 0, free: 1, occupied: 2 } as const;

const HEAD_SIZE = 8;
const LONGEST_RUN = 64;
/** Bytes of the longest block. */
export const MOST_BLOCK_BYTES = HEAD_SIZE + BLOCK_VOXELS;
/** Bytes of the shortest block. */
export const LEAST_BLOCK_BYTES = HEAD_SIZE + BLOCK_VOXELS / LONGEST_RUN;

const classOf = (value: number): number =>
  value >= OCCUPIED_FROM ? VOXEL.occupied : value < FREE_BELOW ? VOXEL.free : VOXEL.undecided;

/**
 * Writes one block.
 * @param values (512) stored values in the order of `BlockGrid.copyBlock`
 * @param out    has room for MOST_BLOCK_BYTES from `offset` on
 * @returns offset after the last byte written
 */
export function encodeClasses(
  { key, revision, values }: { readonly key: number; readonly revision: number; readonly values: Uint8Array },
  out: Uint8Array,
  offset: number,
): number {
  if (values.length !== BLOCK_VOXELS || out.length - offset < MOST_BLOCK_BYTES) {
    throw new RangeError(`${values.length} voxels of ${BLOCK_VOXELS}, ${out.length - offset} bytes of room`);
  }
  const view = new DataView(out.buffer, out.byteOffset, out.byteLength);
  view.setUint32(offset, key >>> 0, true);
  view.setUint32(offset + 4, revision, true);
  let at = offset + HEAD_SIZE;
  for (let n = 0; n < BLOCK_VOXELS; ) {
    const kind = classOf(values[n]!);
    const limit = Math.min(BLOCK_VOXELS, n + LONGEST_RUN);
    let end = n + 1;
    while (end < limit && classOf(values[end]!) === kind) end++;
    out[at++] = (kind << 6) | (end - n - 1);
    n = end;
  }
  return at;
}

export interface ClassBlock {
  /** Packed block coordinates, as `blockKey` in src/map/grid.ts. */
  readonly key: number;
  readonly revision: number;
  /** (512) VOXEL classes, x fastest, then y, then z. */
  readonly classes: Uint8Array;
}

/** Divides blocks that follow each other, of our own making. */
export function* splitBlocks(bytes: Uint8Array): Generator<{ key: number; bytes: Uint8Array }> {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  for (let at = 0; at < bytes.length; ) {
    let end = at + HEAD_SIZE;
    for (let n = 0; n < BLOCK_VOXELS; end++) n += (bytes[end]! & (LONGEST_RUN - 1)) + 1;
    yield { key: view.getInt32(at, true), bytes: bytes.subarray(at, end) };
    at = end;
  }
}

/**
 * Reads blocks one after the other; each has arrays of its own.
 * @throws {DecodeError} at the first byte that cannot be
 */
export function* decodeClasses(bytes: Uint8Array): Generator<ClassBlock> {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  for (let at = 0; at < bytes.length; ) {
    if (bytes.length - at < LEAST_BLOCK_BYTES) {
      throw new DecodeError(`block needs ${LEAST_BLOCK_BYTES} bytes, ${bytes.length - at} left`, at);
    }
    const key = view.getInt32(at, true);
    const revision = view.getUint32(at + 4, true);
    at += HEAD_SIZE;
    const classes = new Uint8Array(BLOCK_VOXELS);
    for (let n = 0; n < BLOCK_VOXELS; at++) {
      if (at >= bytes.length) throw new DecodeError(`block ends after ${n} of ${BLOCK_VOXELS} voxels`, at);
      const run = bytes[at]!;
      const length = (run & 63) + 1;
      if (run >> 6 > VOXEL.occupied) throw new DecodeError(`class ${run >> 6} is not known`, at);
      if (n + length > BLOCK_VOXELS) {
        throw new DecodeError(`run of ${length} after ${n} voxels is longer than the block`, at);
      }
      classes.fill(run >> 6, n, n + length);
      n += length;
    }
    yield { key, revision, classes };
  }
}
