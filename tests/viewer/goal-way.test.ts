import { expect, test } from "vitest";
import { pointsOf, wayText } from "../../src/viewer/goal-way.ts";

const WAY = {
  pieces: [
    { from: [0, 0, 0], curvature: null, length: Math.PI / 2 },
    { from: [0, 0, Math.PI / 2], curvature: 0, length: 2 },
    { from: [0, 2, Math.PI / 2], curvature: -1, length: Math.PI / 2 },
  ],
  length: 3.57,
  turning: Math.PI / 2,
  room: 0.1,
  gap: { point: [0.5, 1], width: 0.82 },
  slow: [],
} as const;

test("a way's line goes straight and round its arcs, and stays where the robot turns", () => {
  const points = pointsOf(WAY.pieces);
  expect(points.slice(0, 2)).toEqual([
    [0, 0],
    [expect.closeTo(0, 9), 2],
  ]);
  // A quarter of a circle of 1 m to the right, around (1, 2).
  expect(points.at(-1)![0]).toBeCloseTo(1, 9);
  expect(points.at(-1)![1]).toBeCloseTo(3, 9);
  for (const [x, y] of points.slice(1)) expect(Math.hypot(x - 1, y - 2)).toBeCloseTo(1, 9);
});

test("a way is told with its length, its turns and its narrowest gap; none with the reason", () => {
  expect(wayText({ to: [1, 3], way: WAY, whyNot: null })).toMatch(
    /^3\.57\sm to 1\.00, 3\.00, 90° of turns on the spot; narrowest gap 82\scm at 0\.50, 1\.00\. It is shown only/,
  );
  const text = "the gap at 3.20, 1.10 is 0.48 m wide, the body needs 0.52 m";
  const whyNot = { why: "gap", point: [3.2, 1.1], footing: null, has: 0.48, needs: 0.52, text } as const;
  expect(wayText({ to: [4, 1], way: null, whyNot })).toBe(`No way to 4.00, 1.00: ${text}.`);
});
