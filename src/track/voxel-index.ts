import { cube } from "../geometry/elementary.ts";

/** Voxels along one side of a block. A block's voxels are adjacent in memory. */
const SIDE = 8;
const BLOCK_VOXELS = cube(SIDE);
const EMPTY = -1;
/** Range of block indices that a key can hold, on either side of the origin: 11 bits of x and of y, 10 of z. */
const REACH_XY = 1024;
const REACH_Z = 512;

/**
 * Numbers the occupied voxels of a sparse grid, from 1 in the order in which they are added. Blocks of voxels are found by hash, so the cost
 * does not grow with the map. Callers use the numbers as indices of their own arrays.
 */
export class VoxelIndex {
  #hashKeys: Int32Array = new Int32Array(256).fill(EMPTY);
  #hashBlocks: Int32Array = new Int32Array(256);
  #blockKeys: Int32Array = new Int32Array(64);
  #blockCount = 0;
  /** (512 per block) number of each voxel, 0 for none. */
  #numbers: Int32Array = new Int32Array(64 * BLOCK_VOXELS);
  #count = 0;
  /** The block looked up last. Neighbouring samples are mostly in the same block. */
  #lastKey = EMPTY;
  #lastBlock = -1;

  /** Number of voxels that have a number. */
  get count(): number {
    return this.#count;
  }

  clear(): void {
    this.#hashKeys.fill(EMPTY);
    this.#numbers.fill(0, 0, this.#blockCount * BLOCK_VOXELS);
    this.#blockCount = 0;
    this.#count = 0;
    this.#lastKey = EMPTY;
    this.#lastBlock = -1;
  }

  /** The number of voxel (i, j, k), 0 if it has none. */
  find(i: number, j: number, k: number): number {
    const block = this.#findBlock(i >> 3, j >> 3, k >> 3);
    if (block < 0) return 0;
    return this.#numbers[block * BLOCK_VOXELS + (((k & 7) << 6) | ((j & 7) << 3) | (i & 7))]!;
  }

  /** The number of voxel (i, j, k), which gets the next number if it has none; 0 beyond the range. */
  add(i: number, j: number, k: number): number {
    const block = this.#addBlock(i >> 3, j >> 3, k >> 3);
    if (block < 0) return 0;
    const at = block * BLOCK_VOXELS + (((k & 7) << 6) | ((j & 7) << 3) | (i & 7));
    const number = this.#numbers[at]!;
    if (number > 0) return number;
    this.#numbers[at] = ++this.#count;
    return this.#count;
  }

  #findBlock(bx: number, by: number, bz: number): number {
    const key = (bx + REACH_XY) | ((by + REACH_XY) << 11) | ((bz + REACH_Z) << 22);
    if (key === this.#lastKey) return this.#lastBlock;
    this.#lastKey = key;
    this.#lastBlock = this.#lookUp(key);
    return this.#lastBlock;
  }

  /** Open addressing with linear probing; the multiplier is 2^32 divided by the golden ratio. Source: Knuth, TAOCP vol. 3, 6.4. */
  #lookUp(key: number): number {
    const keys = this.#hashKeys;
    const mask = keys.length - 1;
    for (let place = Math.imul(key, 0x9e3779b1) >>> 8; ; place++) {
      const there = keys[place & mask]!;
      if (there === key) return this.#hashBlocks[place & mask]!;
      if (there === EMPTY) return -1;
    }
  }

  #addBlock(bx: number, by: number, bz: number): number {
    const inReach =
      bx >= -REACH_XY &&
      bx < REACH_XY &&
      by >= -REACH_XY &&
      by < REACH_XY &&
      bz >= -REACH_Z &&
      bz < REACH_Z - 1;
    if (!inReach) return -1;
    const found = this.#findBlock(bx, by, bz);
    if (found >= 0) return found;
    const key = this.#lastKey;
    const block = this.#blockCount++;
    if (block === this.#blockKeys.length) {
      this.#blockKeys = doubled(this.#blockKeys);
      this.#numbers = doubled(this.#numbers);
    }
    this.#blockKeys[block] = key;
    if (2 * this.#blockCount > this.#hashKeys.length) {
      this.#hashKeys = new Int32Array(2 * this.#hashKeys.length).fill(EMPTY);
      this.#hashBlocks = new Int32Array(this.#hashKeys.length);
      for (let b = 0; b < block; b++) this.#place(this.#blockKeys[b]!, b);
    }
    this.#place(key, block);
    this.#lastBlock = block;
    return block;
  }

  #place(key: number, block: number): void {
    const mask = this.#hashKeys.length - 1;
    let place = Math.imul(key, 0x9e3779b1) >>> 8;
    while (this.#hashKeys[place & mask] !== EMPTY) place++;
    this.#hashKeys[place & mask] = key;
    this.#hashBlocks[place & mask] = block;
  }
}

/** A copy with room for twice as many. */
export function doubled<T extends Int32Array | Float32Array>(from: T): T {
  const out = new (from.constructor as new (length: number) => T)(2 * from.length);
  out.set(from);
  return out;
}
