import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { crc32c } from "../../src/coding/crc32c.ts";
import { BLOCK_VOXELS, BlockGrid, blockKey, TOP, UNKNOWN } from "../../src/map/grid.ts";
import {
  changedSince,
  decodeBlock,
  decodeSnapshot,
  encodeBlock,
  encodeSnapshot,
  MAX_BLOCK_SIZE,
  SnapshotError,
} from "../../src/map/snapshot.ts";
import { seeded } from "../helpers/compare.ts";

/** A map with all kinds of blocks: free, unknown, full, with a floor in them, and noise. */
function madeUpMap(blocks: number, seed: number): BlockGrid {
  const random = seeded(seed);
  const grid = new BlockGrid(0.05);
  const voxels = new Uint8Array(BLOCK_VOXELS);
  for (let n = 0; n < blocks; n++) {
    const kind = Math.floor(5 * random());
    voxels.fill([0, UNKNOWN, TOP, 0, 0][kind]!);
    if (kind === 3) voxels.fill(TOP, 64, 128);
    if (kind === 4) for (let v = 0; v < BLOCK_VOXELS; v++) voxels[v] = Math.floor((TOP + 1) * random());
    const at = (reach: number) => Math.floor(2 * reach * random()) - reach;
    grid.pasteBlock(blockKey(at(1024), at(1024), at(400)), voxels, Math.floor(1000 * random()));
  }
  grid.frame = 1234;
  return grid;
}

const copyOf = (grid: BlockGrid, id: number) => {
  const out = new Uint8Array(BLOCK_VOXELS);
  grid.copyBlock(id, out);
  return out;
};

function expectEqualGrids(a: BlockGrid, b: BlockGrid): void {
  expect([a.voxelSize, a.frame, a.count]).toEqual([b.voxelSize, b.frame, b.count]);
  for (let id = 0; id < a.count; id++) {
    const other = b.find(a.keys[id]!);
    expect(b.revision[other]).toBe(a.revision[id]);
    expect(b.saturated[other]).toBe(a.saturated[id]);
    expect(Buffer.compare(copyOf(b, other), copyOf(a, id))).toBe(0);
  }
}

/** Bytes with one field changed and the checksum put right, as someone with bad intent would. */
function forged(bytes: Uint8Array, change: (view: DataView) => void, cut = 0): Uint8Array {
  const copy = bytes.slice(0, bytes.length - cut);
  const view = new DataView(copy.buffer);
  view.setUint32(12, copy.length, true);
  change(view);
  view.setUint32(copy.length - 4, crc32c(copy.subarray(0, -4)), true);
  return copy;
}

function refusal(bytes: Uint8Array): SnapshotError {
  try {
    decodeSnapshot(bytes, crc32c);
  } catch (error) {
    if (error instanceof SnapshotError) return error;
    throw error;
  }
  return expect.unreachable("the bytes were taken for a snapshot");
}

describe("a snapshot", () => {
  test("restores the map voxel by voxel, with its revisions", () => {
    for (const blocks of [0, 1, 40, 3000]) {
      const grid = madeUpMap(blocks, 7 + blocks);
      expectEqualGrids(decodeSnapshot(encodeSnapshot(grid, crc32c), crc32c), grid);
    }
  });

  test("restores whatever was written into the map", () => {
    const coordinate = fc.integer({ min: -40, max: 40 });
    const write = fc.tuple(coordinate, coordinate, coordinate, fc.integer({ min: 0, max: TOP }));
    fc.assert(
      fc.property(fc.array(write, { maxLength: 200 }), (writes) => {
        const grid = new BlockGrid(0.025);
        for (const [i, j, k, value] of writes) {
          grid.frame++;
          grid.setValue(i, j, k, value);
        }
        const restored = decodeSnapshot(encodeSnapshot(grid, crc32c), crc32c);
        expectEqualGrids(restored, grid);
        for (const [i, j, k] of writes) expect(restored.valueAt(i, j, k)).toBe(grid.valueAt(i, j, k));
      }),
      { seed: 5 },
    );
  });

  test("is the same bytes however the blocks came, and after a round trip", () => {
    const grid = madeUpMap(500, 3);
    const other = new BlockGrid(0.05);
    for (let id = grid.count - 1; id >= 0; id--)
      other.pasteBlock(grid.keys[id]!, copyOf(grid, id), grid.revision[id]!);
    other.frame = grid.frame;
    const bytes = encodeSnapshot(grid, crc32c);
    expect(encodeSnapshot(other, crc32c)).toEqual(bytes);
    expect(encodeSnapshot(decodeSnapshot(bytes, crc32c), crc32c)).toEqual(bytes);
  });

  test("needs nine bytes for a block that is all alike, and few for a flat floor", () => {
    const grid = new BlockGrid(0.05);
    const empty = encodeSnapshot(grid, crc32c).length;
    const voxels = new Uint8Array(BLOCK_VOXELS);
    grid.pasteBlock(blockKey(0, 0, 0), voxels, 0);
    expect(encodeSnapshot(grid, crc32c).length).toBe(empty + 9);
    voxels.fill(TOP, 0, 64);
    grid.pasteBlock(blockKey(0, 0, 0), voxels, 0);
    expect(encodeSnapshot(grid, crc32c).length).toBeLessThan(empty + 20);
  });

  test("takes memory in proportion to its bytes, also when every block is packed as small as can be", () => {
    const grid = new BlockGrid(0.05);
    const voxels = new Uint8Array(BLOCK_VOXELS);
    voxels[0] = TOP;
    for (let n = 0; n < 20_000; n++) grid.pasteBlock(blockKey(n % 1000, Math.floor(n / 1000), 0), voxels, 0);
    const bytes = encodeSnapshot(grid, crc32c);
    // 512 bytes of voxels from 14, half as much again for growth, and the index.
    expect(decodeSnapshot(bytes, crc32c).byteSize).toBeLessThan(80 * bytes.length);
  });

  test("cut short anywhere, or with bytes added, is refused", () => {
    const bytes = encodeSnapshot(madeUpMap(6, 9), crc32c);
    for (let size = 0; size < bytes.length; size++) expect(refusal(bytes.subarray(0, size))).toBeDefined();
    expect(refusal(bytes.subarray(0, bytes.length - 1)).message).toMatch(
      /says it has \d+ bytes, there are \d+/,
    );
    expect(refusal(Uint8Array.of(...bytes, 0)).message).toMatch(/says it has/);
    expect(refusal(new Uint8Array(0)).offset).toBe(0);
  });

  test("with any one bit turned is refused", () => {
    const bytes = encodeSnapshot(madeUpMap(4, 2), crc32c);
    for (let bit = 0; bit < 8 * bytes.length; bit++) {
      bytes[bit >> 3]! ^= 1 << (bit & 7);
      expect(refusal(bytes)).toBeDefined();
      bytes[bit >> 3]! ^= 1 << (bit & 7);
    }
  });

  test("that was forged is refused with what is wrong and where", () => {
    const grid = new BlockGrid(0.05);
    grid.frame = 10;
    for (let n = 0; n < 3; n++) grid.pasteBlock(blockKey(n, 0, 0), new Uint8Array(BLOCK_VOXELS), 5);
    const bytes = encodeSnapshot(grid, crc32c);
    // Head 32 bytes, three blocks of 9, checksum 4: see the layout in snapshot.ts.
    expect(bytes.length).toBe(63);
    const cases: [RegExp, number, (view: DataView) => void][] = [
      [/first bytes/, 1, (v) => v.setUint8(1, 0x50)],
      [/version 2/, 8, (v) => v.setUint32(8, 2, true)],
      [/says it has 64/, 12, (v) => v.setUint32(12, 64, true)],
      [/voxel size/, 16, (v) => v.setFloat64(16, Number.NaN, true)],
      [/voxel size/, 16, (v) => v.setFloat64(16, 1e-9, true)],
      [/frame must be/, 24, (v) => v.setUint32(24, 2 ** 31, true)],
      [/4294967295 blocks cannot fit in 27 bytes/, 28, (v) => v.setUint32(28, 2 ** 32 - 1, true)],
      [/4 blocks cannot fit/, 28, (v) => v.setUint32(28, 4, true)],
      [/9 bytes left over/, 50, (v) => v.setUint32(28, 2, true)],
      [/outside the map's reach/, 41, (v) => v.setInt32(41, -1, true)],
      [/out of order/, 41, (v) => v.setUint32(41, v.getUint32(32, true), true)],
      [/out of order/, 41, (v) => v.setUint32(41, 0, true)],
      [/revision must be/, 45, (v) => v.setUint32(45, 2 ** 31, true)],
      [/revision 11 is after frame 10/, 45, (v) => v.setUint32(45, 11, true)],
      [/voxel value must be 0 to 112, got 113/, 49, (v) => v.setUint8(49, 128 + 113)],
      [/voxel value/, 49, (v) => v.setUint8(49, 127)],
      [/block ends after 1 of 512/, 59, (v) => v.setUint8(58, 1)],
    ];
    for (const [message, offset, change] of cases) {
      const error = refusal(forged(bytes, change));
      expect(error.message).toMatch(message);
      expect(error.offset).toBe(offset);
    }
    expect(refusal(forged(bytes, () => {}, 3)).message).toMatch(/blocks cannot fit/);
  });

  test("made of noise under a right head and checksum never gives anything but a refusal or a map", () => {
    const random = seeded(99);
    const head = encodeSnapshot(new BlockGrid(0.05), crc32c);
    for (let n = 0; n < 3000; n++) {
      const bytes = new Uint8Array(head.length + Math.floor(300 * random()));
      bytes.set(head);
      for (let i = 32; i < bytes.length; i++) bytes[i] = 256 * random() * (random() < 0.5 ? 1 : 0.4);
      const made = forged(bytes, (v) => v.setUint32(28, Math.floor(3 * random()), true));
      try {
        decodeSnapshot(made, crc32c);
      } catch (error) {
        expect(error).toBeInstanceOf(SnapshotError);
      }
    }
  });
});

describe("a block on its own", () => {
  const code = (grid: BlockGrid, id: number) => {
    const out = new Uint8Array(MAX_BLOCK_SIZE + 5).fill(0xee);
    return out.subarray(0, encodeBlock(grid, id, out, 5));
  };

  test("brings another grid up to date, wherever in the bytes it starts", () => {
    const grid = madeUpMap(50, 21);
    const other = new BlockGrid(0.05);
    for (let id = 0; id < grid.count; id++) {
      const bytes = code(grid, id);
      expect(decodeBlock(other, bytes, 5)).toBe(bytes.length);
    }
    other.frame = grid.frame;
    expectEqualGrids(other, grid);
  });

  test("never takes more bytes than its voxels, and comes back exactly", () => {
    fc.assert(
      fc.property(
        fc.array(fc.tuple(fc.integer({ min: 0, max: TOP }), fc.integer({ min: 1, max: 300 })), {
          minLength: 1,
        }),
        (runs) => {
          const voxels = Uint8Array.from(runs.flatMap(([value, length]) => Array(length).fill(value)));
          const block = new Uint8Array(BLOCK_VOXELS);
          for (let n = 0; n < BLOCK_VOXELS; n++) block[n] = voxels[n % voxels.length]!;
          const grid = new BlockGrid(0.05);
          const id = grid.pasteBlock(blockKey(-1, 2, -3), block, 77);
          const bytes = code(grid, id);
          expect(bytes.length - 5).toBeLessThanOrEqual(MAX_BLOCK_SIZE);
          const other = new BlockGrid(0.05);
          decodeBlock(other, bytes, 5);
          expect(copyOf(other, 0)).toEqual(block);
          expect(other.revision[0]).toBe(77);
        },
      ),
      { seed: 8 },
    );
  });

  test("that is cut short leaves the grid as it was", () => {
    const grid = madeUpMap(30, 4);
    const other = new BlockGrid(0.05);
    for (let id = 0; id < grid.count; id++) {
      const bytes = code(grid, id);
      for (let size = 5; size < bytes.length; size += 3) {
        expect(() => decodeBlock(other, bytes.subarray(0, size), 5)).toThrow(SnapshotError);
      }
    }
    expect(other.count).toBe(0);
  });

  test("needs room, and must exist", () => {
    const grid = madeUpMap(3, 4);
    expect(() => encodeBlock(grid, 0, new Uint8Array(MAX_BLOCK_SIZE), 1)).toThrow(/519 left/);
    expect(() => encodeBlock(grid, 3, new Uint8Array(MAX_BLOCK_SIZE), 0)).toThrow(/block 3 of 3/);
  });
});

test("what has changed since a revision is the blocks that a later frame changed", () => {
  const grid = new BlockGrid(0.05);
  for (let n = 0; n < 5; n++) {
    grid.frame = n + 1;
    grid.setValue(8 * n, 0, 0, TOP);
  }
  const out = new Int32Array(8);
  const since = (revision: number) => [...out.subarray(0, changedSince(grid, revision, out))];
  expect(since(0)).toEqual([0, 1, 2, 3, 4]);
  expect(since(3)).toEqual([3, 4]);
  expect(since(5)).toEqual([]);
  grid.frame = 9;
  grid.setValue(9, 1, 1, TOP);
  expect(since(5)).toEqual([1]);
  expect(changedSince(grid, 0, new Int32Array(2))).toBe(5);
});
