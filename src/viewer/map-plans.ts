import { BLOCK_SIDE, type ClassBlock, keyX, keyY, keyZ, VOXEL } from "../wire/blocks.ts";

/** Class of a column of voxels in the plan: the highest code of its voxels. */
export const COLUMN = { empty: 0, overhead: 1, floor: 2, standing: 3 } as const;
/** Columns along the side of a tile. Differences are marked tile by tile. */
export const TILE = 8;

export type Blocks = ReadonlyMap<number, ClassBlock>;

/** Two maps from above, with the same extent and so the same scale: COLUMN codes, x fastest. */
export interface Plans {
  readonly width: number;
  readonly height: number;
  readonly baseline: Uint8Array;
  readonly now: Uint8Array;
  /** Number of columns that differ, and of columns that are not empty in at least one of the two. */
  readonly unlike: number;
  readonly known: number;
}

/** Metres: below `low` is floor, above `high` is above the robot. */
export interface Bands {
  readonly low: number;
  readonly high: number;
}

/** Whole blocks, from `west` and `south` up to but without `east` and `north`. */
interface Extent {
  west: number;
  south: number;
  east: number;
  north: number;
}

/** @returns null while both are empty */
export function plansOf(baseline: Blocks, now: Blocks, voxelSize: number, bands: Bands): Plans | null {
  const extent = extentOf([baseline, now]);
  if (extent.west >= extent.east) return null;
  const was = columnsOf(baseline, extent, voxelSize, bands);
  const is = columnsOf(now, extent, voxelSize, bands);
  let [unlike, known] = [0, 0];
  for (let n = 0; n < was.length; n++) {
    if (was[n] !== is[n]) unlike++;
    if (was[n] !== COLUMN.empty || is[n] !== COLUMN.empty) known++;
  }
  const width = BLOCK_SIDE * (extent.east - extent.west);
  return { width, height: was.length / width, baseline: was, now: is, unlike, known };
}

function extentOf(maps: readonly Blocks[]): Extent {
  const extent = { west: Infinity, south: Infinity, east: -Infinity, north: -Infinity };
  for (const blocks of maps) {
    for (const key of blocks.keys()) {
      extent.west = Math.min(extent.west, keyX(key));
      extent.east = Math.max(extent.east, keyX(key) + 1);
      extent.south = Math.min(extent.south, keyY(key));
      extent.north = Math.max(extent.north, keyY(key) + 1);
    }
  }
  return extent;
}

function columnsOf(blocks: Blocks, extent: Extent, voxelSize: number, { low, high }: Bands): Uint8Array {
  const { west, south, east, north } = extent;
  const width = BLOCK_SIDE * (east - west);
  const codes = new Uint8Array(width * BLOCK_SIDE * (north - south));
  for (const [key, { classes }] of blocks) {
    const corner = BLOCK_SIDE * ((keyY(key) - south) * width + (keyX(key) - west));
    for (let k = 0, n = 0; k < BLOCK_SIDE; k++) {
      const top = voxelSize * (BLOCK_SIDE * keyZ(key) + k + 1);
      // By its top, like the map's colours, with a margin for rounding.
      const isFloor = top <= low + 1e-6;
      const code = isFloor ? COLUMN.floor : top - voxelSize < high ? COLUMN.standing : COLUMN.overhead;
      for (let row = 0; row < BLOCK_SIDE; row++) {
        for (let col = 0; col < BLOCK_SIDE; col++, n++) {
          const at = corner + row * width + col;
          if (classes[n] === VOXEL.occupied && codes[at]! < code) codes[at] = code;
        }
      }
    }
  }
  return codes;
}
