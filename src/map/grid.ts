import { cube } from "../geometry/elementary.ts";
/** Voxels along one side of a block; a block is eight bricks of 4 x 4 x 4. */
export const BLOCK_SIDE = 8;
export const BLOCK_VOXELS = cube(BLOCK_SIDE);
/** Words of a brick in the pool, four voxels each. */
const BRICK_WORDS = 16;

/**
 * A voxel is one byte with its top bit spare, so that four are updated in one 32-bit word. Its value is
 * log-odds of "occupied" in steps of 1/16 nat, offset so that the two bits below the top one are the class:
 * 00 free, 01 undecided, 1x occupied.
 */
export const NATS_PER_STEP = 1 / 16;
/** No evidence either way. */
export const UNKNOWN = 40;
/** Values below are free; reached from UNKNOWN by half a nat. */
export const FREE_BELOW = 32;
/** Values from here on are occupied; reached from UNKNOWN by one and a half nats. */
export const OCCUPIED_FROM = 64;
/** Clamp, so that any voxel can change its class again. Odds 90:1 for occupied, 12:1 for free (at value 0). */
export const TOP = 112;

export type VoxelClass = "free" | "undecided" | "occupied";

export function classOf(value: number): VoxelClass {
  return value >= OCCUPIED_FROM ? "occupied" : value < FREE_BELOW ? "free" : "undecided";
}

/** Log-odds in nats of a stored value. */
export const natsOf = (value: number): number => (value - UNKNOWN) * NATS_PER_STEP;

const EMPTY = -1;
const LANES = 0x01010101;
/** Range of block coordinates to either side of the origin. */
const REACH_XY = 1024;
const REACH_Z = 512;

/** Packs block coordinates into 32 bits; the caller has checked `inReach`. */
export function blockKey(bx: number, by: number, bz: number): number {
  return (bx + REACH_XY) | ((by + REACH_XY) << 11) | ((bz + REACH_Z) << 22);
}
export const keyX = (key: number): number => (key & 2047) - REACH_XY;
export const keyY = (key: number): number => ((key >>> 11) & 2047) - REACH_XY;
export const keyZ = (key: number): number => (key >>> 22) - REACH_Z;
export function inReach(bx: number, by: number, bz: number): boolean {
  return (
    bx >= -REACH_XY && bx < REACH_XY && by >= -REACH_XY && by < REACH_XY && bz >= -REACH_Z && bz < REACH_Z - 1 // the last layer would contain the key that marks an empty hash slot
  );
}

/** Where voxel (x, y, z), each 0..7, lies in its block's 512 bytes: brick by brick, x fastest. */
export function voxelOffset(x: number, y: number, z: number): number {
  const brick = (x >> 2) | ((y >> 2) << 1) | ((z >> 2) << 2);
  return (brick << 6) | ((z & 3) << 4) | ((y & 3) << 2) | (x & 3);
}

/**
 * A sparse grid of log-odds. Blocks are stored in a hash table. A uniform brick (all voxels equal) has no bytes, only
 * a value; that is every third brick, at the border of the map and in free space. Voxel (i, j, k) covers [i, i + 1) * voxelSize along x, and so on, in the world frame.
 *
 * Integrators and layers in this folder use the arrays directly; all others read through `GridView`.
 */
export class BlockGrid {
  /** Metres. */
  readonly voxelSize: number;
  /** Blocks in use; their ids are 0 .. count - 1. */
  count = 0;
  /** Per block: packed coordinates. */
  keys = new Int32Array(1024);
  /** Per brick, eight a block: first of its 16 words in `pool`, or -1 - v while all its voxels equal v. */
  bricks = new Int32Array(8 * 1024);
  /** Per block: one bit a brick, set while all its voxels are clamped free and need no more evidence. */
  saturated = new Uint8Array(1024);
  /** Per block: the frame that last changed the class of a voxel; 0 for never. */
  revision = new Int32Array(1024);
  /** Per block: the frame that last gave evidence, changed or not. */
  touched = new Int32Array(1024);
  /** The voxels, four a word. */
  pool = new Int32Array(1024 * BRICK_WORDS);
  /** Revision of the newest frame; goes up by one for each. */
  frame = 0;

  #hashKeys = new Int32Array(4096).fill(EMPTY);
  #hashIds = new Int32Array(4096);
  /** Words of the pool in use; freed bricks are reused first. */
  #poolUsed = 0;
  #freed = new Int32Array(256);
  #freeCount = 0;

  constructor(voxelSize: number) {
    if (!(voxelSize >= 0.001 && voxelSize <= 1)) {
      throw new RangeError(`voxel size must be 0.001 to 1 m, got ${voxelSize}`);
    }
    this.voxelSize = voxelSize;
  }

  /** The block's id, or -1 without one. */
  find(key: number): number {
    const keys = this.#hashKeys;
    const mask = keys.length - 1;
    let place = hash(key) & mask;
    for (;;) {
      const there = keys[place]!;
      if (there === key) return this.#hashIds[place]!;
      if (there === EMPTY) return -1;
      place = (place + 1) & mask;
    }
  }

  /** The block's id; a new block has every voxel unknown. */
  findOrAdd(key: number): number {
    const found = this.find(key);
    return found >= 0 ? found : this.#add(key);
  }

  #add(key: number): number {
    if (this.count === this.keys.length) this.#growBlocks();
    if (2 * (this.count + 1) > this.#hashKeys.length) this.#growHash();
    const id = this.count++;
    this.keys[id] = key;
    this.bricks.fill(-1 - UNKNOWN, 8 * id, 8 * id + 8);
    this.saturated[id] = 0;
    this.revision[id] = 0;
    this.touched[id] = this.frame;
    this.#place(key, id);
    return id;
  }

  #place(key: number, id: number): void {
    const mask = this.#hashKeys.length - 1;
    let place = hash(key) & mask;
    while (this.#hashKeys[place] !== EMPTY) place = (place + 1) & mask;
    this.#hashKeys[place] = key;
    this.#hashIds[place] = id;
  }

  #growBlocks(): void {
    const size = this.keys.length * 2;
    const wider = <T extends Int32Array | Uint8Array>(from: T, to: T): T => {
      to.set(from);
      return to;
    };
    this.keys = wider(this.keys, new Int32Array(size));
    this.bricks = wider(this.bricks, new Int32Array(8 * size));
    this.saturated = wider(this.saturated, new Uint8Array(size));
    this.revision = wider(this.revision, new Int32Array(size));
    this.touched = wider(this.touched, new Int32Array(size));
  }

  #growHash(): void {
    const size = this.#hashKeys.length * 2;
    this.#hashKeys = new Int32Array(size).fill(EMPTY);
    this.#hashIds = new Int32Array(size);
    for (let id = 0; id < this.count; id++) this.#place(this.keys[id]!, id);
  }

  /** Index of the brick's words in `pool`; allocates them if the brick was uniform. May replace `pool`. */
  dense(id: number, brick: number): number {
    const start = this.bricks[8 * id + brick]!;
    return start >= 0 ? start : this.#makeDense(id, brick);
  }

  #makeDense(id: number, brick: number): number {
    let start: number;
    if (this.#freeCount > 0) {
      start = this.#freed[--this.#freeCount]!;
    } else {
      start = this.#poolUsed;
      this.#poolUsed += BRICK_WORDS;
      if (start >= this.pool.length) {
        // Grows by a quarter, not by double, because the pool is nearly all of the map's memory.
        const pool = new Int32Array(Math.ceil((this.pool.length * 1.25) / BRICK_WORDS) * BRICK_WORDS);
        pool.set(this.pool);
        this.pool = pool;
      }
    }
    const value = -1 - this.bricks[8 * id + brick]!;
    this.pool.fill(Math.imul(value, LANES), start, start + BRICK_WORDS);
    this.bricks[8 * id + brick] = start;
    return start;
  }

  /** Makes a brick uniform with `value`, and frees its words if it had any. */
  makeUniform(id: number, brick: number, value: number): void {
    const start = this.bricks[8 * id + brick]!;
    this.bricks[8 * id + brick] = -1 - value;
    const bit = 1 << brick;
    this.saturated[id] = value === 0 ? this.saturated[id]! | bit : this.saturated[id]! & ~bit;
    if (start < 0) return;
    if (this.#freeCount === this.#freed.length) {
      const more = new Int32Array(this.#freed.length * 2);
      more.set(this.#freed);
      this.#freed = more;
    }
    this.#freed[this.#freeCount++] = start;
  }

  /** Stored value of the voxel with these whole world coordinates; UNKNOWN where nothing was seen. */
  valueAt(i: number, j: number, k: number): number {
    const bx = i >> 3;
    const by = j >> 3;
    const bz = k >> 3;
    if (!inReach(bx, by, bz)) return UNKNOWN;
    const id = this.find(blockKey(bx, by, bz));
    if (id < 0) return UNKNOWN;
    const offset = voxelOffset(i & 7, j & 7, k & 7);
    const start = this.bricks[8 * id + (offset >> 6)]!;
    if (start < 0) return -1 - start;
    return (this.pool[start + ((offset >> 2) & 15)]! >>> ((offset & 3) * 8)) & 255;
  }

  /** Packed coordinates of a block. */
  keyOf(id: number): number {
    return this.keys[id]!;
  }

  /** The frame that last changed the class of one of a block's voxels; 0 for never. */
  revisionOf(id: number): number {
    return this.revision[id]!;
  }

  /** The frame that last gave evidence in a block, changed or not. */
  touchedOf(id: number): number {
    return this.touched[id]!;
  }

  /** The brick that holds a voxel, for `valueIn`: -1 - v while all its voxels equal v. Valid until the grid changes. */
  brickAt(i: number, j: number, k: number): number {
    const id = inReach(i >> 3, j >> 3, k >> 3) ? this.find(blockKey(i >> 3, j >> 3, k >> 3)) : -1;
    if (id < 0) return -1 - UNKNOWN;
    return this.bricks[8 * id + (((i >> 2) & 1) | (((j >> 2) & 1) << 1) | (((k >> 2) & 1) << 2))]!;
  }

  /** Stored value of a voxel in the brick that `brickAt` gave for it. */
  valueIn(brick: number, i: number, j: number, k: number): number {
    if (brick < 0) return -1 - brick;
    return (this.pool[brick + (((k & 3) << 2) | (j & 3))]! >>> ((i & 3) * 8)) & 255;
  }

  /** Adds `steps` (either sign) of log-odds to one voxel and clamps it; false when it is outside the map's reach. */
  add(i: number, j: number, k: number, steps: number): boolean {
    const bx = i >> 3;
    const by = j >> 3;
    const bz = k >> 3;
    if (!inReach(bx, by, bz)) return false;
    const id = this.findOrAdd(blockKey(bx, by, bz));
    this.touched[id] = this.frame;
    const offset = voxelOffset(i & 7, j & 7, k & 7);
    const brick = offset >> 6;
    // A uniform brick at the clamp is not changed by more evidence of the same sign.
    if (steps < 0 && this.bricks[8 * id + brick] === -1) return true;
    const word = this.dense(id, brick) + ((offset >> 2) & 15);
    const shift = (offset & 3) * 8;
    const before = (this.pool[word]! >>> shift) & 255;
    const after = Math.max(0, Math.min(TOP, before + steps));
    if (after === before) return true;
    this.pool[word] = this.pool[word]! ^ ((before ^ after) << shift);
    if (after > before) this.saturated[id] = this.saturated[id]! & ~(1 << brick);
    if (classOf(before) !== classOf(after)) this.revision[id] = this.frame;
    return true;
  }

  /** Writes one voxel outside the integrators (a knock, a test); counts as a change of its block. */
  setValue(i: number, j: number, k: number, value: number): void {
    if (!(value >= 0 && value <= TOP)) throw new RangeError(`voxel value must be 0 to ${TOP}, got ${value}`);
    const [bx, by, bz] = [i >> 3, j >> 3, k >> 3];
    if (!inReach(bx, by, bz)) throw new RangeError(`voxel (${i}, ${j}, ${k}) is outside the map's reach`);
    const id = this.findOrAdd(blockKey(bx, by, bz));
    const offset = voxelOffset(i & 7, j & 7, k & 7);
    const word = this.dense(id, offset >> 6) + ((offset >> 2) & 15);
    const shift = (offset & 3) * 8;
    this.pool[word] = (this.pool[word]! & ~(255 << shift)) | (value << shift);
    this.saturated[id] = this.saturated[id]! & ~(1 << (offset >> 6));
    this.revision[id] = this.frame;
    this.touched[id] = this.frame;
  }

  /** Copies a block's voxels to `out` (512), x fastest, then y, then z. */
  copyBlock(id: number, out: Uint8Array): void {
    if (out.length < BLOCK_VOXELS) throw new RangeError(`out has ${out.length} bytes, needs ${BLOCK_VOXELS}`);
    const { pool, bricks } = this;
    for (let z = 0, n = 0; z < 8; z++) {
      for (let y = 0; y < 8; y++) {
        for (let x = 0; x < 8; x += 4, n += 4) {
          const offset = voxelOffset(x, y, z);
          const start = bricks[8 * id + (offset >> 6)]!;
          const word = start < 0 ? Math.imul(-1 - start, LANES) : pool[start + ((offset >> 2) & 15)]!;
          out[n] = word & 255;
          out[n + 1] = (word >>> 8) & 255;
          out[n + 2] = (word >>> 16) & 255;
          out[n + 3] = word >>> 24;
        }
      }
    }
  }

  /** Sets a whole block from 512 values in the order of `copyBlock`; used to load a snapshot. */
  pasteBlock(key: number, values: Uint8Array, revision: number): number {
    const id = this.findOrAdd(key);
    for (let brick = 0; brick < 8; brick++) {
      const first = ((brick & 1) << 2) | ((brick & 2) << 4) | ((brick & 4) << 6);
      const start = this.dense(id, brick);
      const value = values[first]!;
      let isUniform = true;
      for (let w = 0; w < BRICK_WORDS; w++) {
        const n = first + ((w & 3) << 3) + ((w >> 2) << 6);
        const word = values[n]! | (values[n + 1]! << 8) | (values[n + 2]! << 16) | (values[n + 3]! << 24);
        this.pool[start + w] = word;
        isUniform &&= word === Math.imul(value, LANES);
      }
      if (isUniform) this.makeUniform(id, brick, value);
      else this.saturated[id] = this.saturated[id]! & ~(1 << brick);
    }
    this.revision[id] = revision;
    this.touched[id] = revision;
    return id;
  }

  /** Forgets everything; keeps the memory. */
  clear(): void {
    this.count = 0;
    this.#poolUsed = 0;
    this.#freeCount = 0;
    this.#hashKeys.fill(EMPTY);
  }

  /**
   * Exchanges all blocks with another grid; nothing is copied. Each grid keeps its own `frame`.
   * @throws {RangeError} if their voxels differ in size
   */
  swap(other: BlockGrid): void {
    if (other.voxelSize !== this.voxelSize) {
      throw new RangeError(`voxels of ${other.voxelSize} m cannot replace those of ${this.voxelSize} m`);
    }
    [this.count, other.count] = [other.count, this.count];
    [this.keys, other.keys] = [other.keys, this.keys];
    [this.bricks, other.bricks] = [other.bricks, this.bricks];
    [this.saturated, other.saturated] = [other.saturated, this.saturated];
    [this.revision, other.revision] = [other.revision, this.revision];
    [this.touched, other.touched] = [other.touched, this.touched];
    [this.pool, other.pool] = [other.pool, this.pool];
    [this.#hashKeys, other.#hashKeys] = [other.#hashKeys, this.#hashKeys];
    [this.#hashIds, other.#hashIds] = [other.#hashIds, this.#hashIds];
    [this.#poolUsed, other.#poolUsed] = [other.#poolUsed, this.#poolUsed];
    [this.#freed, other.#freed] = [other.#freed, this.#freed];
    [this.#freeCount, other.#freeCount] = [other.#freeCount, this.#freeCount];
  }

  /** Bytes of memory of the voxels and their index. */
  get byteSize(): number {
    const perBlock = 4 + 32 + 1 + 4 + 4;
    return this.pool.byteLength + this.keys.length * perBlock + this.#hashKeys.length * 8;
  }
}

/**
 * The blocks of an aligned 8 x 8 x 4 group fall into one aligned run of 256 slots, so a frame's look-ups stay in cache.
 * The group's own bits are mixed into the whole slot number. Otherwise flat maps, with all their blocks in one layer, would crowd a
 * quarter of the slots.
 */
function hash(key: number): number {
  const local = (key & 7) | ((key >> 8) & (7 << 3)) | ((key >> 16) & (3 << 6));
  return local ^ (Math.imul(key & ~(7 | (7 << 11) | (3 << 22)), 0x9e3779b1) >>> 7);
}

/** Read-only view of the map, for users of a head. */
export type GridView = Readonly<
  Pick<
    BlockGrid,
    | "voxelSize"
    | "count"
    | "frame"
    | "byteSize"
    | "find"
    | "keyOf"
    | "revisionOf"
    | "touchedOf"
    | "valueAt"
    | "brickAt"
    | "valueIn"
    | "copyBlock"
  >
>;
