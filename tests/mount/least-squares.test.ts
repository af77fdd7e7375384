import { expect, test } from "vitest";
import { leastSquares } from "../../src/mount/least-squares.ts";
import { seededNormal } from "../helpers/compare.ts";

/** A line through noisy points, with rows in clusters of five. */
function line(noise: number, shared: number, seed: number) {
  const normal = seededNormal(seed);
  const rows = 200;
  const common = Array.from({ length: rows / 5 }, () => shared * normal());
  const y = Float64Array.from(
    { length: rows },
    (_, i) => 2 + 0.03 * i + noise * normal() + common[Math.floor(i / 5)]!,
  );
  return leastSquares({
    start: [0, 0],
    priors: [Number.POSITIVE_INFINITY, Number.POSITIVE_INFINITY],
    steps: [1e-3, 1e-3],
    kinds: new Uint8Array(rows),
    leastSigma: [1e-6],
    clusters: Int32Array.from({ length: rows }, (_, i) => Math.floor(i / 5)),
    overlap: 1,
    evaluate: ([a = 0, b = 0], out) => {
      for (let i = 0; i < rows; i++) out[i] = a + b * i - y[i]!;
    },
  });
}

test.each([
  ["independent", 0.1, 0],
  ["shared by the rows of a cluster", 0.02, 0.1],
])("the stated doubt is that of the answers when errors are %s", (_, noise, shared) => {
  const runs = Array.from({ length: 200 }, (_, seed) => line(noise, shared, seed + 1));
  const spread = Math.sqrt(runs.reduce((sum, { values }) => sum + (values[1]! - 0.03) ** 2, 0) / runs.length);
  const stated = runs.reduce((sum, { sigmas }) => sum + sigmas[1]!, 0) / runs.length;
  // 200 runs know a standard deviation to 5 %; the larger of two estimates may be somewhat above it, never much below.
  expect(stated / spread).toBeGreaterThan(0.85);
  expect(stated / spread).toBeLessThan(1.4);
});

test("an unknown that no row depends on has no doubt that is finite", () => {
  const { sigmas } = leastSquares({
    start: [0, 0],
    priors: [1, Number.POSITIVE_INFINITY],
    steps: [1e-3, 1e-3],
    kinds: new Uint8Array(3),
    leastSigma: [0.1],
    clusters: new Int32Array(3),
    overlap: 1,
    evaluate: ([a = 0], out) => out.fill(a - 1),
  });
  expect(sigmas[1]).toBe(Number.POSITIVE_INFINITY);
});

test("one row in ten that is far off hardly moves the answer", () => {
  const rows = 100;
  const normal = seededNormal(3);
  const y = Float64Array.from({ length: rows }, (_, i) => 5 + 0.1 * normal() + (i % 10 === 0 ? 50 : 0));
  const { values } = leastSquares({
    start: [0],
    priors: [Number.POSITIVE_INFINITY],
    steps: [1e-3],
    kinds: new Uint8Array(rows),
    leastSigma: [1e-6],
    clusters: Int32Array.from({ length: rows }, (_, i) => i),
    overlap: 1,
    evaluate: ([a = 0], out) => {
      for (let i = 0; i < rows; i++) out[i] = a - y[i]!;
    },
  });
  expect(Math.abs(values[0]! - 5)).toBeLessThan(0.06); // the mean would be 10
});
