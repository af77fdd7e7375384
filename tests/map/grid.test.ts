import fc from "fast-check";
import { describe, expect, test } from "vitest";
import {
  BLOCK_VOXELS,
  BlockGrid,
  blockKey,
  classOf,
  inReach,
  keyX,
  keyY,
  keyZ,
  natsOf,
  TOP,
  UNKNOWN,
  voxelOffset,
} from "../../src/map/grid.ts";
import { seeded } from "../helpers/compare.ts";

describe("the grid", () => {
  test("holds what was written, however the writes are mixed, on both sides of zero", () => {
    const coordinate = fc.integer({ min: -12, max: 12 });
    const at = fc.tuple(coordinate, coordinate, coordinate);
    const value = fc.integer({ min: 0, max: TOP });
    const brick = fc.tuple(fc.integer({ min: 0, max: 7 }), fc.constantFrom(0, UNKNOWN, TOP, 7));
    fc.assert(
      fc.property(
        fc.array(
          fc.oneof(
            fc.record({ kind: fc.constant("set" as const), at, value }),
            fc.record({ kind: fc.constant("add" as const), at, steps: fc.integer({ min: -TOP, max: TOP }) }),
            fc.record({ kind: fc.constant("brick" as const), at, brick }),
          ),
          { maxLength: 150 },
        ),
        (writes) => {
          const grid = new BlockGrid(0.05);
          const model = new Map<string, number>();
          for (const write of writes) {
            const [i, j, k] = write.at;
            if (write.kind === "set") {
              grid.setValue(i, j, k, write.value);
              model.set(String(write.at), write.value);
            } else if (write.kind === "add") {
              const before = model.get(String(write.at)) ?? UNKNOWN;
              expect(grid.add(i, j, k, write.steps)).toBe(true);
              model.set(String(write.at), Math.min(Math.max(before + write.steps, 0), TOP));
            } else {
              const [b, v] = write.brick;
              grid.makeUniform(grid.findOrAdd(blockKey(i >> 3, j >> 3, k >> 3)), b, v);
              for (let n = 0; n < BLOCK_VOXELS; n++) {
                const [x, y, z] = [n & 7, (n >> 3) & 7, n >> 6];
                if (voxelOffset(x, y, z) >> 6 !== b) continue;
                model.set(`${(i & ~7) + x},${(j & ~7) + y},${(k & ~7) + z}`, v);
              }
            }
          }
          let wrong = 0;
          for (let i = -16; i < 16; i++) {
            for (let j = -16; j < 16; j++) {
              for (let k = -16; k < 16; k++) {
                if (grid.valueAt(i, j, k) !== (model.get(`${i},${j},${k}`) ?? UNKNOWN)) wrong++;
              }
            }
          }
          expect(wrong).toBe(0);
        },
      ),
      { seed: 4, numRuns: 60 },
    );
  });

  test("grows far beyond what it starts with and loses nothing", () => {
    const random = seeded(77);
    const grid = new BlockGrid(0.05);
    const expected = new Map<string, number>();
    for (let n = 0; n < 20_000; n++) {
      const at = [1024, 1024, 128].map(
        (reach) => 8 * (Math.floor(2 * reach * random()) - reach) + (n % 8),
      ) as [number, number, number];
      const value = n % (TOP + 1);
      grid.setValue(...at, value);
      expected.set(String(at), value);
    }
    expect(grid.count).toBeGreaterThan(19_000);
    for (const [key, value] of expected) {
      expect(grid.valueAt(...(key.split(",").map(Number) as [number, number, number]))).toBe(value);
    }
    for (let id = 0; id < grid.count; id++) expect(grid.find(grid.keys[id]!)).toBe(id);
  });

  test("adding is clamped at both ends, and marks the block only when a class changes", () => {
    const grid = new BlockGrid(0.05);
    grid.frame = 5;
    grid.add(-1, -1, -1, 23); // 63: still undecided
    const id = grid.find(blockKey(-1, -1, -1));
    expect([grid.revision[id], grid.touched[id]]).toEqual([0, 5]);
    grid.frame = 6;
    grid.add(-1, -1, -1, 1);
    expect(classOf(grid.valueAt(-1, -1, -1))).toBe("occupied");
    expect([grid.revision[id], grid.touched[id]]).toEqual([6, 6]);
    grid.frame = 7;
    grid.add(-1, -1, -1, 20);
    expect([grid.revision[id], grid.touched[id]]).toEqual([6, 7]);
    grid.add(-1, -1, -1, 127);
    expect(grid.valueAt(-1, -1, -1)).toBe(TOP);
    expect(grid.revision[id]).toBe(6);
    grid.frame = 8;
    grid.add(-1, -1, -1, -127);
    expect(grid.valueAt(-1, -1, -1)).toBe(0);
    expect([grid.revision[id], grid.touched[id]]).toEqual([8, 8]);
  });

  test("tells free from undecided half a nat below no evidence, and occupied one and a half above", () => {
    expect([31, 32, 63, 64].map(classOf)).toEqual(["free", "undecided", "undecided", "occupied"]);
    expect([natsOf(UNKNOWN), natsOf(32), natsOf(64)]).toEqual([0, -0.5, 1.5]);
  });

  test("reaches 1024 blocks sideways and 512 up and down; beyond, nothing is known and writing is refused", () => {
    const grid = new BlockGrid(0.05);
    const corners: [number, number, number][] = [
      [-8192, -8192, -4096],
      [8191, 8191, 4087],
      [-8192, 8191, -4096],
      [8191, -8192, 4087],
    ];
    corners.forEach((at, n) => {
      grid.setValue(...at, n + 1);
    });
    expect(corners.map((at) => grid.valueAt(...at))).toEqual([1, 2, 3, 4]);
    const outside: [number, number, number][] = [
      [8192, 0, 0],
      [-8193, 0, 0],
      [0, 8192, 0],
      [0, -8193, 0],
      [0, 0, 4088],
      [0, 0, -4097],
    ];
    for (const at of outside) {
      expect(() => grid.setValue(...at, TOP)).toThrow(`voxel (${at.join(", ")}) is outside the map's reach`);
      expect(grid.add(...at, 9)).toBe(false);
      expect(grid.valueAt(...at)).toBe(UNKNOWN);
    }
    expect(grid.count).toBe(4);
  });

  test("names every block in reach by its own key", () => {
    const block = fc.tuple(
      fc.integer({ min: -1024, max: 1023 }),
      fc.integer({ min: -1024, max: 1023 }),
      fc.integer({ min: -512, max: 510 }),
    );
    fc.assert(
      fc.property(block, ([bx, by, bz]) => {
        const key = blockKey(bx, by, bz);
        expect(inReach(bx, by, bz)).toBe(true);
        expect([keyX(key), keyY(key), keyZ(key)]).toEqual([bx, by, bz]);
        expect(new BlockGrid(0.05).find(key)).toBe(-1);
      }),
      { seed: 6 },
    );
  });

  test("values and voxel sizes that make no sense are refused", () => {
    const grid = new BlockGrid(0.05);
    for (const value of [-1, TOP + 1, Number.NaN]) {
      expect(() => grid.setValue(0, 0, 0, value)).toThrow(/voxel value must be 0 to 112/);
    }
    expect(grid.count).toBe(0);
    for (const size of [0, -0.05, 0.0001, 2, Number.NaN]) {
      expect(() => new BlockGrid(size)).toThrow(/voxel size must be 0.001 to 1 m/);
    }
  });
});

describe("a block", () => {
  test("is copied x fastest, then y, then z", () => {
    const grid = new BlockGrid(0.05);
    grid.setValue(-8 + 5, 16 + 3, 0 + 6, 99);
    const out = new Uint8Array(BLOCK_VOXELS + 1).fill(200);
    grid.copyBlock(grid.find(blockKey(-1, 2, 0)), out);
    expect(out[5 + 8 * 3 + 64 * 6]).toBe(99);
    expect(out.filter((v) => v === UNKNOWN).length).toBe(BLOCK_VOXELS - 1);
    expect(out[BLOCK_VOXELS]).toBe(200);
    expect(() => grid.copyBlock(0, new Uint8Array(BLOCK_VOXELS - 1))).toThrow(/511 bytes, needs 512/);
  });

  test("pasted over another is the pasted one, voxel by voxel", () => {
    const random = seeded(8);
    const grid = new BlockGrid(0.05);
    const values = new Uint8Array(BLOCK_VOXELS);
    const out = new Uint8Array(BLOCK_VOXELS);
    for (let n = 0; n < 200; n++) {
      const noise = random();
      for (let v = 0; v < BLOCK_VOXELS; v++) values[v] = random() < noise ? Math.floor(113 * random()) : 0;
      if (n % 5 === 0) values.fill(n % 113);
      const id = grid.pasteBlock(blockKey(n % 3, -4, 5), values, n);
      grid.copyBlock(id, out);
      expect(Buffer.compare(out, values)).toBe(0);
      expect(grid.revision[id]).toBe(n);
      expect(grid.valueAt(8 * (n % 3) + 7, -32 + 1, 40 + 2)).toBe(values[7 + 8 + 128]);
    }
    expect(grid.count).toBe(3);
  });

  test("that has become all free gives its memory back for the next one", () => {
    const grid = new BlockGrid(0.05);
    const values = new Uint8Array(BLOCK_VOXELS).map((_, n) => n % 100);
    const free = new Uint8Array(BLOCK_VOXELS);
    for (let n = 0; n < 300; n++) grid.pasteBlock(blockKey(n, 0, 0), values, 1);
    const before = grid.byteSize;
    for (let round = 0; round < 5; round++) {
      for (let n = 0; n < 300; n++) grid.pasteBlock(blockKey(n, round, 0), free, 1);
      for (let n = 0; n < 300; n++) grid.pasteBlock(blockKey(n, round + 1, 0), values, 1);
    }
    // 1800 blocks by now, of which 300 have voxels of their own: only the index has grown.
    expect(grid.byteSize - before).toBeLessThan(1024 * 100);
    expect(grid.valueAt(8, 0, 0)).toBe(0);
    expect(grid.valueAt(8 + 3, 40, 0)).toBe(3);
    expect(grid.saturated[grid.find(blockKey(1, 0, 0))]).toBe(255);
  });

  test("takes up about its 512 bytes when its voxels differ, and some forty when they do not", () => {
    const grid = new BlockGrid(0.05);
    const empty = grid.byteSize;
    const values = new Uint8Array(BLOCK_VOXELS);
    for (let n = 0; n < 4000; n++) grid.pasteBlock(blockKey(n % 100, Math.floor(n / 100), 0), values, 1);
    expect(grid.byteSize - empty).toBeLessThan(4000 * 150);
    values.forEach((_, n) => {
      values[n] = n % 100;
    });
    for (let n = 0; n < 4000; n++) grid.pasteBlock(blockKey(n % 100, Math.floor(n / 100), 0), values, 1);
    expect(grid.byteSize).toBeGreaterThan(4000 * 512);
    expect(grid.byteSize).toBeLessThan(4000 * 850);
  });
});

test("a cleared grid knows nothing and can be used again", () => {
  const grid = new BlockGrid(0.05);
  for (let n = 0; n < 2000; n++) grid.setValue(8 * n - 8000, 0, 0, TOP);
  grid.clear();
  expect(grid.count).toBe(0);
  expect(grid.valueAt(0, 0, 0)).toBe(UNKNOWN);
  grid.setValue(1, 0, 0, 3);
  expect([grid.valueAt(0, 0, 0), grid.valueAt(1, 0, 0), grid.count]).toEqual([UNKNOWN, 3, 1]);
});
