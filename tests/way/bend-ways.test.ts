import { expect, test } from "vitest";
import { Dice } from "../../src/simulate/home/dice.ts";
import { bend } from "../../src/way/bend.ts";
import { Outline } from "../../src/way/outline.ts";
import { endOf, lengthOf } from "../../src/way/pieces.ts";
import { WayFinder } from "../../src/way/way-finder.ts";
import { BODIES } from "../../tools/lab/way/bodies.ts";
import { cellsOf, drawFloorPlan, groundOf } from "../../tools/lab/way/floor-plan.ts";
import { largestJump, leastRoom } from "../helpers/way-truth.ts";

const CELL = 0.05;
const MARGIN = 0.04;
const RADIUS = 0.5;

test("a quarter turn of radius 1 with legs of half a metre is the one of plane geometry", () => {
  const pieces = bend({ x: 0, y: 0, yaw: 0 }, { x: 1.5, y: 1.5, yaw: Math.PI / 3 }, 0.1)!;
  expect(endOf(pieces.at(-1)!).x).toBeCloseTo(1.5, 9);
  expect(endOf(pieces.at(-1)!).y).toBeCloseTo(1.5, 9);
  // The legs meet at x = 1.5 - 1.5 / tan 60 = 0.634; the arc of the same tangents has the radius 0.634 / tan 30 = 1.098.
  const arc = pieces.find(({ curvature }) => curvature !== 0)!;
  expect(1 / arc.curvature).toBeCloseTo(1.098, 3);
  expect(bend({ x: 0, y: 0, yaw: 0 }, { x: 1.5, y: 1.5, yaw: Math.PI / 3 }, 1.11)).toBeNull();
});

test("a base that cannot turn gets no turn on the spot and no sharper arc, keeps its margin, and arrives at its heading", {
  timeout: 60_000,
}, () => {
  const footprint = BODIES.oblong;
  const outline = new Outline(footprint);
  let found = 0;
  let asked = 0;
  for (let seed = 60; seed < 66; seed++) {
    const floor = cellsOf(drawFloorPlan(seed, 80), CELL);
    const ground = groundOf(floor, outline.outer + 0.1);
    const finder = new WayFinder(ground, outline, MARGIN, RADIUS);
    const dice = new Dice(seed, 5);
    const cells = [...ground.squared.keys()].filter((cell) => ground.squared[cell]! >= 100);
    for (let n = 0; n < 4; n++) {
      const [a, b] = [dice.pick(cells), dice.pick(cells)];
      const from = { x: ground.xOf(a) + 0.01, y: ground.yOf(a) - 0.02, yaw: dice.between(-3, 3) };
      const to = { x: ground.xOf(b), y: ground.yOf(b) + 0.02, yaw: n < 2 ? dice.between(-3, 3) : null };
      asked++;
      const { way } = finder.find(from, to);
      if (way === null) continue;
      found++;
      const what = `floor ${seed}, question ${n}`;
      const sharpest = Math.max(...way.pieces.map(({ curvature }) => Math.abs(curvature)));
      expect(sharpest, what).toBeLessThanOrEqual(1 / RADIUS + 1e-6);
      expect(way.pieces[0], what).toMatchObject({ x: from.x, y: from.y });
      expect(largestJump(way.pieces).metres, what).toBeLessThan(1e-6);
      expect(largestJump(way.pieces).radians, what).toBeLessThan(1e-6);
      expect(leastRoom(floor, footprint, way.pieces, 0.1), what).toBeGreaterThanOrEqual(MARGIN);
      const end = endOf(way.pieces.at(-1)!);
      expect(Math.hypot(end.x - to.x, end.y - to.y), what).toBeLessThan(to.yaw === null ? 0.036 : 1e-6);
      if (to.yaw !== null) expect(Math.cos(end.yaw - to.yaw), what).toBeCloseTo(1, 9);
    }
  }
  expect(found).toBeGreaterThan(0.7 * asked);
});

test("on an open floor a way with a quarter turn is at most 5 % longer than the shortest of plane geometry", () => {
  const floor = { cellSize: CELL, cols: 160, rows: 160, firm: new Uint8Array(160 * 160).fill(1) };
  const outline = new Outline(BODIES.oblong);
  const finder = new WayFinder(groundOf(floor, outline.outer + 0.1), outline, MARGIN, RADIUS);
  const { way } = finder.find({ x: 2, y: 4, yaw: 0 }, { x: 6, y: 4, yaw: Math.PI / 2 });
  // Dubins 1957, right - straight - left: the circles' middles lie at (2, 3.5) and (5.5, 4), d = 3.5355; the straight part is
  // sqrt(d^2 - 1) = 3.3912, at atan(0.5 / 3.5) - asin(1 / d) = -0.1449 rad; the arcs are 0.5 * 0.1449 and 0.5 * (pi / 2 + 0.1449).
  const shortest = 3.3912 + 0.5 * 0.1449 + 0.5 * (Math.PI / 2 + 0.1449);
  expect(lengthOf(way!.pieces)).toBeGreaterThanOrEqual(shortest - 1e-3);
  expect(lengthOf(way!.pieces)).toBeLessThan(1.05 * shortest);
});
