import { describe, expect, test } from "vitest";
import type { FisheyeOptics, PinholeOptics } from "../../src/geometry/optics.ts";
import { rayTable } from "../../src/geometry/rays.ts";
import { DepthMask } from "../../src/sense/mask.ts";
import { DEFAULT_NORMAL_SETTINGS, NormalEstimator } from "../../src/sense/normals.ts";
import { degrees, seededNormal } from "../helpers/compare.ts";
import { plane, render, together } from "../helpers/view.ts";

const ideal: PinholeOptics = {
  model: "pinhole",
  width: 120,
  height: 90,
  fx: 65,
  fy: 65,
  cx: 59.5,
  cy: 44.5,
  measures: "z",
  unit: 0.001,
  minRange: 0.1,
  maxRange: 7.5,
};
const bent: PinholeOptics = { ...ideal, distortion: [-0.2, 0.05, 0.001, -0.002, 0.01] };
const fisheye: FisheyeOptics = { ...ideal, model: "fisheye", distortion: [0.05, -0.01, 0.002, -0.0005] };

/** Degrees between the sampled normals and the one they should have. */
function errors(samples: { count: number; normal: Float32Array }, truth: readonly number[]): number[] {
  return Array.from({ length: samples.count }, (_, k) => {
    const dot = truth.reduce((sum, c, i) => sum + c * samples.normal[3 * k + i]!, 0);
    return (Math.acos(Math.min(dot, 1)) * 180) / Math.PI;
  });
}
const median = (values: number[]) => values.sort((a, b) => a - b)[values.length >> 1]!;
const [c, s] = [Math.cos(degrees(20)), Math.sin(degrees(20))];

describe("normals", () => {
  test.each([
    ["an ideal lens", ideal, 0.2, 0.001],
    ["a bent lens", bent, 0.6, 0.003],
    ["a fisheye", fisheye, 0.6, 0.003],
  ])("%s sees a floor and a slanted wall with their normals and points", (_, optics, tilt, distance) => {
    for (const [normal, offset] of [
      [[0, c, s], 0.3],
      [[0.6, 0, 0.8], 1.5],
    ] as const) {
      const { clean } = render(optics, plane(normal, offset));
      const counts = Uint16Array.from(clean, (z) => (z < 2 ? Math.round(1000 * z) : 0));
      const mask = new DepthMask(optics);
      const { depth, unitsPerMetre } = mask.apply(counts, null);
      const samples = new NormalEstimator(mask.rays, 2000).estimate(depth, unitsPerMetre, 3);
      expect(samples.count).toBeGreaterThan(300);
      // Towards the lens. Whole millimetres tilt the fit by a little.
      expect(
        median(
          errors(
            samples,
            normal.map((n) => -n),
          ),
        ),
      ).toBeLessThan(tilt);
      for (let k = 0; k < samples.count; k++) {
        const height = normal.reduce((sum, n, i) => sum + n * samples.point[3 * k + i]!, 0);
        expect(Math.abs(height - offset)).toBeLessThan(distance);
      }
    }
  });

  test("with noise of 4 mm on a wall at 1 m they are good to a few degrees, and the noise is reported", () => {
    const { clean } = render(ideal, plane([0, 0, 1], 1));
    const normal = seededNormal(6);
    const counts = Uint16Array.from(clean, (z) => Math.round(1000 * (z + 0.004 * normal())));
    const mask = new DepthMask(ideal);
    const samples = new NormalEstimator(mask.rays, 2000).estimate(mask.apply(counts, null).depth, 1000, 2);
    // Slope of a line fit: sigma / sqrt(sum of u^2) = 0.004 / (14 px / 65 per m) = 1.1 degrees on each axis.
    expect(median(errors(samples, [0, 0, -1]))).toBeLessThan(2);
    expect(Math.abs(median([...samples.rms.subarray(0, samples.count)]) / 0.004 - 1)).toBeLessThan(0.1);
  });

  test("no sample lies across an edge, or where too little of the window has depth", () => {
    const { clean } = render(
      ideal,
      together(
        plane([0, 0, 1], 1, (x) => x < 0),
        plane([0, 0, 1], 1.5),
      ),
    );
    const counts = Uint16Array.from(clean, (z) => Math.round(1000 * z));
    const mask = new DepthMask(ideal);
    const estimator = new NormalEstimator(mask.rays, 10800);
    const found = estimator.estimate(mask.apply(counts, null).depth, 1000, 1);
    const columns = new Set([...found.pixel.subarray(0, found.count)].map((i) => i % 120));
    for (let col = 3; col < 117; col++) expect(columns.has(col)).toBe(col <= 56 || col >= 63);
    // Every second pixel missing leaves half a window: too little.
    const sparse = counts.map((z, i) => ((i + Math.floor(i / 120)) % 2 ? z : 0));
    expect(estimator.estimate(sparse, 1000, 1).count).toBe(0);
    const lenient = new NormalEstimator(mask.rays, 10800, { ...DEFAULT_NORMAL_SETTINGS, minShare: 0.4 });
    expect(lenient.estimate(sparse, 1000, 1).count).toBeGreaterThan(4000);
  });

  test("asked for, windows across a corner are left out, and those of a noisy wall are not", () => {
    const normal = seededNormal(8);
    const noisy = (clean: Float64Array) =>
      Uint16Array.from(clean, (z) => Math.round(1000 * (z + 0.004 * normal())));
    const corner = render(ideal, together(plane([0.6, 0, 0.8], 0.8), plane([-0.6, 0, 0.8], 0.8))).clean;
    const wall = render(ideal, plane([0, 0, 1], 1)).clean;
    const mask = new DepthMask(ideal);
    const asked = new NormalEstimator(mask.rays, 10800, { ...DEFAULT_NORMAL_SETTINGS, maxBend: 4 });
    const usual = new NormalEstimator(mask.rays, 10800);
    const onCorner = (estimator: NormalEstimator, depth: Uint16Array): number => {
      const { count, pixel } = estimator.estimate(depth, 1000, 1);
      return [...pixel.subarray(0, count)].filter((i) => Math.abs((i % 120) - 59.5) < 1).length;
    };
    const cornered = noisy(corner);
    expect(onCorner(usual, cornered)).toBeGreaterThan(160);
    expect(onCorner(asked, cornered)).toBeLessThan(8);
    // F of 3 and 43 is above 4 in 1.4 of 100 windows.
    const flat = noisy(wall);
    const share = asked.estimate(flat, 1000, 1).count / usual.estimate(flat, 1000, 1).count;
    expect(share).toBeGreaterThan(0.97);
    expect(share).toBeLessThan(0.998);
  });

  test("stride and shift choose the pixels, and a full list ends the search", () => {
    const mask = new DepthMask(ideal);
    const flat = new Uint16Array(120 * 90).fill(1000);
    const all = new Set<number>();
    const estimator = new NormalEstimator(mask.rays, 10800);
    for (let shift = 0; shift < 4; shift++) {
      const { count, pixel } = estimator.estimate(flat, 1000, 4, shift);
      for (const i of pixel.subarray(0, count)) {
        expect([(i % 120) % 4, Math.floor(i / 120) % 4]).toEqual([(3 + shift) % 4, (3 + shift) % 4]);
        all.add(i);
      }
    }
    expect(all.size).toBe(29 * 21 + 29 * 21 + 28 * 21 + 28 * 21);
    expect(new NormalEstimator(mask.rays, 50).estimate(flat, 1000, 2).count).toBe(50);
  });

  test("what cannot work is refused by name", () => {
    const { rays } = new DepthMask(ideal);
    const bad = (change: object) => () =>
      new NormalEstimator(rays, 10, { ...DEFAULT_NORMAL_SETTINGS, ...change });
    expect(bad({ reach: 0 })).toThrow(/normals\.reach/);
    expect(bad({ minShare: 2 })).toThrow(/normals\.minShare/);
    expect(bad({ maxRms: 0 })).toThrow(/normals\.maxRms/);
    expect(bad({ maxBend: 0 })).toThrow(/normals\.maxBend/);
    expect(() => new NormalEstimator(rays, 0)).toThrow(/maxSamples/);
    expect(() => new NormalEstimator(rayTable({ ...ideal, measures: "range" }), 10)).toThrow(/z-depth rays/);
    const good = new NormalEstimator(rays, 10);
    expect(() => good.estimate(new Uint16Array(5), 1000, 1)).toThrow(/120x90/);
    expect(() => good.estimate(new Uint16Array(10800), 1000, 2, 2)).toThrow(/shift 2/);
  });
});
