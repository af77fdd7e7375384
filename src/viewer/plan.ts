import { BLOCK_SIDE, type ClassBlock, keyX, keyY, keyZ, VOXEL } from "../wire/blocks.ts";

/** What a column of voxels is seen to be from above; the highest code of its voxels counts. */
export const COLUMN = { empty: 0, over: 1, floor: 2, body: 3 } as const;
/** Columns along the side of a tile, by which differences are marked. */
export const TILE = 8;

export type Blocks = ReadonlyMap<number, ClassBlock>;

/** Two maps from above, of one extent and so of one scale: COLUMN codes, x fastest. */
export interface Plans {
  readonly width: number;
  readonly height: number;
  readonly before: Uint8Array;
  readonly now: Uint8Array;
  /** Columns that are not alike in both, and all that are something in one of them. */
  readonly unlike: number;
  readonly known: number;
}

/**
 * @param low  metres; up to there it is floor
 * @param high metres; from there on it is above the robot
 * @returns null while both are empty
 */
export function plansOf(
  before: Blocks,
  now: Blocks,
  voxelSize: number,
  low: number,
  high: number,
): Plans | null {
  let [west, south, east, north] = [Infinity, Infinity, -Infinity, -Infinity];
  for (const blocks of [before, now]) {
    for (const key of blocks.keys()) {
      west = Math.min(west, keyX(key));
      east = Math.max(east, keyX(key) + 1);
      south = Math.min(south, keyY(key));
      north = Math.max(north, keyY(key) + 1);
    }
  }
  if (west >= east) return null;
  const [width, height] = [BLOCK_SIDE * (east - west), BLOCK_SIDE * (north - south)];
  const draw = (blocks: Blocks): Uint8Array => {
    const codes = new Uint8Array(width * height);
    for (const [key, { classes }] of blocks) {
      const corner = BLOCK_SIDE * ((keyY(key) - south) * width + (keyX(key) - west));
      for (let k = 0, n = 0; k < BLOCK_SIDE; k++) {
        const top = voxelSize * (BLOCK_SIDE * keyZ(key) + k + 1);
        // By its top, as the map's own colours are; a hair for the rounding.
        const code = top <= low + 1e-6 ? COLUMN.floor : top - voxelSize < high ? COLUMN.body : COLUMN.over;
        for (let row = 0; row < BLOCK_SIDE; row++) {
          for (let col = 0; col < BLOCK_SIDE; col++, n++) {
            const at = corner + row * width + col;
            if (classes[n] === VOXEL.occupied && codes[at]! < code) codes[at] = code;
          }
        }
      }
    }
    return codes;
  };
  const [was, is] = [draw(before), draw(now)];
  let [unlike, known] = [0, 0];
  for (let n = 0; n < was.length; n++) {
    if (was[n] !== is[n]) unlike++;
    if (was[n] !== COLUMN.empty || is[n] !== COLUMN.empty) known++;
  }
  return { width, height, before: was, now: is, unlike, known };
}
