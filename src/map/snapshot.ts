import { BLOCK_VOXELS, BlockGrid, type GridView, inReach, keyX, keyY, keyZ, TOP } from "./grid.ts";

// Snapshot, little-endian: magic (8 bytes), version u32, size of all bytes u32, voxel size f64 (metres),
// frame u32, block count u32, the blocks by rising key, CRC u32 of everything before it.
// Block: key u32, revision u32, voxels. A snapshot and a patch hold blocks in the same form.
//
// Voxels, in the order of BlockGrid.copyBlock: a first byte of 128 + v says that all 512 equal v. Else a byte below
// 128 is a voxel, and one from 128 up repeats the voxel before it: byte - 127 more of them. So no block is longer
// than its voxels.

/** The first byte is not text, and the line ends reveal a copy in text mode. */
const MAGIC = Uint8Array.of(0x89, 0x42, 0x4d, 0x50, 0x0d, 0x0a, 0x1a, 0x0a);
const VERSION = 1;
const HEAD_SIZE = 32;
const CRC_SIZE = 4;
const BLOCK_HEAD_SIZE = 8;
/** Bytes of the shortest and of the longest block. */
const MIN_BLOCK_SIZE = BLOCK_HEAD_SIZE + 1;
export const MAX_BLOCK_SIZE = BLOCK_HEAD_SIZE + BLOCK_VOXELS;
const MARK = 128;
const MOST_REVISION = 2 ** 31 - 1;

/** CRC-32C of all the bytes, unsigned. */
export type Checksum = (bytes: Uint8Array) => number;

/** The bytes are not a valid snapshot or block; `offset` is the position of the error from the first byte. */
export class SnapshotError extends Error {
  override readonly name = "SnapshotError";
  readonly offset: number;
  constructor(message: string, offset: number) {
    super(`${message} (byte ${offset})`);
    this.offset = offset;
  }
}

/** Voxels of the block at hand. */
const voxels = new Uint8Array(BLOCK_VOXELS);

/**
 * Writes one block.
 * @param out    has room for MAX_BLOCK_SIZE bytes from `offset` on
 * @returns offset after the last byte written
 * @throws {RangeError} if it hasn't, or the grid has no such block
 */
export function encodeBlock(grid: GridView, id: number, out: Uint8Array, offset: number): number {
  if (!(id >= 0 && id < grid.count)) throw new RangeError(`block ${id} of ${grid.count}`);
  if (out.length - offset < MAX_BLOCK_SIZE) {
    throw new RangeError(`a block may need ${MAX_BLOCK_SIZE} bytes, ${out.length - offset} left`);
  }
  const view = new DataView(out.buffer, out.byteOffset, out.byteLength);
  view.setUint32(offset, grid.keyOf(id) >>> 0, true);
  view.setUint32(offset + 4, grid.revisionOf(id), true);
  grid.copyBlock(id, voxels);
  const start = offset + BLOCK_HEAD_SIZE;
  let at = start;
  for (let n = 0; n < BLOCK_VOXELS; ) {
    const value = voxels[n++]!;
    out[at++] = value;
    const first = n;
    while (n < BLOCK_VOXELS && voxels[n] === value) n++;
    let more = n - first;
    if (more === BLOCK_VOXELS - 1) {
      out[start] = MARK + value;
      return start + 1;
    }
    for (; more > 0; more -= 128) out[at++] = MARK - 1 + Math.min(more, 128);
  }
  return at;
}

/**
 * Puts one block, as `encodeBlock` wrote it, into a grid; what the grid had there is replaced.
 * @returns offset after the last byte read
 * @throws {SnapshotError} if the bytes are not a block; the grid is then unchanged
 */
export function decodeBlock(grid: BlockGrid, bytes: Uint8Array, offset: number): number {
  const left = bytes.length - offset;
  if (left < MIN_BLOCK_SIZE) {
    throw new SnapshotError(`a block needs at least ${MIN_BLOCK_SIZE} bytes, ${left} left`, offset);
  }
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const key = view.getInt32(offset, true);
  if (!inReach(keyX(key), keyY(key), keyZ(key))) {
    throw new SnapshotError(
      `block (${keyX(key)}, ${keyY(key)}, ${keyZ(key)}) is outside the map's reach`,
      offset,
    );
  }
  const revision = view.getUint32(offset + 4, true);
  if (revision > MOST_REVISION) {
    throw new SnapshotError(`revision must be at most ${MOST_REVISION}, got ${revision}`, offset + 4);
  }
  const end = decodeVoxels(bytes, offset + BLOCK_HEAD_SIZE);
  grid.pasteBlock(key, voxels, revision);
  return end;
}

/** Fills `voxels`. Returns the offset after the last byte read. */
function decodeVoxels(bytes: Uint8Array, start: number): number {
  const first = bytes[start]!;
  if (first >= MARK) {
    checkValue(first - MARK, start);
    voxels.fill(first - MARK);
    return start + 1;
  }
  let at = start;
  let value = 0;
  for (let n = 0; n < BLOCK_VOXELS; at++) {
    if (at >= bytes.length) throw new SnapshotError(`block ends after ${n} of ${BLOCK_VOXELS} voxels`, at);
    const code = bytes[at]!;
    if (code < MARK) {
      checkValue(code, at);
      value = code;
      voxels[n++] = code;
      continue;
    }
    const more = code - MARK + 1;
    if (n + more > BLOCK_VOXELS) {
      throw new SnapshotError(`${more} more voxels after ${n} are more than ${BLOCK_VOXELS}`, at);
    }
    voxels.fill(value, n, n + more);
    n += more;
  }
  return at;
}

function checkValue(value: number, at: number): void {
  if (value > TOP) throw new SnapshotError(`voxel value must be 0 to ${TOP}, got ${value}`, at);
}

/**
 * Lists the blocks in which a voxel's class has changed after `revision`, as a client needs them that has the map as of
 * that revision.
 * @param out receives block ids, as many as fit
 * @returns how many there are, which may be more than fit
 */
export function changedSince(grid: GridView, revision: number, out: Int32Array): number {
  let count = 0;
  for (let id = 0; id < grid.count; id++) {
    if (grid.revisionOf(id) > revision) out[count++] = id;
  }
  return count;
}

/**
 * The whole grid as bytes: every block's voxels and revision, and the frame's number. Grids with the same blocks
 * give the same bytes, in whatever order the blocks came. When a block last got evidence isn't kept.
 * @throws {RangeError} if they would be 4 GiB or more
 */
export function encodeSnapshot(grid: GridView, checksum: Checksum): Uint8Array {
  const order = Array.from({ length: grid.count }, (_, id) => id);
  order.sort((a, b) => (grid.keyOf(a) >>> 0) - (grid.keyOf(b) >>> 0));
  let out = new Uint8Array(HEAD_SIZE + 64 * grid.count + MAX_BLOCK_SIZE + CRC_SIZE);
  let at = HEAD_SIZE;
  for (const id of order) {
    if (out.length - at < MAX_BLOCK_SIZE + CRC_SIZE) {
      const more = new Uint8Array(Math.ceil(1.5 * out.length));
      more.set(out);
      out = more;
    }
    at = encodeBlock(grid, id, out, at);
  }
  const size = at + CRC_SIZE;
  if (size >= 2 ** 32) throw new RangeError(`the map needs ${size} bytes, a snapshot holds less than 4 GiB`);
  const view = new DataView(out.buffer);
  out.set(MAGIC);
  view.setUint32(8, VERSION, true);
  view.setUint32(12, size, true);
  view.setFloat64(16, grid.voxelSize, true);
  view.setUint32(24, grid.frame, true);
  view.setUint32(28, grid.count, true);
  view.setUint32(at, checksum(out.subarray(0, at)), true);
  return out.slice(0, size);
}

/**
 * Restores a grid. The memory is proportional to the number of bytes, whatever their content.
 * @throws {SnapshotError} if they are not a snapshot, truncated, of another version, or damaged
 */
export function decodeSnapshot(bytes: Uint8Array, checksum: Checksum): BlockGrid {
  for (let i = 0; i < MAGIC.length; i++) {
    if (bytes[i] !== MAGIC[i]) throw new SnapshotError("no map snapshot: its first bytes are wrong", i);
  }
  if (bytes.length < HEAD_SIZE + CRC_SIZE) {
    throw new SnapshotError(`a snapshot has at least ${HEAD_SIZE + CRC_SIZE} bytes`, bytes.length);
  }
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const version = view.getUint32(8, true);
  if (version !== VERSION) {
    throw new SnapshotError(`snapshot version ${version}; this software reads version ${VERSION}`, 8);
  }
  const size = view.getUint32(12, true);
  if (size !== bytes.length) {
    throw new SnapshotError(`the snapshot says it has ${size} bytes, there are ${bytes.length}`, 12);
  }
  const end = size - CRC_SIZE;
  if (view.getUint32(end, true) !== checksum(bytes.subarray(0, end))) {
    throw new SnapshotError("the snapshot is damaged: its checksum does not match", end);
  }
  const voxelSize = view.getFloat64(16, true);
  if (!(voxelSize >= 0.001 && voxelSize <= 1)) {
    throw new SnapshotError(`voxel size must be 0.001 to 1 m, got ${voxelSize}`, 16);
  }
  const frame = view.getUint32(24, true);
  if (frame > MOST_REVISION) {
    throw new SnapshotError(`frame must be at most ${MOST_REVISION}, got ${frame}`, 24);
  }
  const count = view.getUint32(28, true);
  if (count > (end - HEAD_SIZE) / MIN_BLOCK_SIZE) {
    throw new SnapshotError(`${count} blocks cannot fit in ${end - HEAD_SIZE} bytes`, 28);
  }
  const grid = new BlockGrid(voxelSize);
  grid.frame = frame;
  const blocks = bytes.subarray(0, end);
  let at = HEAD_SIZE;
  let previous = -1;
  for (let n = 0; n < count; n++) {
    const start = at;
    at = decodeBlock(grid, blocks, start);
    const key = grid.keys[grid.count - 1]! >>> 0;
    // Rising keys also mean that no block comes twice.
    if (grid.count !== n + 1 || key <= previous) throw new SnapshotError("blocks are out of order", start);
    if (grid.revision[n]! > frame) {
      throw new SnapshotError(`block revision ${grid.revision[n]} is after frame ${frame}`, start + 4);
    }
    previous = key;
  }
  if (at !== end) throw new SnapshotError(`${end - at} bytes left over after the last block`, at);
  return grid;
}
