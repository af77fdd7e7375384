import { expect, test } from "vitest";
import type { Footprint } from "../../src/guard/body.ts";
import { FootingLayer } from "../../src/guard/footing.ts";
import { CELLS, TILE_BITS } from "../../src/guard/footing-tile.ts";
import { KeepOut, parseAreas } from "../../src/guard/keep-out.ts";
import { COLUMN, type ColumnTile } from "../../src/map/layers.ts";
import { FloorChanges, type FloorPatch } from "../../src/service/ways/floor-changes.ts";
import type { FromWays } from "../../src/service/ways/way-messages.ts";
import { WayPost } from "../../src/service/ways/way-post.ts";
import { Dice } from "../../src/simulate/home/dice.ts";
import { FOOTING } from "../../src/terms/safety.ts";
import { WayGround } from "../../src/way/ground.ts";

const SIDE = 1 << TILE_BITS;
const CELL = 0.05;

/** A copy of the floor, made of patches. */
class Copy {
  readonly #tiles = new Map<string, Uint8Array>();

  take({ places, cells }: FloorPatch): number {
    for (let n = 0; 2 * n < places.length; n++) {
      this.#tiles.set(`${places[2 * n]},${places[2 * n + 1]}`, cells.slice(CELLS * n, CELLS * (n + 1)));
    }
    return places.length / 2;
  }

  at(i: number, j: number): number {
    const tile = this.#tiles.get(`${i >> TILE_BITS},${j >> TILE_BITS}`);
    return tile?.[(j & (SIDE - 1)) * SIDE + (i & (SIDE - 1))] ?? FOOTING.unseen;
  }
}

const columnTile = (col: number, row: number) => ({
  col,
  row,
  kind: new Uint8Array(CELLS),
  blockedChanges: 0,
});

test("a copy of the floor follows firm ground, knocks, obstacles of the map, and a map that was cleared", () => {
  const floor = new FootingLayer(CELL);
  const columns = { tiles: [] as ColumnTile[] };
  const changes = new FloorChanges();
  const copy = new Copy();
  const sources = { floorSource: floor, columnSource: columns, keepOut: new KeepOut([], CELL) };
  const update = () => copy.take(changes.take(sources, Number.POSITIVE_INFINITY));
  floor.trust(0.12, -0.07, 1, 0);
  floor.trust(3, 2, 1, 0);
  expect(update()).toBe(2);
  expect([copy.at(2, -2), copy.at(60, 40), copy.at(3, -2)]).toEqual([1, 1, 0]);
  expect(update()).toBe(0);

  floor.addKnock(0.12, -0.07);
  // An obstacle where no floor was seen.
  const wall = columnTile(-2, 0);
  wall.kind[5] = COLUMN.blocked;
  columns.tiles.push(wall);
  expect(update()).toBe(2);
  expect([copy.at(2, -2), copy.at(-59, 0)]).toEqual([FOOTING.blocked, FOOTING.blocked]);

  wall.kind[5] = COLUMN.open;
  wall.blockedChanges++;
  expect(update()).toBe(1);
  expect(copy.at(-59, 0)).toBe(FOOTING.unseen);

  wall.kind[6] = COLUMN.blocked;
  wall.blockedChanges++;
  update();
  floor.clear();
  columns.tiles = [];
  expect(update()).toBe(3);
  expect([copy.at(2, -2), copy.at(60, 40), copy.at(-58, 0)]).toEqual([0, 0, 0]);
  expect(update()).toBe(0);
});

test("closed areas are in the copy while they are enforced: not while the base stands in one", () => {
  const floor = new FootingLayer(CELL);
  for (let x = 0; x < 4; x += CELL) for (let y = 0; y < 2; y += CELL) floor.trust(x + 0.01, y + 0.01, 1, 0);
  const keepOut = new KeepOut(parseAreas("shelf: 1,0.5 2,0.5 2,1.5 1,1.5"), CELL);
  const sources = { floorSource: floor, columnSource: { tiles: [] }, keepOut };
  const changes = new FloorChanges();
  const copy = new Copy();
  const update = () => copy.take(changes.take(sources, Number.POSITIVE_INFINITY));
  update();
  const [inside, outside] = [copy.at(30, 20), copy.at(60, 20)];
  expect([inside, outside]).toEqual([FOOTING.keptOut, FOOTING.firm]);
  expect(keepOut.standAt(1.5, 1)).toBe(true);
  update();
  expect(copy.at(30, 20)).toBe(FOOTING.firm);
  expect(keepOut.standAt(0.5, 1)).toBe(true);
  expect(keepOut.standAt(0.4, 1)).toBe(false);
  update();
  expect(copy.at(30, 20)).toBe(FOOTING.keptOut);
});

test("a large floor is copied in parts, and says when the copy is complete", () => {
  const floor = new FootingLayer(CELL);
  for (let n = 0; n < 10; n++) floor.trust(n * SIDE * CELL + 0.01, 0.01, 1, 0);
  const changes = new FloorChanges();
  const sources = { floorSource: floor, columnSource: { tiles: [] }, keepOut: new KeepOut([], CELL) };
  const parts = [1, 2, 3].map(() => changes.take(sources, 4));
  expect(parts.map(({ places }) => places.length / 2)).toEqual([4, 4, 2]);
  expect(parts.map(({ isComplete }) => isComplete)).toEqual([false, false, true]);
});

test("a ground that took its floor square by square is the same as one that took all at once", () => {
  const dice = new Dice(3, 1);
  const squares = [-1, 0, 1].flatMap((col) => [-1, 0].map((row) => ({ col, row })));
  const cells = squares.map(() => new Uint8Array(CELLS));
  const fill = (square: Uint8Array) => {
    for (let c = 0; c < CELLS; c++) square[c] = dice.chance(0.97) ? FOOTING.firm : dice.whole(4);
  };
  const groundOf = () => new WayGround(CELL, { body: 0.3, limit: 1, gap: 0.06 });
  const put = (ground: WayGround, n: number) =>
    ground.take(squares[n]!.col * SIDE, squares[n]!.row * SIDE, SIDE, cells[n]!);
  const standIn = (ground: WayGround, x: number) => {
    ground.stand(x, 0.3, 0.3, (px, py) => Math.hypot(px - x, py - 0.3) < 0.3);
    ground.update();
  };
  cells.forEach(fill);
  const one = groundOf();
  for (let step = 0; step < 12; step++) {
    const n = step % squares.length;
    if (step >= squares.length) fill(cells[n]!);
    put(one, n);
    standIn(one, 0.2 * step);
  }
  const other = groundOf();
  other.fit(one.col + one.border, one.row + one.border, one.cols - 2 * one.border, one.rows - 2 * one.border);
  for (let n = 0; n < squares.length; n++) put(other, n);
  standIn(other, 0.2 * 11);
  expect([one.col, one.row, one.cols, one.rows]).toEqual([other.col, other.row, other.cols, other.rows]);
  expect(Buffer.compare(one.footing, other.footing)).toBe(0);
  expect(one.squared).toEqual(other.squared);
});

test("a watched way is told once, again when it has changed, and no more when the watch ends", () => {
  const floor = new FootingLayer(CELL);
  for (let x = 0; x < 4; x += CELL) for (let y = 0; y < 2; y += CELL) floor.trust(x + 0.01, y + 0.01, 1, 0);
  const said: FromWays[] = [];
  const post = new WayPost(
    { floorSource: floor, columnSource: { tiles: [] }, keepOut: new KeepOut([], CELL) },
    (message) => said.push(message),
    () => 0,
  );
  const footprint: Footprint = [
    [0.2, 0.2],
    [0.2, -0.2],
    [-0.2, -0.2],
    [-0.2, 0.2],
  ];
  let now = 0;
  const look = (x: number) => {
    now += 50_000;
    const base = { x, y: 1, yaw: 0 };
    if (post.isDue(now))
      post.look({ time: now, revision: 1, base, footprint, gap: 0.05, cellSize: CELL }, now);
    return said.splice(0);
  };
  expect(look(0.5)).toEqual([]);
  post.watch(7, { to: [3.5, 1] });
  const [first] = look(0.5);
  expect(first).toMatchObject({ kind: "way", watch: 7, to: [3.5, 1], answer: { whyNot: null } });
  if (first?.kind !== "way") throw new Error("no way");
  expect(first.answer.way!.length).toBeCloseTo(3, 6);
  // The base follows its way, and nothing has changed.
  expect([look(0.6), look(0.8)]).toEqual([[], []]);
  floor.addKnock(2.01, 1.01);
  const [second] = look(1);
  if (second?.kind !== "way") throw new Error("the way was not told again");
  expect(second.answer.way!.length).toBeGreaterThan(3);
  expect(look(1.1)).toEqual([]);
  for (let y = 0; y < 2; y += CELL) floor.addKnock(2.01, y + 0.01);
  expect(look(1.2)).toMatchObject([{ answer: { way: null, whyNot: { why: "cut" } } }]);
  post.watch(7, null);
  floor.addKnock(2.5, 1);
  expect(look(1.3)).toEqual([]);
});
