import { expect, test } from "vitest";
import { COLUMN, plansOf } from "../../src/viewer/plan.ts";
import { type ClassBlock, packKey, VOXEL } from "../../src/wire/blocks.ts";

/** Blocks with these voxels occupied and all others free. */
function blocksOf(...voxels: readonly (readonly [number, number, number])[]): Map<number, ClassBlock> {
  const blocks = new Map<number, ClassBlock>();
  for (const [x, y, z] of voxels) {
    const key = packKey(x >> 3, y >> 3, z >> 3);
    const block = blocks.get(key) ?? ({ key, classes: new Uint8Array(512).fill(VOXEL.free) } as ClassBlock);
    block.classes[((z & 7) * 8 + (y & 7)) * 8 + (x & 7)] = VOXEL.occupied;
    blocks.set(key, block);
  }
  return blocks;
}

test("from above, what stands in the way counts before floor, and that before what hangs above", () => {
  const column = (x: number, ...zs: number[]) => zs.map((z) => [x, 0, z] as const);
  const map = blocksOf(...column(0, -1), ...column(1, -1, 4), ...column(2, -1, 20), ...column(3, 20));
  const plans = plansOf(map, map, 0.05, 0.06, 0.5)!;
  expect([...plans.now.subarray(0, 5)]).toEqual([
    COLUMN.floor,
    COLUMN.body,
    COLUMN.floor,
    COLUMN.over,
    COLUMN.empty,
  ]);
  expect(plans).toMatchObject({ width: 8, height: 8, unlike: 0, known: 4 });
});

test("two maps lie on one extent, and differences are counted by columns", () => {
  const before = blocksOf([-1, 0, -1], [0, 0, -1]);
  const now = blocksOf([0, 0, -1], [9, 17, 3]);
  const plans = plansOf(before, now, 0.05, 0.06, 0.5)!;
  expect(plans).toMatchObject({ width: 24, height: 24, unlike: 2, known: 3 });
  expect(plans.before[7]).toBe(COLUMN.floor);
  expect(plans.now[7]).toBe(COLUMN.empty);
  expect(plans.now[17 * 24 + 17]).toBe(COLUMN.body);
});

test("of nothing there is no picture", () => {
  expect(plansOf(new Map(), new Map(), 0.05, 0.06, 0.5)).toBeNull();
});
