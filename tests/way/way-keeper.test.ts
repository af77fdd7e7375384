import { expect, test } from "vitest";
import { Dice } from "../../src/simulate/home/dice.ts";
import { FOOTING } from "../../src/terms/safety.ts";
import { Outline } from "../../src/way/outline.ts";
import { type Stand, standAfter } from "../../src/way/pieces.ts";
import type { Way } from "../../src/way/way.ts";
import { WayFinder } from "../../src/way/way-finder.ts";
import { MOST_LONGER, WayKeeper } from "../../src/way/way-keeper.ts";
import { BODIES } from "../../tools/lab/way/bodies.ts";
import { type CellFloor, cellsOf, drawFloorPlan, groundOf } from "../../tools/lab/way/floor-plan.ts";
import { largestJump, leastRoom } from "../helpers/way-truth.ts";

const CELL = 0.05;
const MARGIN = 0.04;

/** A floor with a ground and a keeper of ways over it. */
function setOut(floor: CellFloor, footprint = BODIES.oblong) {
  const outline = new Outline(footprint);
  const ground = groundOf(floor, outline.outer + 0.1);
  /** Sets a square of so many cells around a place, where floor was firm at the beginning. */
  const was = floor.firm.slice();
  const put = (x: number, y: number, side: number, isFirm: boolean): void => {
    const [col, row] = [Math.floor(x / CELL - side / 2), Math.floor(y / CELL - side / 2)];
    for (let r = row; r < row + side; r++) {
      for (let c = col; c < col + side; c++) {
        const n = r * floor.cols + c;
        if (c < 0 || r < 0 || c >= floor.cols || r >= floor.rows || was[n] !== 1) continue;
        floor.firm[n] = isFirm ? 1 : 0;
        ground.set(c, r, isFirm ? FOOTING.firm : FOOTING.blocked);
      }
    }
    ground.update();
  };
  const keeper = new WayKeeper(new WayFinder(ground, outline, MARGIN));
  /** The way of a search that knows nothing of earlier ones. */
  const anew = (from: Stand, to: { x: number; y: number; yaw: null }): Way | null =>
    new WayFinder(ground, outline, MARGIN).find(from, to).way;
  return { ground, keeper, put, anew };
}

const emptyRoom = (): CellFloor => ({
  cellSize: CELL,
  cols: 160,
  rows: 80,
  firm: new Uint8Array(12800).fill(1),
});
const FROM: Stand = { x: 0.5, y: 2, yaw: 0 };
const TO = { x: 7.5, y: 2, yaw: null };

test("a change that is far from the way keeps it", () => {
  const { keeper, put } = setOut({ ...emptyRoom(), rows: 160, firm: new Uint8Array(25_600).fill(1) });
  const first = keeper.update(FROM, TO);
  put(4, 6.5, 4, false);
  expect(keeper.update(FROM, TO)).toBe(first);
  put(4, 6.5, 4, true);
  expect(keeper.update(FROM, TO)).toBe(first);
});

test("the base that follows its way keeps it, and one beside it gets another", () => {
  const { keeper } = setOut(emptyRoom());
  const first = keeper.update(FROM, TO);
  expect(keeper.update({ x: 3, y: 2.05, yaw: 0.1 }, TO)).toBe(first);
  expect(keeper.update({ x: 3, y: 2.3, yaw: 0.1 }, TO).way!.pieces[0]).toMatchObject({ x: 3, y: 2.3 });
});

test("an obstacle behind the base keeps the way, one ahead is passed at its side", () => {
  const { keeper, put } = setOut(emptyRoom());
  const first = keeper.update(FROM, TO);
  put(2, 2, 4, false);
  expect(keeper.update({ x: 3, y: 2, yaw: 0 }, TO)).toBe(first);
  put(5, 2, 4, false);
  const { way } = keeper.update({ x: 3, y: 2, yaw: 0 }, TO);
  // The way still begins where it was found, and leads past the obstacle, whose half side, body and margin are 0.315 m beside it.
  expect(way!.pieces[0]).toMatchObject({ x: 0.5, y: 2 });
  const offs = way!.pieces.map(({ y }) => Math.abs(y - 2));
  expect(Math.max(...offs)).toBeGreaterThan(0.29);
  expect(way!.length / first.way!.length).toBeLessThan(MOST_LONGER);
});

test("a door that opens gives a shorter way, and one that closes the longer one again", () => {
  const { keeper, put } = setOut(emptyRoom());
  for (let y = 0; y < 3.4; y += 0.2) put(4, y, 4, false);
  const long = keeper.update(FROM, TO).way!;
  for (let y = 1.6; y < 2.6; y += 0.2) put(4, y, 4, true);
  const short = keeper.update(FROM, TO).way!;
  expect(short.length).toBeLessThan(long.length - 0.2);
  for (let y = 1.6; y < 2.6; y += 0.2) put(4, y, 4, false);
  expect(keeper.update(FROM, TO).way!.length).toBeGreaterThan(long.length / MOST_LONGER);
});

test("without a way nothing is searched until ground opens", () => {
  const { keeper, put } = setOut(emptyRoom());
  for (let y = 0; y < 4.2; y += 0.2) put(4, y, 4, false);
  const none = keeper.update(FROM, TO);
  expect(none.whyNot).not.toBeNull();
  put(6, 1, 4, false);
  expect(keeper.update(FROM, TO)).toBe(none);
  for (let y = 1.4; y < 2.8; y += 0.2) put(4, y, 4, true);
  expect(keeper.update(FROM, TO).way).not.toBeNull();
});

/** A place on the longest piece of a way. */
function onWay({ pieces }: Way, dice: Dice): Stand {
  const piece = pieces.toSorted((a, b) => Math.abs(b.length) - Math.abs(a.length))[0]!;
  return standAfter(piece, piece.length * dice.between(0.1, 0.9));
}

test("over random floors and changes a kept way has room, joins, and is as short as a new one but for 5 %", {
  timeout: 120_000,
}, () => {
  let mended = 0;
  for (const [name, footprint] of Object.entries(BODIES)) {
    for (let seed = 60; seed < 64; seed++) {
      const floor = cellsOf(drawFloorPlan(seed, 60), CELL);
      const { ground, keeper, put, anew } = setOut(floor, footprint);
      const dice = new Dice(seed, 9);
      const cells = [...ground.squared.keys()].filter((cell) => ground.squared[cell]! >= 36);
      const [a, b] = [dice.pick(cells), dice.pick(cells)];
      const from = { x: ground.xOf(a), y: ground.yOf(a), yaw: dice.between(-3, 3) };
      const to = { x: ground.xOf(b), y: ground.yOf(b), yaw: null };
      let { way } = keeper.update(from, to);
      const put0: Stand[] = [];
      for (let change = 0; change < 6 && way !== null && way.length > 1; change++) {
        const what = `${name}, floor ${seed}, change ${change}`;
        const isOpening = put0.length > 0 && dice.chance(0.4);
        const place = isOpening ? put0.pop()! : onWay(way, dice);
        if (!isOpening && Math.hypot(place.x - from.x, place.y - from.y) < 0.5) continue;
        if (!isOpening) put0.push(place);
        put(place.x, place.y, 4, isOpening);
        const before = way;
        ({ way } = keeper.update(from, to));
        const fresh = anew(from, to);
        expect(way === null, what).toBe(fresh === null);
        if (way === null || fresh === null) break;
        if (way !== before) mended++;
        expect(way.length / fresh.length, what).toBeLessThan(MOST_LONGER);
        expect(leastRoom(floor, footprint, way.pieces, 0.1), what).toBeGreaterThanOrEqual(MARGIN);
        expect(largestJump(way.pieces).metres, what).toBeLessThan(1e-6);
        expect(largestJump(way.pieces).radians, what).toBeLessThan(1e-3);
      }
    }
  }
  expect(mended).toBeGreaterThan(15);
});
