import { BLOCK_SIDE, type ClassBlock, keyX, keyY, keyZ, VOXEL } from "../wire/blocks.ts";

/** Class of a column of voxels in the plan: the highest code of its voxels. */
export const COLUMN = { empty: 0, overhead: 1, floor: 2, standing: 3 } as const;
/** Columns along the side of a tile. Differences are marked tile by tile. */
export const TILE = 8;

/** @property voxelSize metres */
export interface VoxelMap {
  readonly blocks: ReadonlyMap<number, ClassBlock>;
  readonly voxelSize: number;
}

/**
 * Two maps from above, with the same extent and so the same scale: COLUMN codes, x fastest.
 * @property west, south first column and first row, in cells of `cell` metres from the origin of the world
 */
export interface Plans {
  readonly west: number;
  readonly south: number;
  readonly cell: number;
  readonly width: number;
  readonly height: number;
  readonly baseline: Uint8Array;
  readonly now: Uint8Array;
  /** Number of columns that differ, and of columns that are not empty in at least one of the two. */
  readonly unlike: number;
  readonly known: number;
  /** Number of columns that differ and are not empty in either, and of columns that are not empty in either. */
  readonly unlikeShared: number;
  readonly shared: number;
}

/** Metres: below `low` is floor, above `high` is above the robot. */
export interface Bands {
  readonly low: number;
  readonly high: number;
}

/** Whole cells, from `west` and `south` up to but without `east` and `north`: multiples of `TILE`. */
interface Extent {
  west: number;
  south: number;
  east: number;
  north: number;
}

/**
 * The two maps may have voxels of different sizes. The plans' cells then have the size of the larger ones. A smaller voxel belongs to the cell that
 * contains its centre.
 *
 * @returns null while both are empty
 */
export function plansOf(baseline: VoxelMap, now: VoxelMap, bands: Bands): Plans | null {
  const cell = Math.max(baseline.voxelSize, now.voxelSize);
  const extent = extentOf([baseline, now], cell);
  if (extent.west >= extent.east) return null;
  const was = columnsOf(baseline, extent, cell, bands);
  const is = columnsOf(now, extent, cell, bands);
  let [unlike, known, unlikeShared, shared] = [0, 0, 0, 0];
  for (let n = 0; n < was.length; n++) {
    if (was[n] !== is[n]) unlike++;
    if (was[n] !== COLUMN.empty || is[n] !== COLUMN.empty) known++;
    if (was[n] === COLUMN.empty || is[n] === COLUMN.empty) continue;
    shared++;
    if (was[n] !== is[n]) unlikeShared++;
  }
  const width = extent.east - extent.west;
  const { west, south } = extent;
  const figures = { unlike, known, unlikeShared, shared };
  return { west, south, cell, width, height: was.length / width, baseline: was, now: is, ...figures };
}

/** The cell of a voxel along one axis: that of its centre. */
const cellOf = (voxel: number, voxelSize: number, cell: number): number =>
  Math.floor(((voxel + 0.5) * voxelSize) / cell);

function extentOf(maps: readonly VoxelMap[], cell: number): Extent {
  const extent = { west: Infinity, south: Infinity, east: -Infinity, north: -Infinity };
  for (const { blocks, voxelSize } of maps) {
    const tileOf = (voxel: number): number => TILE * Math.floor(cellOf(voxel, voxelSize, cell) / TILE);
    for (const key of blocks.keys()) {
      const [x, y] = [BLOCK_SIDE * keyX(key), BLOCK_SIDE * keyY(key)];
      extent.west = Math.min(extent.west, tileOf(x));
      extent.east = Math.max(extent.east, tileOf(x + BLOCK_SIDE - 1) + TILE);
      extent.south = Math.min(extent.south, tileOf(y));
      extent.north = Math.max(extent.north, tileOf(y + BLOCK_SIDE - 1) + TILE);
    }
  }
  return extent;
}

function columnsOf({ blocks, voxelSize }: VoxelMap, extent: Extent, cell: number, bands: Bands): Uint8Array {
  const { west, south, east, north } = extent;
  const width = east - west;
  const codes = new Uint8Array(width * (north - south));
  const [cols, starts] = [new Int32Array(BLOCK_SIDE), new Int32Array(BLOCK_SIDE)];
  for (const [key, { classes }] of blocks) {
    for (let n = 0; n < BLOCK_SIDE; n++) {
      cols[n] = cellOf(BLOCK_SIDE * keyX(key) + n, voxelSize, cell) - west;
      starts[n] = (cellOf(BLOCK_SIDE * keyY(key) + n, voxelSize, cell) - south) * width;
    }
    for (let k = 0, n = 0; k < BLOCK_SIDE; k++) {
      const top = voxelSize * (BLOCK_SIDE * keyZ(key) + k + 1);
      // By its top, like the map's colours, with a margin for rounding.
      const isFloor = top <= bands.low + 1e-6;
      const code = isFloor ? COLUMN.floor : top - voxelSize < bands.high ? COLUMN.standing : COLUMN.overhead;
      for (let row = 0; row < BLOCK_SIDE; row++) {
        for (let col = 0; col < BLOCK_SIDE; col++, n++) {
          const at = starts[row]! + cols[col]!;
          if (classes[n] === VOXEL.occupied && codes[at]! < code) codes[at] = code;
        }
      }
    }
  }
  return codes;
}
