import { describe, expect, test } from "vitest";
import type { Vec3 } from "../../src/geometry/optics.ts";
import { fromYawPitchRoll } from "../../src/geometry/rigid.ts";
import { InertialBuffer, type InertialSpan } from "../../src/sense/inertial-buffer.ts";
import { OrientationBuffer } from "../../src/sense/orientation.ts";

const MS = 1000;

/** Attitudes every 10 ms up to a time, ms, turning by a radian a second. */
function turning(until: number): OrientationBuffer {
  const buffer = new OrientationBuffer();
  for (let t = 0; t <= until; t += 10) buffer.push(t * MS, fromYawPitchRoll(t / 1000, 0, 0));
  return buffer;
}

/** Samples at these stamps, ms, whose force is the stamp. */
function samples(...stamps: number[]): InertialBuffer {
  const buffer = new InertialBuffer();
  for (const t of stamps) buffer.push(t * MS, [0, 0, 0.001 * t], [t, 0, 0]);
  return buffer;
}

const listed = (span: InertialSpan | null) =>
  Array.from({ length: span!.count }, (_, n) => [
    Math.round(1e6 * span!.seconds[n]!) / 1000,
    span!.force[3 * n]!,
  ]);

describe("inertial samples between two frames", () => {
  test("are cut to the span: each is the mean over the interval that ends at its stamp", () => {
    const buffer = samples(0, 10, 20, 30, 40);
    const attitudes = turning(100);
    expect(buffer.cut(5 * MS, attitudes)).toBeNull();
    const span = buffer.cut(27 * MS, attitudes)!;
    expect(listed(span)).toEqual([
      [5, 10],
      [10, 20],
      [7, 30],
    ]);
    expect([span.total, span.missing]).toEqual([0.022, 0]);
    // The attitude is that of the middle: 7.5 ms at a radian a second.
    expect(2 * Math.asin(span.rotation[2]!)).toBeCloseTo(0.0075, 9);
    expect(listed(buffer.cut(30 * MS, attitudes))).toEqual([[3, 30]]);
  });

  test("come in the order of time however they arrived; twice is once, and what is not finite is left out", () => {
    const buffer = samples(20, 0, 30, 10, 20);
    expect(buffer.push(25 * MS, [0, 0, 0], [Number.NaN, 0, 0])).toBe(false);
    expect(buffer.push(30 * MS, [0, 0, 0], [1, 1, 1])).toBe(false);
    buffer.cut(0, turning(100));
    expect(listed(buffer.cut(30 * MS, turning(100)))).toEqual([
      [10, 10],
      [10, 20],
      [10, 30],
    ]);
  });

  test("a frame newer than all samples lends the last one; what the next makes of that is owed, once", () => {
    const buffer = samples(0, 10, 20);
    const attitudes = turning(100);
    buffer.cut(10 * MS, attitudes);
    expect(listed(buffer.cut(26 * MS, attitudes))).toEqual([
      [10, 20],
      [6, 20],
    ]);
    buffer.push(30 * MS, [0, 0, 0], [30, 0, 0]);
    buffer.push(40 * MS, [0, 0, 0], [40, 0, 0]);
    const span = buffer.cut(40 * MS, attitudes)!;
    expect(listed(span)).toEqual([
      [4, 30],
      [10, 40],
    ]);
    // For 6 ms 20 m/s^2 had stood where 30 were right.
    expect(span.owed[0]).toBeCloseTo(0.06, 12);
    buffer.push(50 * MS, [0, 0, 0], [50, 0, 0]);
    expect(buffer.cut(50 * MS, attitudes)!.owed[0]).toBe(0);
  });

  test("a gap in the samples or in the attitudes is missing time", () => {
    const gap = samples(0, 10, 90, 100);
    gap.cut(0, turning(200));
    const span = gap.cut(100 * MS, turning(200))!;
    expect(listed(span)).toEqual([
      [10, 10],
      [10, 100],
    ]);
    expect(span.missing).toBeCloseTo(0.08, 12);
    const blind = samples(0, 10, 20, 30);
    blind.cut(0, turning(10));
    expect(blind.cut(30 * MS, turning(10))!.missing).toBeCloseTo(0.02, 12);
    const stopped = samples(0, 10);
    stopped.cut(10 * MS, turning(200));
    expect(stopped.cut(150 * MS, turning(200))!.missing).toBeCloseTo(0.14, 12);
  });

  test("a frame from before the last one has no span of its own, and changes nothing for the next", () => {
    const buffer = samples(0, 10, 20, 30);
    const attitudes = turning(100);
    buffer.cut(10 * MS, attitudes);
    buffer.cut(20 * MS, attitudes);
    expect(buffer.cut(15 * MS, attitudes)).toBeNull();
    expect(listed(buffer.cut(30 * MS, attitudes))).toEqual([[10, 30]]);
  });

  test("what a full ring has forgotten is missing", () => {
    const buffer = new InertialBuffer({ capacity: 4, maxGap: 50 * MS });
    buffer.cut(0, turning(200));
    const force: Vec3 = [1, 0, 0];
    for (let t = 10; t <= 100; t += 10) buffer.push(t * MS, [0, 0, 0], force);
    expect(buffer.push(20 * MS, [0, 0, 0], force)).toBe(false);
    const span = buffer.cut(100 * MS, turning(200))!;
    expect([span.count, span.missing]).toEqual([3, 0.07]);
  });
});
