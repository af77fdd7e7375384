import { describe, expect, test } from "vitest";
import { COLUMN_BYTES, ColumnMap, FLOOR_ZERO } from "../../src/viewer/column-map.ts";
import { type ClassBlock, packKey, VOXEL } from "../../src/wire/blocks.ts";

const VOXEL_SIZE = 0.05;
const bands = { low: 0.05, high: 0.5 };

/** A map with these voxels occupied, x, y, z each. */
function mapOf(voxels: readonly (readonly [number, number, number])[]): Map<number, ClassBlock> {
  const blocks = new Map<number, ClassBlock>();
  for (const [x, y, z] of voxels) {
    const key = packKey(x >> 3, y >> 3, z >> 3);
    let block = blocks.get(key);
    if (block === undefined) {
      block = { key, revision: 1, classes: new Uint8Array(512) };
      blocks.set(key, block);
    }
    block.classes[((z & 7) * 8 + (y & 7)) * 8 + (x & 7)] = VOXEL.occupied;
  }
  return blocks;
}

function columnsOf(blocks: Map<number, ClassBlock>) {
  const map = new ColumnMap(blocks, () => VOXEL_SIZE);
  map.bands = bands;
  map.change(blocks.keys());
  const { places, columns, shades } = map.take();
  const indexOf = (x: number, y: number): number => {
    for (let n = 0; n < places.length / 2; n++) {
      if (places[2 * n] === x >> 3 && places[2 * n + 1] === y >> 3) return 64 * n + (y & 7) * 8 + (x & 7);
    }
    throw new Error(`no column at ${x}, ${y}`);
  };
  return {
    column: (x: number, y: number) =>
      [...columns.subarray(COLUMN_BYTES * indexOf(x, y), COLUMN_BYTES * (indexOf(x, y) + 1))] as [
        number,
        number,
        number,
        number,
      ],
    shade: (x: number, y: number) => shades[indexOf(x, y)]!,
    map,
  };
}

describe("the map from above", () => {
  test("tells floor, floor of a lower level, what stands, and what hangs above the robot", () => {
    // Voxel z covers z * 5 cm to (z + 1) * 5 cm: 0 is floor, -7 a pit 30 cm deep, 2 stands, 12 begins at 60 cm.
    const { column } = columnsOf(mapOf([[0, 0, 0], [1, 0, -7], [2, 0, 0], [2, 0, 2], [2, 0, 4], [3, 0, 12]])); // biome-ignore format: one line
    expect(column(0, 0)).toEqual([FLOOR_ZERO, 0, 0, 0]);
    expect(column(1, 0)).toEqual([FLOOR_ZERO - 7, 0, 0, 0]);
    const [floor, bottom, top, over] = column(2, 0);
    expect([floor, over]).toEqual([FLOOR_ZERO, 0]);
    expect(top - bottom).toBe(2);
    expect(bottom).toBeGreaterThan(0);
    expect(column(3, 0)[1]).toBe(0);
    expect(column(3, 0)[3]).toBeGreaterThan(0);
  });

  test("of a wall that continues above the robot, the highest voxel counts", () => {
    const wall = Array.from({ length: 30 }, (_, z) => [5, 5, z] as const);
    const [, bottom, top, over] = columnsOf(mapOf(wall)).column(5, 5);
    // The lowest that stands is voxel 1; the highest is voxel 29.
    expect(top - bottom).toBe(28);
    expect(over).toBeGreaterThan(0);
  });

  test("is darker near what stands, across the border of two blocks, and not farther off", () => {
    const { shade } = columnsOf(mapOf([[7, 4, 5], [8, 4, 0], [15, 4, 0]])); // biome-ignore format: one line
    expect(shade(8, 4)).toBeGreaterThan(shade(10, 4));
    expect(shade(10, 4)).toBeGreaterThan(0);
    expect(shade(15, 4)).toBe(0);
  });

  test("a column that was emptied is sent again, and so are other bands", () => {
    const blocks = mapOf([[0, 0, 3]]);
    const { map } = columnsOf(blocks);
    expect(map.take().places).toHaveLength(0);
    map.bands = { low: 0.3, high: 0.5 };
    expect([...map.take().columns].slice(0, 2)).toEqual([FLOOR_ZERO + 3, 0]);
    map.clear();
    expect(map.take().columns.every((byte) => byte === 0)).toBe(true);
  });
});
