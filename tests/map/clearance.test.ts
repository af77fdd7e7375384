import { describe, expect, test } from "vitest";
import { ClearanceField, TILE_SIDE } from "../../src/map/clearance.ts";
import { seeded } from "../helpers/compare.ts";

const SIZE = 0.05;
type Cell = readonly [col: number, row: number];

/** Distance by asking every blocked cell. */
function bruteForce(blocked: readonly Cell[], col: number, row: number, limit: number): number {
  let best = Number.POSITIVE_INFINITY;
  for (const [c, r] of blocked) best = Math.min(best, (c - col) ** 2 + (r - row) ** 2);
  const metres = Math.sqrt(best) * SIZE;
  return metres <= limit + 1e-9 ? metres : Number.POSITIVE_INFINITY;
}

function fieldOf(blocked: readonly Cell[], limit: number): ClearanceField {
  const field = new ClearanceField(SIZE, limit);
  for (const [col, row] of blocked) field.set(col, row, true);
  field.update();
  return field;
}

/** Every number over a square must be the same, to the last bit. */
function expectSame(a: ClearanceField, b: ClearanceField, from: number, side: number): void {
  const other = b.rectangle(from, from, side, side).data;
  expect(a.rectangle(from, from, side, side).data.findIndex((d, i) => d !== other[i])).toBe(-1);
}

describe("clearance", () => {
  test("equals brute force on random worlds, sparse and dense, on both sides of zero", () => {
    const random = seeded(5);
    for (const [share, limit] of [
      [0.0005, 2],
      [0.005, 2],
      [0.03, 0.35],
      [0.3, 2],
      [0.002, 0.05],
      [0.001, 4.013],
    ] as const) {
      const blocked: Cell[] = [];
      for (let row = -50; row < 50; row++) {
        for (let col = -50; col < 50; col++) if (random() < share) blocked.push([col, row]);
      }
      const field = fieldOf(blocked, limit);
      for (let n = 0; n < 1500; n++) {
        const [col, row] = [Math.floor(180 * random()) - 90, Math.floor(180 * random()) - 90];
        const expected = bruteForce(blocked, col, row, limit);
        if (expected === Number.POSITIVE_INFINITY) expect(field.at(col, row)).toBe(expected);
        else expect(field.at(col, row)).toBeCloseTo(expected, 12);
      }
    }
  });

  test("after any order of edits, in any portions, equals a full computation", () => {
    const random = seeded(17);
    for (const limit of [0.4, 2]) {
      const field = new ClearanceField(SIZE, limit);
      const blocked = new Map<string, Cell>();
      for (let round = 0; round < 40; round++) {
        const [centreCol, centreRow] = [Math.floor(200 * random()) - 100, Math.floor(200 * random()) - 100];
        for (let n = 0; n < 60; n++) {
          const cell = [
            centreCol + Math.floor(20 * random()),
            centreRow + Math.floor(20 * random()),
          ] as const;
          const block = random() < 0.4;
          field.set(...cell, block);
          if (block) blocked.set(String(cell), cell);
          else blocked.delete(String(cell));
        }
        for (const [key, cell] of blocked) {
          if (random() > 0.1) continue;
          field.set(...cell, false);
          blocked.delete(key);
        }
        if (random() < 0.5) field.update(Math.floor(6 * random()));
        if (round % 5 !== 4) continue;
        while (field.update(3) > 0);
        expectSame(field, fieldOf([...blocked.values()], limit), -170, 340);
      }
    }
  });

  test("is infinite where nothing is blocked, never was, or no longer is", () => {
    const field = new ClearanceField(SIZE, 2);
    field.update();
    expect(field.at(3, 4)).toBe(Number.POSITIVE_INFINITY);
    field.set(0, 0, true);
    field.update();
    expect(field.at(3, 4)).toBe(5 * SIZE);
    field.set(0, 0, false);
    field.update();
    expect(field.at(3, 4)).toBe(Number.POSITIVE_INFINITY);
  });

  test("holds up to the limit itself, and is infinite a cell beyond", () => {
    const field = fieldOf([[0, 0]], 2);
    expect(field.at(-40, 0)).toBe(2);
    expect(field.at(24, 32)).toBe(2); // 24^2 + 32^2 = 40^2
    expect(field.at(24, 33)).toBe(Number.POSITIVE_INFINITY);
    expect(field.at(41, 0)).toBe(Number.POSITIVE_INFINITY);
    // 0.3 / 0.1 is a little less than 3 in binary.
    const coarse = new ClearanceField(0.1, 0.3);
    coarse.set(0, 0, true);
    coarse.update();
    expect(coarse.at(3, 0)).toBeCloseTo(0.3, 12);
  });

  test("keeps old results until an update, and with a portion of tiles the oldest change comes first", () => {
    const field = new ClearanceField(SIZE, 0.5);
    field.set(16, 16, true);
    expect(field.at(16, 16)).toBe(Number.POSITIVE_INFINITY);
    field.set(1616, 16, true);
    expect(field.update(1)).toBeGreaterThan(0);
    expect(field.at(16, 16)).toBe(0);
    expect(field.at(1616, 16)).toBe(Number.POSITIVE_INFINITY);
    expect(field.update()).toBe(0);
    expect(field.at(1616, 16)).toBe(0);
  });

  test("reports changed tiles: all, no others, each once", () => {
    const random = seeded(23);
    const field = new ClearanceField(SIZE, 1);
    const before = fieldOf([], 1);
    const side = 8 * TILE_SIDE;
    for (let round = 0; round < 20; round++) {
      const old = field.rectangle(-side / 2, -side / 2, side, side);
      for (let n = 0; n < 5; n++) {
        const cell = [Math.floor(120 * random()) - 60, Math.floor(120 * random()) - 60] as const;
        field.set(...cell, random() < 0.6);
      }
      field.update();
      const now = field.rectangle(-side / 2, -side / 2, side, side);
      const expected = new Set<string>();
      for (let row = 0; row < side; row++) {
        for (let col = 0; col < side; col++) {
          if (old.get(row, col) === now.get(row, col)) continue;
          expected.add(`${(col >> 5) - 4} ${(row >> 5) - 4}`);
        }
      }
      const told: string[] = [];
      field.takeChanged((col, row) => told.push(`${col} ${row}`));
      expect(told.sort()).toEqual([...expected].sort());
    }
    before.takeChanged(() => expect.unreachable("nothing has changed"));
  });

  test("setting a cell to what it is, or there and back, changes nothing", () => {
    const field = fieldOf([[5, 5]], 2);
    field.takeChanged(() => {});
    field.set(5, 5, true);
    field.set(6, 6, false);
    field.set(400, 400, false);
    field.set(9, 9, true);
    field.set(9, 9, false);
    field.update();
    field.takeChanged(() => expect.unreachable("nothing has changed"));
    expectSame(field, fieldOf([[5, 5]], 2), -64, 128);
  });

  test("over a rectangle is an ndarray of rows and columns, in the caller's own memory when given", () => {
    const field = fieldOf([[-3, 7]], 2);
    const out = new Float32Array(70 * 50);
    const view = field.rectangle(-40, -20, 70, 50, out);
    expect(view.data).toBe(out);
    expect(view.shape).toEqual([50, 70]);
    for (const [r, c] of [
      [27, 37],
      [0, 0],
      [49, 69],
      [30, 33],
    ] as const) {
      expect(view.get(r, c)).toBe(Math.fround(field.at(c - 40, r - 20)));
    }
    expect(view.get(27, 37)).toBe(0);
    expect(() => field.rectangle(0, 0, 70, 51, out)).toThrow(/51 rows of 70 need 3570/);
  });

  test("a cell blows up to the number of lattice points in a disc", () => {
    const field = fieldOf([[1000, -1000]], 0.6);
    const within = (cells: number) =>
      field.rectangle(980, -1020, 40, 40).data.filter((d) => d <= cells * SIZE + 1e-6).length;
    // Gauss circle problem, N(3) = 29 and N(8) = 197 (OEIS A000328).
    expect([within(3), within(8)]).toEqual([29, 197]);
  });

  test("far from the origin works up to its reach, and beyond is refused or infinite", () => {
    const edge = 2 ** 19;
    const field = fieldOf(
      [
        [edge - 1, -edge],
        [-edge, edge - 1],
      ],
      2,
    );
    expect(field.at(edge - 4, -edge + 4)).toBe(5 * SIZE);
    expect(field.at(edge + 1, -edge)).toBe(2 * SIZE);
    expect(field.at(0, 0)).toBe(Number.POSITIVE_INFINITY);
    expect(field.at(2 ** 30, -edge)).toBe(Number.POSITIVE_INFINITY);
    expect(() => field.set(edge, 0, true)).toThrow(/outside the clearance field/);
    expect(() => field.set(Number.NaN, 0, true)).toThrow(RangeError);
  });

  test("cell sizes and limits that make no sense are refused", () => {
    for (const [size, limit] of [
      [0, 2],
      [0.05, 0.04],
      [0.05, 12.8],
      [0.05, Number.NaN],
      [Number.NaN, 2],
    ] as const) {
      expect(() => new ClearanceField(size, limit)).toThrow(RangeError);
    }
    expect(new ClearanceField(0.05, 12.7).limit).toBe(12.7);
  });
});
