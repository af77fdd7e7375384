import { expect, test } from "vitest";
import { areaOf, doSidesCross } from "../../src/terms/polygon.ts";
import { Measuring } from "../../src/viewer/measuring.ts";

const SQUARE = [
  [0, 0],
  [2, 0],
  [2, 2],
  [0, 2],
] as const;
/** A room of 4 x 3 m without its corner of 1 x 2 m. */
const ELL = [
  [0, 0],
  [4, 0],
  [4, 3],
  [1, 3],
  [1, 1],
  [0, 1],
] as const;

test("areas of a square, a triangle, and a room with a recess, in either direction", () => {
  expect(areaOf(SQUARE)).toBe(4);
  // Base 3, height 2, by hand: 3 * 2 / 2.
  expect(
    areaOf([
      [1, 1],
      [4, 1],
      [2, 3],
    ]),
  ).toBe(3);
  // By hand: 4 * 3 - 1 * 2.
  expect(areaOf(ELL)).toBe(10);
  expect(areaOf(ELL.toReversed())).toBe(10);
  // Far from the origin, too.
  expect(areaOf(SQUARE.map(([x, y]) => [x + 1000, y - 1000]))).toBe(4);
  expect(
    areaOf([
      [0, 0],
      [1, 1],
    ]),
  ).toBe(0);
});

test("a bow tie has sides that cross; an outline with a recess has none", () => {
  expect(
    doSidesCross([
      [0, 0],
      [2, 2],
      [2, 0],
      [0, 2],
    ]),
  ).toBe(true);
  expect(doSidesCross(ELL)).toBe(false);
  expect(doSidesCross(SQUARE)).toBe(false);
  expect(
    doSidesCross([
      [0, 0],
      [1, 0],
      [0, 1],
    ]),
  ).toBe(false);
});

test("an area is closed at its first corner, beside a distance; Backspace takes corners back, then what is done", () => {
  const measuring = new Measuring();
  measuring.begin("distance");
  for (const place of [
    [0, 0, 0],
    [3, 4, 0],
  ])
    measuring.add(place, 0.1);
  expect(measuring.text).toBe(
    "5.00 m apart; 5.00 m along the floor, 0 cm in height. Backspace removes it, Escape ends.",
  );
  measuring.begin("area");
  for (const place of SQUARE) measuring.add([...place, 0], 0.1);
  expect(measuring.text).toMatch(/^4\.00 m² within 4 corners\. Choose the first corner again/);
  measuring.remove();
  expect(measuring.text).toMatch(/^2\.00 m² within 3 corners/);
  measuring.add([0, 2, 0], 0.1);
  measuring.add([0.05, 0.05, 0], 0.1);
  expect(measuring.text).toBe("4.00 m² within 4 corners. Backspace removes it, Escape ends.");
  expect(measuring.all.map(({ what, isDone }) => [what, isDone])).toEqual([
    ["distance", true],
    ["area", true],
  ]);
  // The next place begins another one.
  measuring.add([9, 9, 0], 0.1);
  expect(measuring.all).toHaveLength(3);
  measuring.remove();
  measuring.remove();
  expect(measuring.all.map(({ what }) => what)).toEqual(["distance"]);
  measuring.begin(null);
  expect([measuring.all, measuring.text]).toEqual([[], ""]);
});

test("an area whose sides cross has no size", () => {
  const measuring = new Measuring();
  measuring.begin("area");
  for (const place of [
    [0, 0, 0],
    [2, 2, 0],
    [2, 0, 0],
    [0, 2, 0],
  ])
    measuring.add(place, 0.1);
  expect(measuring.text).toMatch(/^The sides cross, so it is no area/);
});
