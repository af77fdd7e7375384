import { expect, test } from "vitest";
import { distanceToTriangle } from "./castle.ts";

const CORNERS = [
  [0, 0, 1],
  [3, 0, 1],
  [0, 4, 1],
] as const;

// A triangle with its right angle at the origin, legs 3 and 4 long, in the plane z = 1. Distances worked by hand.
test.each([
  ["over the inside", [1, 1, 3], 2],
  ["under the inside", [1, 1, 0], 1],
  ["on the face", [0.5, 0.5, 1], 0],
  ["beside the leg along x, and above", [1, -3, 5], 5], // 3 aside, 4 up
  ["beside the leg along y", [-2, 1, 1], 2],
  ["beyond the long side", [3, 4, 1], 12 / 5], // 4 x + 3 y = 12 is 12 / 5 from (3, 4)
  ["beyond the right angle", [-3, -4, 1], 5],
  ["beyond the corner on x", [6, -4, 1], 5],
  ["beyond the corner on y", [-5, 16, 1], 13],
] as const)("distance to a triangle: a point %s", (_, p, expected) => {
  expect(distanceToTriangle(p, CORNERS)).toBeCloseTo(expected, 12);
  const [a, b, c] = CORNERS;
  expect(distanceToTriangle(p, [c, b, a])).toBeCloseTo(expected, 12); // either sense of rotation
});

test("distance to a triangle without area is that to its longest side", () => {
  expect(
    distanceToTriangle(
      [1, 2, 0],
      [
        [0, 0, 0],
        [1, 0, 0],
        [4, 0, 0],
      ],
    ),
  ).toBeCloseTo(2, 12);
});
