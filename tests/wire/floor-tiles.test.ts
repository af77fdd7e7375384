import { expect, test } from "vitest";
import { FloorMirror } from "../../src/client/floor-mirror.ts";
import { FOOTING } from "../../src/terms/safety.ts";
import {
  decodeTiles,
  encodeTile,
  splitTiles,
  TILE_CELLS,
  type WireTile,
} from "../../src/wire/floor-tiles.ts";
import type { FromServer } from "../../src/wire/messages.ts";

const CELL = 0.05;
/** A tile west and south of the origin, with firm floor, a drop and two points of its edge. */
const cells = new Uint8Array(TILE_CELLS).fill(FOOTING.firm);
cells.fill(FOOTING.gone, 100, 140);
const TILE: WireTile = {
  col: -3,
  row: -1,
  seen: 71,
  cells,
  spots: [
    { x: -4.123, y: -0.456, z: 0.2, drop: 0.33, error: 0.012, looks: 5 },
    { x: -4.1, y: -0.5, z: -0.1, drop: Number.POSITIVE_INFINITY, error: 0.02, looks: 400 },
  ],
};
const patch = (tiles: Uint8Array, over: Partial<FromServer<"floor">> = {}): FromServer<"floor"> => ({
  ...{ kind: "floor", sequence: 1, epoch: "a", from: 0, to: 1, count: 1, left: 0, cell: CELL, at: 100 },
  tiles,
  ...over,
});

test("a tile comes back with its cells, and its edges to the millimetre", () => {
  const [back] = [...decodeTiles(encodeTile(TILE, CELL), CELL)];
  expect(back).toMatchObject({ col: -3, row: -1, seen: 71 });
  expect(back!.cells).toEqual(cells);
  expect(back!.spots[0]!.x).toBeCloseTo(-4.123, 3);
  expect(back!.spots[0]!.y).toBeCloseTo(-0.456, 3);
  expect(back!.spots[0]).toMatchObject({ z: 0.2, drop: 0.33, error: 0.012, looks: 5 });
  expect(back!.spots[1]).toMatchObject({ drop: Number.POSITIVE_INFINITY, looks: 30 });
});

test("tiles that follow each other are divided, and what is cut off or wrong is refused with its place", () => {
  const one = encodeTile(TILE, CELL);
  const two = encodeTile({ ...TILE, col: 5, spots: [] }, CELL);
  const both = new Uint8Array([...one, ...two]);
  expect([...splitTiles(both)].map(({ bytes }) => bytes.length)).toEqual([one.length, two.length]);
  for (let size = 1; size < both.length; size++) {
    if (size === one.length) continue;
    expect(() => [...decodeTiles(both.subarray(0, size), CELL)]).toThrow(/byte \d+/);
  }
  // A run that is longer than the tile.
  const long = one.slice();
  long[long.length - 1] = 31;
  expect(() => [...decodeTiles(long, CELL)]).toThrow(/run|cells/);
  expect(() => encodeTile({ ...TILE, cells: new Uint8Array(5) }, CELL)).toThrow("5 cells");
});

test("a mirror joins tiles to one floor, replaces what is sent again, and drops another map", () => {
  const mirror = new FloorMirror();
  expect(mirror.apply(patch(encodeTile(TILE, CELL)))).toBeNull();
  expect(mirror.apply(patch(encodeTile({ ...TILE, col: -2, spots: [] }, CELL), { to: 2 }))).toHaveLength(1);
  expect(mirror.have).toEqual({ epoch: "a", change: 2 });
  const floor = mirror.cells(1000)!;
  expect(floor).toMatchObject({ col: -96, row: -32, width: 64, height: 32, cell: CELL });
  // Cell 100 of a tile is column 4 of row 3.
  expect(floor.cells[3 * 64 + 4]).toBe(FOOTING.gone);
  expect(floor.cells[3 * 64 + 32 + 4]).toBe(FOOTING.gone);
  expect(floor.cells[0]).toBe(FOOTING.firm);
  mirror.apply(patch(encodeTile({ ...TILE, cells: new Uint8Array(TILE_CELLS), spots: [] }, CELL)));
  expect(mirror.cells(1000)!.cells[0]).toBe(FOOTING.unseen);
  mirror.apply(patch(new Uint8Array(0), { epoch: "b", count: 0, to: 0 }));
  expect(mirror.cells(1000)).toBeNull();
});

test("points of one edge become a line with depth, confidence and age, also across the border of two tiles", () => {
  const mirror = new FloorMirror();
  const spot = { z: 0.1, drop: 0.2, error: 0.01, looks: 3 };
  const left = { ...TILE, col: -1, row: 0, spots: [{ x: -0.06, y: 0.1, ...spot }] };
  const right = { ...TILE, col: 0, row: 0, seen: 90, spots: [{ x: 0.04, y: 0.1, ...spot }] };
  const far = { ...TILE, col: 9, row: 9, spots: [{ x: 15, y: 15, ...spot, drop: 0.05 }] };
  for (const tile of [left, right, far]) mirror.apply(patch(encodeTile(tile, CELL)));
  const edges = mirror.edges();
  expect(edges.map(({ points }) => points.length).sort()).toEqual([1, 2]);
  const edge = edges.find(({ points }) => points.length === 2)!;
  expect(edge.drop).toBeCloseTo(0.2, 3);
  // 1 - exp(-3 / 3), and the map's clock is at 100 s.
  expect(edge.confidence).toBeCloseTo(0.632, 3);
  expect(edge.age).toBe(10);
});
