import { expect, test } from "vitest";
import { momentNear } from "../../src/viewer/moment-near.ts";
import type { CurvePoint } from "../../src/wire/curve.ts";

/** A drive of 4 m along x at 1 m/s. */
const drive: CurvePoint[] = Array.from({ length: 41 }, (_, n) => ({
  ...{ at: 100_000 * n, pace: 1, room: 3, cause: null, state: 0, age: null, load: 0 },
  place: { x: 0.1 * n, y: 0, heading: 0 },
}));

test("a place on the path leads to the moment at which the base was there", () => {
  expect(momentNear(drive, [2.02, 0.1, 0])).toBe(2_000_000);
});

test("a place beside the path, or a path without known places, leads nowhere", () => {
  expect(momentNear(drive, [2, 0.3, 0])).toBeNull();
  expect(
    momentNear(
      drive.map((point) => ({ ...point, place: null })),
      [2, 0, 0],
    ),
  ).toBeNull();
});
