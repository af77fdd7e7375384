import { expect, test } from "vitest";
import { sideNear } from "../../src/viewer/side-near.ts";

/** Walls of 10 cm on both sides of a doorway that is 1 m wide, along y = 0; columns of 5 cm. */
const doorway = (x: number, y: number): boolean => y > 0 && y < 0.1 && (x < 1 || x > 2);

test("a measured place snaps to the side of a wall, so that a doorway of 1.00 m measures 1.00 m", () => {
  const left = sideNear([0.96, 0.05], 0.2, 0.05, doorway);
  const right = sideNear([2.03, 0.07], 0.2, 0.05, doorway);
  expect(left[0]).toBeCloseTo(1, 9);
  expect(right[0]).toBeCloseTo(2, 9);
  expect(Math.hypot(right[0] - left[0], right[1] - left[1])).toBeCloseTo(1, 1);
});

test("a place with no side nearby stays where it is", () => {
  expect(sideNear([1.5, 1], 0.2, 0.05, doorway)).toEqual([1.5, 1]);
});
