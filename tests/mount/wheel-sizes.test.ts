import { expect, test } from "vitest";
import { wheelSizes } from "../../src/mount/wheel-sizes.ts";

const lateness = { value: 0, sigma: 0.001 };

test("wheels that are 2 % larger than assumed, 5 % farther apart", () => {
  // Assumed radius r and track t; true ones 1.02 r and 1.05 t. A turn of the wheel by a: the odometry counts r a for 1.02 r a, and a difference d of
  // the wheels' angles as r d / t for 1.02 r d / (1.05 t).
  const scale = { value: 1 / 1.02, sigma: 0.001 };
  const turnScale = { value: 1.05 / 1.02, sigma: 0.002 };
  const { radius, track } = wheelSizes({ scale, turnScale, lateness });
  expect(radius).toMatchObject({ value: expect.closeTo(1.02, 9) });
  expect(track).toMatchObject({ value: expect.closeTo(1.05, 9) });
  // Relative errors of a quotient: the root of the sum of squares.
  expect((track as { sigma: number }).sigma).toBeCloseTo(
    1.05 * Math.hypot(0.001 * 1.02, (0.002 * 1.02) / 1.05),
    6,
  );
});

test("without a turn the radius is known and the track is not", () => {
  const none = { why: "the base turned by 0 degrees in all", add: "turn" };
  const { radius, track } = wheelSizes({ scale: { value: 1, sigma: 0.001 }, turnScale: none, lateness });
  expect(radius).toEqual({ value: 1, sigma: 0.001 });
  expect(track).toEqual(none);
  expect(wheelSizes({ scale: none, turnScale: { value: 1, sigma: 0.1 }, lateness }).track).toEqual(none);
});
