import { describe, expect, test } from "vitest";
import type { FisheyeOptics, PinholeOptics } from "../../src/geometry/optics.ts";
import { Straightener } from "../../src/sense/straighten.ts";
import { plane, render, together } from "../helpers/view.ts";

const ideal: PinholeOptics = {
  model: "pinhole",
  width: 120,
  height: 90,
  fx: 65,
  fy: 60,
  cx: 59.5,
  cy: 44.5,
  measures: "z",
  unit: 0.001,
  minRange: 0.1,
  maxRange: 7.5,
};
const bent: PinholeOptics = { ...ideal, distortion: [-0.2, 0.05, 0.001, -0.002, 0.01] };
const fisheye: FisheyeOptics = { ...ideal, model: "fisheye", distortion: [0.05, -0.01, 0.002, -0.0005] };

describe("straightening", () => {
  test("an ideal lens is left alone; an odd width is made even", () => {
    const depth = Uint16Array.from({ length: 120 * 90 }, (_, i) => i);
    const straight = new Straightener({ ...ideal, distortion: [0, 0, 0, 0, 0] });
    expect(straight.apply(depth)).toBe(depth);
    expect(straight.view).toEqual({ width: 120, height: 90, fx: 65, fy: 60, cx: 59.5, cy: 44.5 });
    const odd = new Straightener({ ...ideal, width: 119 });
    expect(odd.view.width).toBe(120);
    const seen = odd.apply(depth.subarray(0, 119 * 90));
    expect([seen[0], seen[118], seen[119], seen[120]]).toEqual([0, 118, 0, 119]);
  });

  test.each([
    ["a bent lens", bent],
    ["a fisheye", fisheye],
  ])("%s shows a room as an ideal camera in its place would", (_, optics) => {
    const straight = new Straightener(optics);
    const { view } = straight;
    const scene = together(plane([0, 1, 0], 0.5), plane([0, 0, 1], 3), plane([-0.6, 0, 0.8], 1.5));
    const image = straight.apply(Uint16Array.from(render(optics, scene).clean, (z) => 1000 * z));
    const truth = render({ ...ideal, ...view }, scene).clean;
    const errors: number[] = [];
    image.forEach((z, i) => {
      if (z > 0) errors.push(Math.abs(z / 1000 - truth[i]!) / truth[i]!);
    });
    expect(errors.length).toBeGreaterThan(120 * 90);
    errors.sort((a, b) => a - b);
    // Off by up to half a pixel of the sensor.
    expect(errors[errors.length >> 1]!).toBeLessThan(0.005);
    expect(errors[Math.floor(0.99 * errors.length)]!).toBeLessThan(0.06);
  });

  test.each([
    ["a bent lens", bent],
    ["a fisheye", fisheye],
  ])("no pixel of %s is lost, and none is made up", (_, optics) => {
    const straight = new Straightener(optics);
    const numbers = Uint16Array.from({ length: 120 * 90 }, (_, i) => i + 1);
    const shown = new Set(straight.apply(numbers));
    shown.delete(0);
    expect(shown.size).toBe(120 * 90);
    // A frame does not remember the last.
    expect(straight.apply(new Uint16Array(120 * 90)).every((z) => z === 0)).toBe(true);
  });

  test("beyond 65 degrees a fisheye is cut, and a lens that would need a huge image is refused", () => {
    const wide = new Straightener({ ...fisheye, fx: 42, fy: 42, distortion: [0, 0, 0, 0] });
    expect((wide.view.cx / wide.view.fx) ** 2).toBeLessThan(2.14 ** 2);
    expect(() => new Straightener({ ...bent, distortion: [20, 0, 0, 0, 0] })).toThrow(/too bent/);
    expect(() => new Straightener(bent).apply(new Uint16Array(3))).toThrow(/10800 pixels: got 3/);
  });
});
