import fc from "fast-check";
import { describe, expect, test } from "vitest";
import { BlockGrid, blockKey, OCCUPIED_FROM, TOP, UNKNOWN } from "../../src/map/grid.ts";
import { castRay, traverse } from "../../src/map/ray.ts";
import { seeded } from "../helpers/compare.ts";

type Triple = [number, number, number];

/** The voxels that a segment passes, one string each. */
function passed(a: Triple, b: Triple): string[] {
  const out = new Int32Array(300);
  const count = traverse(out, ...a, ...b);
  return Array.from({ length: count }, (_, n) => out.subarray(3 * n, 3 * n + 3).join(" "));
}

describe("the voxels of a segment", () => {
  const coordinate = fc.double({ min: -40, max: 40, noNaN: true });
  const point = fc.tuple(coordinate, coordinate, coordinate);
  const out = new Int32Array(3 * 250);

  test("lead from the first to the last through shared faces, as many as the coordinates ask for", () => {
    fc.assert(
      fc.property(point, point, (a, b) => {
        const first = a.map((c) => Math.floor(c) + 0);
        const last = b.map((c) => Math.floor(c) + 0);
        const count = traverse(out, ...a, ...b);
        expect(count).toBe(1 + first.reduce((sum, c, axis) => sum + Math.abs(last[axis]! - c), 0));
        expect([...out.subarray(0, 3)]).toEqual(first);
        expect([...out.subarray(3 * count - 3, 3 * count)]).toEqual(last);
        for (let n = 3; n < 3 * count; n += 3) {
          const moved = [0, 1, 2].map((axis) => Math.abs(out[n + axis]! - out[n - 3 + axis]!));
          expect(moved.sort()).toEqual([0, 0, 1]);
        }
      }),
      { seed: 1 },
    );
  });

  test("are all touched by the segment", () => {
    fc.assert(
      fc.property(point, point, (a, b) => {
        const count = traverse(out, ...a, ...b);
        for (let n = 0; n < 3 * count; n += 3) {
          // Slab test (Kay & Kajiya 1986) against the voxel, a hair larger for rounding.
          let [enter, leave] = [0, 1];
          for (let axis = 0; axis < 3; axis++) {
            const low = out[n + axis]! - 1e-9;
            const high = out[n + axis]! + 1 + 1e-9;
            const d = b[axis]! - a[axis]!;
            if (Math.abs(d) < 1e-12) continue;
            enter = Math.max(enter, Math.min((low - a[axis]!) / d, (high - a[axis]!) / d));
            leave = Math.min(leave, Math.max((low - a[axis]!) / d, (high - a[axis]!) / d));
          }
          expect(enter).toBeLessThanOrEqual(leave);
        }
      }),
      { seed: 2 },
    );
  });

  test("step along x before y before z where edges and corners are met exactly", () => {
    expect(passed([0, 0, 0], [2, 2, 2])).toEqual([
      "0 0 0",
      "1 0 0",
      "1 1 0",
      "1 1 1",
      "2 1 1",
      "2 2 1",
      "2 2 2",
    ]);
    expect(passed([0.5, 0.5, 0.5], [-0.5, -0.5, 0.5])).toEqual(["0 0 0", "-1 0 0", "-1 -1 0"]);
    // By hand: with slope 1/3 from a corner, x = 3, 6, 9 tie with y = 1, 2, 3, though 1/3 has no exact binary form.
    expect(passed([0, 0, 0.5], [9, 3, 0.5])).toEqual(
      "0 0|1 0|2 0|3 0|3 1|4 1|5 1|6 1|6 2|7 2|8 2|9 2|9 3".split("|").map((at) => `${at} 0`),
    );
  });

  test("are one for a point, also on a face, also on the negative side", () => {
    expect(passed([1, 2, 3], [1, 2, 3])).toEqual(["1 2 3"]);
    expect(passed([-0.25, -1, -1.5], [-0.25, -1, -1.5])).toEqual(["-1 -1 -2"]);
  });

  test("that do not fit, or are not in this world, are refused", () => {
    expect(() => traverse(new Int32Array(8), 0.5, 0.5, 0.5, 2.5, 0.5, 0.5)).toThrow(/3 voxels.*room for 2/);
    expect(() => traverse(new Int32Array(9), 0, 0, Number.NaN, 1, 0, 0)).toThrow(RangeError);
    expect(() => traverse(new Int32Array(9), 0, 0, 0, 2 ** 31, 0, 0)).toThrow(RangeError);
  });
});

describe("a ray cast through the map", () => {
  const SIZE = 0.05;
  const passage = { undecided: -1 };
  const random = seeded(3);
  /** Any direction: uniform on the sphere by Archimedes' hat-box theorem. */
  const direction = (): Triple => {
    const z = 2 * random() - 1;
    const angle = 2 * Math.PI * random();
    const ring = Math.sqrt(1 - z * z);
    return [ring * Math.cos(angle), ring * Math.sin(angle), z];
  };

  test("ends on the face of the first occupied voxel; free and undecided length before it are separate", () => {
    const grid = new BlockGrid(SIZE);
    for (let i = 0; i < 4; i++) grid.setValue(i, 0, 0, 0);
    grid.setValue(10, 0, 0, TOP);
    grid.setValue(14, 0, 0, TOP);
    expect(castRay(grid, 0.025, 0.025, 0.025, 1, 0, 0, 4, passage)).toBeCloseTo(0.475, 12);
    // By hand: free from 0.025 to 0.2, undecided from 0.2 to 0.5.
    expect(passage.undecided).toBeCloseTo(0.3 / 0.475, 12);
    expect(castRay(grid, 0.725, 0.025, 0.025, 1, 0, 0, 4, passage)).toBe(0);
    expect(passage.undecided).toBe(0);
  });

  test("finds nothing beyond its range, and returns the undecided share of the way", () => {
    const grid = new BlockGrid(SIZE);
    grid.setValue(10, 0, 0, TOP);
    for (let i = 0; i < 4; i++) grid.setValue(i, 0, 0, 0);
    expect(castRay(grid, 0.025, 0.025, 0.025, 1, 0, 0, 0.45, passage)).toBe(Number.POSITIVE_INFINITY);
    expect(passage.undecided).toBeCloseTo((0.45 - 0.175) / 0.45, 12);
    expect(castRay(grid, 0.025, 0.025, 0.025, 1, 0, 0, 0.476, passage)).toBeCloseTo(0.475, 12);
    expect(castRay(new BlockGrid(SIZE), 3, -2, 1, 0, 0, -1, 30, passage)).toBe(Number.POSITIVE_INFINITY);
    expect(passage.undecided).toBe(1);
  });

  test("beyond what the map can hold everything is undecided", () => {
    const grid = new BlockGrid(SIZE);
    expect(castRay(grid, 0, 0, 0, 1, 0, 0, 5000, passage)).toBe(Number.POSITIVE_INFINITY);
    expect(passage.undecided).toBeCloseTo(1, 12);
    expect(castRay(grid, 600, 0, 0, -1, 0, 0, 10, passage)).toBe(Number.POSITIVE_INFINITY);
    expect(passage.undecided).toBe(1);
  });

  test("agrees with the voxels of its segment, in a world of free, undecided and full blocks", () => {
    const grid = new BlockGrid(SIZE);
    const block = new Uint8Array(512);
    const at = () => Math.floor(random() * 8) - 4;
    for (let n = 0; n < 300; n++) {
      const kind = random();
      if (kind < 0.5) block.fill(0);
      else if (kind < 0.6) block.fill(UNKNOWN);
      else if (kind < 0.63) block.fill(TOP);
      else for (let v = 0; v < 512; v++) block[v] = random() < 0.04 ? TOP : random() < 0.3 ? UNKNOWN : 0;
      grid.pasteBlock(blockKey(at(), at(), at()), block, 1);
    }
    const voxels = new Int32Array(3 * 400);
    let hits = 0;
    for (let n = 0; n < 2000; n++) {
      const d = direction();
      const o = [0, 1, 2].map(() => (random() - 0.5) * 2) as Triple;
      const range = 3 * random();
      const start = o.map((c) => c / SIZE) as Triple;
      const count = traverse(
        voxels,
        ...start,
        ...(start.map((c, i) => c + (d[i]! * range) / SIZE) as Triple),
      );
      let expected = Number.POSITIVE_INFINITY;
      let undecided = 0;
      let entered = 0;
      for (let v = 0; v < count; v++) {
        const voxel = [...voxels.subarray(3 * v, 3 * v + 3)] as Triple;
        // Where the ray leaves the voxel: the nearest of its three far faces.
        const left = Math.min(range, ...d.map((c, i) => ((voxel[i]! + (c > 0 ? 1 : 0)) * SIZE - o[i]!) / c));
        const value = grid.valueAt(...voxel);
        if (value >= OCCUPIED_FROM) {
          expected = entered;
          break;
        }
        if (value === UNKNOWN) undecided += left - entered;
        entered = left;
      }
      const distance = castRay(grid, ...o, ...d, range, passage);
      if (expected === Number.POSITIVE_INFINITY) {
        expect(distance).toBe(expected);
      } else {
        expect(distance).toBeCloseTo(expected, 9);
        hits++;
      }
      if (entered > 1e-6) expect(passage.undecided * entered).toBeCloseTo(undecided, 9);
    }
    expect(hits).toBeGreaterThan(400);
    expect(hits).toBeLessThan(1900);
  });

  test("runs along voxel faces without losing its way", () => {
    const grid = new BlockGrid(SIZE);
    grid.setValue(20, 0, 0, TOP);
    grid.setValue(-20, 0, 0, TOP);
    expect(castRay(grid, 0, 0, 0, 1, 0, 0, 4, passage)).toBeCloseTo(1, 12);
    expect(castRay(grid, 0, 0, 0, -1, 0, 0, 4, passage)).toBeCloseTo(0.95, 12);
    expect(castRay(grid, 0, 0, 0, 1, 1e-320, -1e-320, 4, passage)).toBeCloseTo(1, 12);
  });

  test("without a direction of length one, or with numbers that are none, is refused", () => {
    const grid = new BlockGrid(SIZE);
    expect(() => castRay(grid, 0, 0, 0, 1, 1, 0, 4, passage)).toThrow(/unit direction/);
    expect(() => castRay(grid, 0, Number.NaN, 0, 1, 0, 0, 4, passage)).toThrow(RangeError);
    expect(() => castRay(grid, 0, 0, 0, 1, 0, 0, Number.POSITIVE_INFINITY, passage)).toThrow(RangeError);
  });
});
