import { BLOCK_SIDE, type ClassBlock, keyX, keyY, keyZ, VOXEL } from "../wire/blocks.ts";
import type { Bands } from "./map-plans.ts";

// The map from above, column by column: the source of the plan, and of the contact shadows in three dimensions.

/**
 * Bytes of a column: the floor's highest voxel; the lowest voxel that stands in the robot's way, and the highest of all above it,
 * both counted from the floor's band and 0 where nothing stands; whether something hangs above.
 */
export const COLUMN_BYTES = 4;
/** Columns of a stack of blocks. */
export const STACK = BLOCK_SIDE * BLOCK_SIDE;
/** Offset of a floor's height, which is its highest voxel; 0 is no floor. */
export const FLOOR_ZERO = 128;
/** Columns on each side that cast a contact shadow on a column: 20 cm with voxels of 5 cm. */
const REACH = 4;

/** Stacks of 8 x 8 columns. */
export interface ColumnUpdate {
  /** x, y of each, in blocks. */
  readonly places: Int32Array;
  /** COLUMN_BYTES of each column, stack by stack, x fastest. */
  readonly columns: Uint8Array;
  /** Contact shadow of each column, 0 to 255. */
  readonly shades: Uint8Array;
}

/** One number for a stack; blocks of the map have 11 bits for x and y. */
const stackOf = (x: number, y: number): number => (x + 0x8000) * 0x10000 + (y + 0x8000);
const stackX = (stack: number): number => Math.floor(stack / 0x10000) - 0x8000;
const stackY = (stack: number): number => (stack % 0x10000) - 0x8000;

/** Keeps the columns of a map that changes. */
export class ColumnMap {
  readonly #blocks: ReadonlyMap<number, ClassBlock>;
  readonly #voxelSize: () => number;
  #bands: Bands = { low: 0.05, high: 0.6 };
  /** Keys of the blocks of each stack. */
  readonly #keys = new Map<number, Set<number>>();
  readonly #columns = new Map<number, Uint8Array>();
  readonly #stale = new Set<number>();

  constructor(blocks: ReadonlyMap<number, ClassBlock>, voxelSize: () => number) {
    this.#blocks = blocks;
    this.#voxelSize = voxelSize;
  }

  /** Heights between which things stand in the robot's way. Setting them recomputes all columns. */
  set bands(bands: Bands) {
    if (bands.low === this.#bands.low && bands.high === this.#bands.high) return;
    this.#bands = bands;
    for (const stack of this.#keys.keys()) this.#stale.add(stack);
  }

  /** Clears the columns for another map. */
  clear(): void {
    for (const stack of this.#keys.keys()) this.#stale.add(stack);
    this.#keys.clear();
  }

  change(keys: Iterable<number>): void {
    for (const key of keys) {
      const stack = stackOf(keyX(key), keyY(key));
      let known = this.#keys.get(stack);
      if (known === undefined) {
        known = new Set();
        this.#keys.set(stack, known);
      }
      known.add(key);
      this.#stale.add(stack);
    }
  }

  /** The stacks that changed since the last call, and the stacks whose shadows changed with them. */
  take(): ColumnUpdate {
    const shaded = new Set<number>();
    for (const stack of this.#stale) {
      const before = this.#columns.get(stack);
      const now = this.#columnsOf(stack);
      if (now === null) this.#columns.delete(stack);
      else this.#columns.set(stack, now);
      shaded.add(stack);
      if (!isStandingAlike(before, now)) {
        const [x, y] = [stackX(stack), stackY(stack)];
        for (let n = 0; n < 9; n++) shaded.add(stackOf(x - 1 + (n % 3), y - 1 + Math.floor(n / 3)));
      }
    }
    this.#stale.clear();
    const count = shaded.size;
    const places = new Int32Array(2 * count);
    const columns = new Uint8Array(COLUMN_BYTES * STACK * count);
    const shades = new Uint8Array(STACK * count);
    let n = 0;
    for (const stack of shaded) {
      places[2 * n] = stackX(stack);
      places[2 * n + 1] = stackY(stack);
      const own = this.#columns.get(stack);
      if (own !== undefined) columns.set(own, COLUMN_BYTES * STACK * n);
      this.#shade(stack, shades.subarray(STACK * n, STACK * (n + 1)));
      n++;
    }
    return { places, columns, shades };
  }

  #columnsOf(stack: number): Uint8Array | null {
    const keys = this.#keys.get(stack);
    if (keys === undefined) return null;
    const out = new Uint8Array(COLUMN_BYTES * STACK);
    const voxel = this.#voxelSize();
    const { low, high } = this.#bands;
    const base = Math.floor(low / voxel);
    for (const key of keys) {
      const block = this.#blocks.get(key);
      if (block === undefined) continue;
      const { classes } = block;
      for (let k = 0, n = 0; k < BLOCK_SIDE; k++) {
        const z = BLOCK_SIDE * keyZ(key) + k;
        // The same rule as for the map's colours: floor by its top, with a margin for rounding.
        const isFloor = voxel * (z + 1) <= low + 1e-6;
        const isOver = !isFloor && voxel * z >= high;
        for (let at = 0; at < STACK; at++, n++) {
          if (classes[n] !== VOXEL.occupied) continue;
          const to = COLUMN_BYTES * at;
          if (isFloor) out[to] = Math.max(out[to]!, Math.min(255, Math.max(1, z + FLOOR_ZERO)));
          else {
            const height = Math.min(255, Math.max(1, z - base + 1));
            if (height > out[to + 2]!) out[to + 2] = height;
            if (isOver) out[to + 3] = 255;
            else if (out[to + 1] === 0 || height < out[to + 1]!) out[to + 1] = height;
          }
        }
      }
    }
    return out;
  }

  /** The contact shadow of each column: standing columns around it count less with distance, linearly to zero at REACH. */
  #shade(stack: number, out: Uint8Array): void {
    const side = BLOCK_SIDE + 2 * REACH;
    const standing = new Uint8Array(side * side);
    const [x, y] = [stackX(stack), stackY(stack)];
    let any = false;
    for (let n = 0; n < 9; n++) {
      const [dx, dy] = [(n % 3) - 1, Math.floor(n / 3) - 1];
      const columns = this.#columns.get(stackOf(x + dx, y + dy));
      if (columns === undefined) continue;
      for (let at = 0; at < STACK; at++) {
        if (columns[COLUMN_BYTES * at + 1] === 0) continue;
        const col = BLOCK_SIDE * dx + (at % BLOCK_SIDE) + REACH;
        const row = BLOCK_SIDE * dy + Math.floor(at / BLOCK_SIDE) + REACH;
        if (col < 0 || row < 0 || col >= side || row >= side) continue;
        standing[row * side + col] = 1;
        any = true;
      }
    }
    if (!any) return;
    // Along x, then along y: triangular kernels of half width REACH.
    const across = new Float32Array(side * BLOCK_SIDE);
    for (let row = 0; row < side; row++) {
      for (let col = 0; col < BLOCK_SIDE; col++) {
        let sum = 0;
        for (let d = -REACH; d <= REACH; d++)
          sum += (REACH + 1 - Math.abs(d)) * standing[row * side + col + REACH + d]!;
        across[row * BLOCK_SIDE + col] = sum;
      }
    }
    const most = (REACH + 1) ** 4;
    for (let row = 0; row < BLOCK_SIDE; row++) {
      for (let col = 0; col < BLOCK_SIDE; col++) {
        let sum = 0;
        for (let d = -REACH; d <= REACH; d++)
          sum += (REACH + 1 - Math.abs(d)) * across[(row + REACH + d) * BLOCK_SIDE + col]!;
        out[row * BLOCK_SIDE + col] = Math.round((255 * sum) / most);
      }
    }
  }
}

/** Whether things stand in the same columns, so that the contact shadows around are unchanged. */
function isStandingAlike(before: Uint8Array | undefined, now: Uint8Array | null): boolean {
  for (let at = 1; at < COLUMN_BYTES * STACK; at += COLUMN_BYTES) {
    if ((before?.[at] ?? 0) > 0 !== (now?.[at] ?? 0) > 0) return false;
  }
  return true;
}
