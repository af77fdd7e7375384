import { expect, test } from "vitest";
import type { Footprint } from "../../src/guard/body.ts";
import { Dice } from "../../src/simulate/home/dice.ts";
import { FOOTING } from "../../src/terms/safety.ts";
import { FAR, FIRM_ONLY } from "../../src/way/ground.ts";
import { Outline } from "../../src/way/outline.ts";
import { standAfter } from "../../src/way/pieces.ts";
import { WayFinder } from "../../src/way/way-finder.ts";
import { BODIES } from "../../tools/lab/way/bodies.ts";
import { type CellFloor, cellsOf, drawFloorPlan, groundOf } from "../../tools/lab/way/floor-plan.ts";
import { largestJump, leastRoom } from "../helpers/way-truth.ts";

const CELL = 0.05;
const MARGIN = 0.04;
/** 0.42 x 0.35 m, the floor point 1 cm behind the middle. */
const OBLONG: Footprint = BODIES.oblong;

/** A floor drawn as text: "#" is blocked, anything else firm. The first line has the highest y. */
function floorOf(lines: readonly string[], scale = 1): CellFloor {
  const rows = lines.length * scale;
  const cols = lines[0]!.length * scale;
  const firm = new Uint8Array(cols * rows);
  for (let r = 0; r < rows; r++) {
    for (let c = 0; c < cols; c++) {
      const line = lines[lines.length - 1 - Math.floor(r / scale)]!;
      firm[r * cols + c] = line[Math.floor(c / scale)] === "#" ? 0 : 1;
    }
  }
  return { cellSize: CELL, cols, rows, firm };
}

/** Two rooms of 2 x 2 m beside each other; the wall between has a door of so many cells. */
function twoRooms(door: number): CellFloor {
  const cols = 84;
  const rows = 40;
  const firm = new Uint8Array(cols * rows);
  for (let r = 1; r < rows - 1; r++) {
    const isDoor = r >= 15 && r < 15 + door;
    for (let c = 1; c < cols - 1; c++) if (isDoor || c < 40 || c >= 44) firm[r * cols + c] = 1;
  }
  return { cellSize: CELL, cols, rows, firm };
}

const finderFor = (floor: CellFloor, footprint: Footprint, prices = FIRM_ONLY): WayFinder => {
  const outline = new Outline(footprint);
  return new WayFinder(groundOf(floor, outline.outer + 0.1, prices), outline, MARGIN);
};

test("in an empty room the way is one straight leg after a turn", () => {
  const finder = finderFor(floorOf(["....", "....", "....", "...."], 10), OBLONG);
  const { way } = finder.find({ x: 0.5, y: 1, yaw: Math.PI / 2 }, { x: 1.5, y: 1, yaw: null });
  expect(way!.pieces.map(({ curvature, length }) => [curvature, +length.toFixed(6)])).toEqual([
    [Number.POSITIVE_INFINITY, +(-Math.PI / 2).toFixed(6)],
    [0, 1],
  ]);
  expect(way!.length).toBeCloseTo(1, 9);
});

test("the base turns at the goal to the heading that is asked", () => {
  const finder = finderFor(floorOf(["....", "....", "....", "...."], 10), OBLONG);
  const { way } = finder.find({ x: 0.5, y: 1, yaw: 0 }, { x: 1.5, y: 1, yaw: -1 });
  expect(way!.pieces.at(-1)).toMatchObject({ curvature: Number.POSITIVE_INFINITY, length: -1 });
});

test("a doorway that is too narrow is named with its place, its width and what the body needs", () => {
  const finder = finderFor(twoRooms(8), OBLONG);
  const { way, whyNot } = finder.find({ x: 1, y: 1, yaw: 0 }, { x: 3.2, y: 1, yaw: null });
  expect(way).toBeNull();
  if (whyNot?.why !== "gap") throw new Error(`the reason is ${whyNot?.why}, not the gap`);
  expect(whyNot.has).toBeCloseTo(8 * CELL, 6);
  expect(whyNot.needs).toBeCloseTo(0.35 + 2 * MARGIN, 6);
  expect(whyNot.x).toBeGreaterThan(1.95);
  expect(whyNot.x).toBeLessThan(2.25);
  expect(whyNot.y).toBeGreaterThan(0.75);
  expect(whyNot.y).toBeLessThan(1.15);
});

test("a doorway 7 cm wider than the body with its margins is passed, with the outline's margin kept", () => {
  const floor = twoRooms(10);
  const { way } = finderFor(floor, OBLONG).find({ x: 1, y: 1, yaw: 2 }, { x: 3.2, y: 1.6, yaw: null });
  expect(way).not.toBeNull();
  expect(leastRoom(floor, OBLONG, way!.pieces, 0.2)).toBeGreaterThanOrEqual(MARGIN);
  expect(way!.gap!.width).toBeCloseTo(10 * CELL, 3);
  expect(way!.slow.some(({ why }) => why === "narrow")).toBe(true);
});

test("unseen floor is crossed only when asked, and a longer way over firm floor is preferred at a higher price", () => {
  const floor = floorOf(["........", "........", "........", "...##...", "...##...", "...##..."], 10);
  const outline = new Outline(OBLONG);
  const lengthAt = (unseen: number): number | null => {
    const ground = groundOf(floor, outline.outer + 0.1, { unseen, doubtful: Number.POSITIVE_INFINITY });
    // The block in the middle is unseen instead of blocked.
    for (let r = 0; r < 30; r++) for (let c = 30; c < 50; c++) ground.set(c, r, FOOTING.unseen);
    ground.update();
    const finder = new WayFinder(ground, outline, MARGIN);
    return finder.find({ x: 0.75, y: 0.75, yaw: 0 }, { x: 3.25, y: 0.75, yaw: null }).way?.length ?? null;
  };
  // Two tangents to a circle of the body's inner radius and the margin around each corner, its arc, and the side between: 3.50 m.
  expect(lengthAt(Number.POSITIVE_INFINITY)!).toBeGreaterThan(3.5);
  expect(lengthAt(1)).toBeCloseTo(2.5, 6);
  // The price counts under the floor point, so its line passes the corners themselves: 2 * hypot(0.75, 0.75) + 1 = 3.12 m.
  expect(lengthAt(20)!).toBeGreaterThan(3.1);
});

test("rooms with unseen floor between are cut by unseen floor, and those with a drop between by gone floor", () => {
  for (const footing of [FOOTING.unseen, FOOTING.gone] as const) {
    const outline = new Outline(OBLONG);
    const ground = groundOf(twoRooms(14), outline.outer + 0.1);
    for (let r = 0; r < 39; r++) for (let c = 41; c < 43; c++) ground.set(c, r, footing);
    ground.update();
    const { whyNot } = new WayFinder(ground, outline).find(
      { x: 1, y: 1, yaw: 0 },
      { x: 3.2, y: 1, yaw: null },
    );
    expect(whyNot).toMatchObject({ why: "cut", footing });
  }
});

test("a goal on a blocked cell and one outside the map are refused with what is there", () => {
  const finder = finderFor(twoRooms(14), OBLONG);
  const from = { x: 1, y: 1, yaw: 0 };
  expect(finder.find(from, { x: 2.1, y: 0.3, yaw: null }).whyNot).toMatchObject({
    why: "goal",
    footing: FOOTING.blocked,
  });
  expect(finder.find(from, { x: 40, y: 0.3, yaw: null }).whyNot).toMatchObject({
    why: "goal",
    footing: FOOTING.unseen,
  });
  expect(finder.find(from, { x: 0.1, y: 1, yaw: null }).whyNot).toMatchObject({ why: "goal room" });
});

test("where a turn on the spot was not permitted, the base turns elsewhere", () => {
  const floor = floorOf(["....", "....", "....", "...."], 10);
  const finder = finderFor(floor, OBLONG);
  const from = { x: 1, y: 1, yaw: 0 };
  const turns = () =>
    finder
      .find(from, { x: 1, y: 1.7, yaw: null })
      .way!.pieces.filter(({ curvature }) => curvature === Number.POSITIVE_INFINITY);
  expect(turns()).toMatchObject([{ x: 1, y: 1 }]);
  finder.room.barred = [[1, 1]];
  const others = turns();
  expect(others.length).toBeGreaterThan(0);
  for (const { x, y } of others) expect(Math.hypot(x - 1, y - 1)).toBeGreaterThanOrEqual(0.15);
});

test("a long body that cannot turn in a dead end drives out backwards", () => {
  // A corridor 0.5 m wide, closed at its left end, opens into a room.
  const lines = ["##########", "######....", "......", "######....", "##########"].map((line) =>
    line.padEnd(10, "."),
  );
  const floor = floorOf(lines, 10);
  const { way } = finderFor(floor, OBLONG).find(
    { x: 0.4, y: 1.25, yaw: Math.PI },
    { x: 4.5, y: 1.25, yaw: null },
  );
  expect(way!.pieces.some(({ curvature, length }) => curvature === 0 && length < -1)).toBe(true);
  expect(leastRoom(floor, OBLONG, way!.pieces, 0.2)).toBeGreaterThanOrEqual(MARGIN);
});

test("over random floors no way leaves its margin, and its pieces join", { timeout: 60_000 }, () => {
  let found = 0;
  for (const [name, footprint] of Object.entries(BODIES)) {
    for (let seed = 1; seed <= 6; seed++) {
      const floor = cellsOf(drawFloorPlan(seed, 60), CELL);
      const outline = new Outline(footprint);
      const ground = groundOf(floor, outline.outer + 0.1);
      const finder = new WayFinder(ground, outline, MARGIN);
      const dice = new Dice(seed, 5);
      const cells = [...ground.squared.keys()].filter((cell) => ground.squared[cell]! >= 36);
      for (let n = 0; n < 4; n++) {
        const [a, b] = [dice.pick(cells), dice.pick(cells)];
        const from = { x: ground.xOf(a) + 0.02, y: ground.yOf(a) - 0.01, yaw: dice.between(-3, 3) };
        const to = { x: ground.xOf(b) - 0.015, y: ground.yOf(b), yaw: n === 0 ? 1 : null };
        const { way } = finder.find(from, to);
        if (way === null || way.pieces.length === 0) continue;
        found++;
        const what = `${name}, floor ${seed}, question ${n}`;
        expect(way.pieces[0], what).toMatchObject(from);
        expect(leastRoom(floor, footprint, way.pieces, 0.1), what).toBeGreaterThanOrEqual(MARGIN);
        expect(largestJump(way.pieces).metres, what).toBeLessThan(1e-6);
        expect(largestJump(way.pieces).radians, what).toBeLessThan(1e-3);
      }
    }
  }
  expect(found).toBeGreaterThan(40);
});

test("the ground's distances are those of the clearance field, in the middle of a wide floor and after it grew", () => {
  const ground = groundOf({ cellSize: CELL, cols: 100, rows: 90, firm: new Uint8Array(9000).fill(1) }, 0.3);
  const at = (col: number, row: number): number =>
    ground.squared[ground.cellAt((col + 0.5) * CELL, (row + 0.5) * CELL)]!;
  expect([at(50, 45), at(5, 45), at(97, 2)]).toEqual([FAR, 36, 9]);
  ground.fit(-60, 0, 20, 20);
  ground.set(-50, 10, FOOTING.firm);
  ground.update();
  expect([at(50, 45), at(5, 45), at(97, 2), at(-50, 10), at(-49, 10)]).toEqual([FAR, 36, 9, 1, 0]);
});

test("after something was set down on the way, the way found again is as short as one found anew, and as free", () => {
  const footprint = BODIES.round;
  const outline = new Outline(footprint);
  let remade = 0;
  for (let seed = 40; seed < 46; seed++) {
    const floor = cellsOf(drawFloorPlan(seed, 60), CELL);
    const ground = groundOf(floor, outline.outer + 0.1);
    const finder = new WayFinder(ground, outline, MARGIN);
    const dice = new Dice(seed, 5);
    const cells = [...ground.squared.keys()].filter((cell) => ground.squared[cell]! >= 36);
    const [a, b] = [dice.pick(cells), dice.pick(cells)];
    const from = { x: ground.xOf(a), y: ground.yOf(a), yaw: 0 };
    const to = { x: ground.xOf(b), y: ground.yOf(b), yaw: null };
    const { way } = finder.find(from, to);
    const leg = way?.pieces.toSorted((p, q) => q.length - p.length)[0];
    if (leg === undefined || leg.length < 1) continue;
    const { x, y } = standAfter(leg, leg.length / 2);
    for (let n = 0; n < 16; n++) {
      const [c, r] = [Math.floor(x / CELL) + (n % 4), Math.floor(y / CELL) + Math.floor(n / 4)];
      floor.firm[r * floor.cols + c] = 0;
      ground.set(c, r, FOOTING.blocked);
    }
    ground.update();
    const again = finder.find(from, to).way;
    finder.forget();
    const anew = finder.find(from, to).way;
    expect(again === null, `floor ${seed}`).toBe(anew === null);
    if (again === null || anew === null) continue;
    remade++;
    expect(again.length / anew.length, `floor ${seed}`).toBeLessThan(1.03);
    expect(leastRoom(floor, footprint, again.pieces, 0.1), `floor ${seed}`).toBeGreaterThanOrEqual(MARGIN);
  }
  expect(remade).toBeGreaterThan(2);
});
