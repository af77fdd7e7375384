import { type BlockGrid, TOP } from "./grid.ts";

// Evidence for the 64 voxels of a brick at once, four voxels to a 32-bit word (see grid.ts).

const LANES = 0x01010101;
const HIGH = 0x80808080 | 0;
const LANES_LOW = 0x7f7f7f7f;
const ABOVE_TOP = Math.imul(127 - TOP, LANES);
const TOPS = Math.imul(TOP, LANES);
/** Bit of an occupied voxel; the bit below it distinguishes undecided from free (grid.ts). */
const OCCUPIED_BIT = 0x40404040;
const KNOWN_BIT = 0x20202020;
/** Spreads four voxel bits to the four bytes of a word. */
const SPREAD = Int32Array.from({ length: 16 }, (_, bits) => {
  let word = 0;
  for (let lane = 0; lane < 4; lane++) if ((bits >> lane) & 1) word |= 0x7f << (8 * lane);
  return word;
});

/** Masks of the hit voxels and of the free voxels of a brick: one bit a voxel, the first 32 and the other 32. */
export interface BrickBits {
  hit0: number;
  hit1: number;
  free0: number;
  free1: number;
}

/** Free evidence for all 64 voxels of a brick. */
export function freeBrick(grid: BlockGrid, id: number, brick: number, freeStep: number): void {
  const start = grid.bricks[8 * id + brick]!;
  if (start < 0) {
    const before = -1 - start;
    const after = Math.max(0, before - freeStep);
    grid.makeUniform(id, brick, after);
    if (classChanges(before, after) !== 0) grid.revision[id] = grid.frame;
    return;
  }
  const pool = grid.pool;
  const less = Math.imul(freeStep, LANES);
  let left = 0;
  let changed = 0;
  for (let w = start; w < start + 16; w++) {
    const before = pool[w]!;
    const y = ((before | HIGH) - less) | 0;
    const k = y & HIGH;
    const after = y & (k - (k >>> 7)); // 0 where the subtraction went below
    pool[w] = after;
    left |= after;
    changed |= classChanges(before, after);
  }
  if (left === 0) grid.makeUniform(id, brick, 0);
  if (changed !== 0) grid.revision[id] = grid.frame;
}

/**
 * Adds evidence voxel by voxel; a hit overrides free.
 * @param steps evidence of a hit in the low byte, of free space in the byte above
 * @returns not 0 if carving has changed any voxel
 */
export function updateBrick(
  grid: BlockGrid,
  id: number,
  brick: number,
  { hit0, hit1, free0, free1 }: BrickBits,
  steps: number,
): number {
  const start = grid.dense(id, brick);
  const pool = grid.pool;
  const more = Math.imul(steps & 255, LANES);
  const less = Math.imul(steps >> 8, LANES);
  const f0 = free0 & ~hit0;
  const f1 = free1 & ~hit1;
  let left = 0;
  let changed = 0;
  let freed = 0;
  for (let w = 0; w < 16; w++) {
    const shift = (w & 7) << 2;
    const hits = ((w < 8 ? hit0 : hit1) >>> shift) & 15;
    const frees = ((w < 8 ? f0 : f1) >>> shift) & 15;
    let x = pool[start + w]!;
    if ((hits | frees) !== 0) {
      const before = x;
      if (frees !== 0) {
        const y = ((x | HIGH) - (less & SPREAD[frees]!)) | 0;
        const k = y & HIGH;
        x = y & (k - (k >>> 7));
        freed |= before ^ x;
      }
      if (hits !== 0) {
        const y = (x + (more & SPREAD[hits]!)) | 0;
        const k = (y + ABOVE_TOP) & HIGH;
        const keep = (k - (k >>> 7)) | 0;
        x = ((y & ~keep) | (TOPS & keep)) & LANES_LOW;
      }
      pool[start + w] = x;
      changed |= classChanges(before, x);
    }
    left |= x;
  }
  if (left === 0) grid.makeUniform(id, brick, 0);
  else grid.saturated[id] = grid.saturated[id]! & ~(1 << brick);
  if (changed !== 0) grid.revision[id] = grid.frame;
  return freed;
}

/** Not zero if any of four voxels changed its class. */
function classChanges(before: number, after: number): number {
  return (before ^ after) & (OCCUPIED_BIT | (KNOWN_BIT & ~((before | after) >>> 1)));
}
