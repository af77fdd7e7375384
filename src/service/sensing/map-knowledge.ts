import {
  BLOCK_SIDE,
  BLOCK_VOXELS,
  type GridView,
  keyX,
  keyY,
  natsOf,
  OCCUPIED_FROM,
} from "../../map/grid.ts";
import { packCodes } from "../../wire/image.ts";
import { ageCode, KNOWN_SIDE, sureLevel } from "../../wire/known.ts";
import type { Trail } from "./trail.ts";

/** Columns along a square's side. */
const SIDE = KNOWN_SIDE * BLOCK_SIDE;

/** How old and how certain the map is in one square. */
export interface Knowledge {
  /** (KNOWN_SIDE ** 2) `ageCode` of each stack of blocks, x fastest; 0: none. */
  readonly age: Uint8Array;
  /** Packed codes: `sureLevel` of each column, x fastest; 0: nothing stands and no floor was seen. */
  readonly sure: Uint8Array;
}

/**
 * How old and how certain the map is, in one square of KNOWN_SIDE x KNOWN_SIDE stacks of blocks. A stack is as old as its newest block; a
 * column as certain as its most certain occupied voxel. Costs about a millisecond, whatever the size of the map.
 * @param square column and row, in squares
 * @param time   microseconds: that of the newest frame
 */
export function knowledgeOf(
  [col, row]: readonly [number, number],
  { grid, trail, time }: { readonly grid: GridView; readonly trail: Trail; readonly time: number },
): Knowledge {
  const [x0, y0] = [col * KNOWN_SIDE, row * KNOWN_SIDE];
  const newest = new Int32Array(KNOWN_SIDE * KNOWN_SIDE);
  const most = new Uint8Array(SIDE * SIDE);
  const voxels = new Uint8Array(BLOCK_VOXELS);
  for (let id = 0; id < grid.count; id++) {
    const key = grid.keyOf(id);
    const [i, j] = [keyX(key) - x0, keyY(key) - y0];
    if (i < 0 || j < 0 || i >= KNOWN_SIDE || j >= KNOWN_SIDE) continue;
    const stack = j * KNOWN_SIDE + i;
    newest[stack] = Math.max(newest[stack]!, grid.touchedOf(id));
    grid.copyBlock(id, voxels);
    for (let n = 0; n < BLOCK_VOXELS; n++) {
      const value = voxels[n]!;
      if (value < OCCUPIED_FROM) continue;
      const at = (j * BLOCK_SIDE + ((n >> 3) & 7)) * SIDE + i * BLOCK_SIDE + (n & 7);
      if (value > most[at]!) most[at] = value;
    }
  }
  const age = newest.map((revision) => (revision === 0 ? 0 : ageCode((time - timeOf(revision)) / 1e6)));
  return {
    age: Uint8Array.from(age),
    sure: packCodes(most.map((value) => (value === 0 ? 0 : sureLevel(natsOf(value))))),
  };

  /** When a revision was made, between the points of the trail. */
  function timeOf(revision: number): number {
    const before = trail.atRevision(revision);
    if (before === null || revision >= grid.frame) return time;
    const after = trail.stops.find((stop) => stop.revision > revision);
    const [end, until] = after === undefined ? [grid.frame, time] : [after.revision, after.time];
    if (end <= before.revision || revision <= before.revision) return before.time;
    return before.time + ((revision - before.revision) / (end - before.revision)) * (until - before.time);
  }
}
