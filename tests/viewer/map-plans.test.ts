import { expect, test } from "vitest";
import { COLUMN, plansOf, type VoxelMap } from "../../src/viewer/map-plans.ts";
import { type ClassBlock, packKey, VOXEL } from "../../src/wire/blocks.ts";

const BANDS = { low: 0.06, high: 0.5 };

const of5cm = (blocks: Map<number, ClassBlock>): VoxelMap => ({ blocks, voxelSize: 0.05 });

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

test("from above, what stands in the way covers floor, and floor covers what hangs above", () => {
  const column = (x: number, ...zs: number[]) => zs.map((z) => [x, 0, z] as const);
  const map = blocksOf(...column(0, -1), ...column(1, -1, 4), ...column(2, -1, 20), ...column(3, 20));
  const plans = plansOf(of5cm(map), of5cm(map), BANDS)!;
  expect([...plans.now.subarray(0, 5)]).toEqual([
    COLUMN.floor,
    COLUMN.standing,
    COLUMN.floor,
    COLUMN.overhead,
    COLUMN.empty,
  ]);
  expect(plans).toMatchObject({ width: 8, height: 8, unlike: 0, known: 4 });
});

test("two maps lie on one extent, and differences are counted by columns", () => {
  const before = blocksOf([-1, 0, -1], [0, 0, -1]);
  const now = blocksOf([0, 0, -1], [9, 17, 3]);
  const plans = plansOf(of5cm(before), of5cm(now), BANDS)!;
  expect(plans).toMatchObject({ width: 24, height: 24, unlike: 2, known: 3 });
  expect(plans).toMatchObject({ unlikeShared: 0, shared: 1, west: -8, south: 0, cell: 0.05 });
  expect(plans.baseline[7]).toBe(COLUMN.floor);
  expect(plans.now[7]).toBe(COLUMN.empty);
  expect(plans.now[17 * 24 + 17]).toBe(COLUMN.standing);
});

test("two empty maps have no plans", () => {
  expect(plansOf(of5cm(new Map()), of5cm(new Map()), BANDS)).toBeNull();
});

test("maps with voxels of different sizes lie on cells of the larger ones", () => {
  // The same post, 10 cm wide, at x 0.8 to 0.9 m, and 0.3 to 0.4 m high.
  const fine = of5cm(blocksOf([16, 0, 6], [17, 1, 7]));
  const coarse = { blocks: blocksOf([8, 0, 3]), voxelSize: 0.1 };
  for (const plans of [plansOf(fine, coarse, BANDS)!, plansOf(coarse, fine, BANDS)!]) {
    expect(plans).toMatchObject({ width: 8, height: 8, unlike: 0, known: 1 });
    expect(plans.now[0]).toBe(COLUMN.standing);
  }
  // Across the origin: 5 cm to each side of it are two cells of 10 cm.
  const around = of5cm(blocksOf([-1, 0, 4], [0, 0, 4]));
  expect(plansOf(around, coarse, BANDS)).toMatchObject({ width: 24, unlike: 3, known: 3 });
});
