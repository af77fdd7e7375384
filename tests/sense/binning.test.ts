import { describe, expect, test } from "vitest";
import type { PinholeOptics } from "../../src/geometry/optics.ts";
import { binnedOptics, binningFactor, ImageBinning } from "../../src/sense/binning.ts";

const VGA: PinholeOptics = {
  model: "pinhole",
  width: 640,
  height: 480,
  fx: 525,
  fy: 520,
  cx: 318.7,
  cy: 241.2,
  measures: "z",
  unit: 0.001,
  minRange: 0.2,
  maxRange: 6,
};
const FACTOR = 3;

/** Bins an image whose counts follow from column and row. */
function binned(counts: (u: number, v: number) => number, amplitude?: (u: number, v: number) => number) {
  const binning = new ImageBinning(VGA, FACTOR);
  const { width, height } = binning.binned;
  const image = (value: (u: number, v: number) => number) =>
    Uint16Array.from({ length: VGA.width * VGA.height }, (_, i) =>
      value(i % VGA.width, Math.floor(i / VGA.width)),
    );
  const out = new Uint16Array(width * height).fill(7);
  const signal = new Uint16Array(width * height).fill(7);
  binning.apply(out, image(counts), amplitude ? signal : null, amplitude ? image(amplitude) : null);
  return { out, signal, optics: binning.binned as PinholeOptics };
}

describe("the optics of binned images", () => {
  test("give each pixel the ray through the middle of its square", () => {
    const small = binnedOptics(VGA, FACTOR) as PinholeOptics;
    expect([small.width, small.height]).toEqual([213, 160]);
    for (const [column, row] of [
      [0, 0],
      [100, 40],
      [212, 159],
    ] as const) {
      const [u, v] = [FACTOR * column + 1, FACTOR * row + 1];
      expect((column - small.cx) / small.fx).toBeCloseTo((u - VGA.cx) / VGA.fx, 12);
      expect((row - small.cy) / small.fy).toBeCloseTo((v - VGA.cy) / VGA.fy, 12);
    }
  });

  test("images of up to twice the number stay as they are, larger ones come to the number or below", () => {
    const factor = (width: number, height: number, most = 50_000) =>
      binningFactor({ ...VGA, width, height }, most);
    expect([factor(208, 156), factor(320, 240), factor(640, 480), factor(1280, 720)]).toEqual([1, 1, 3, 5]);
    expect([factor(640, 480, 0), factor(640, 480, 80_000)]).toEqual([1, 2]);
    const scan = { model: "scan", width: 16384, height: 1, firstAngle: 0, step: 0.001, measures: "range", unit: 0.001, minRange: 0, maxRange: 9 } as const; // biome-ignore format: one line
    expect(binningFactor(scan, 1000)).toBe(1);
  });
});

describe("a binned image", () => {
  test("has a plane where the plane is, also a floor far ahead", () => {
    // A level floor 0.4 m below a level lens: z = h fy / (v - cy).
    const depth = (v: number) => (v > VGA.cy + 70 ? (1000 * 0.4 * VGA.fy) / (v - VGA.cy) : 0);
    const { out, optics } = binned((_, v) => Math.round(depth(v)));
    for (const row of [105, 120, 140, 159]) {
      const z = out[row * optics.width + 50]! / 1000;
      const height = (z * (row - optics.cy)) / optics.fy;
      expect(Math.abs(height - 0.4)).toBeLessThan(0.004);
    }
  });

  test("has no return in the air between two surfaces", () => {
    for (const edge of [300, 301, 302]) {
      const { out } = binned((u) => (u < edge ? 1000 : 2000));
      expect(new Set(out)).toEqual(new Set([1000, 2000]));
    }
  });

  test("shows a leg one pixel wide before a wall, wherever it stands in its square", () => {
    for (const column of [300, 301, 302]) {
      const { out, optics } = binned((u) => (u === column ? 900 : 2500));
      for (let row = 0; row < optics.height; row++) expect(out[row * optics.width + 100]).toBe(900);
    }
  });

  test("drops a single pixel that flies before a wall, and a square with hardly any return", () => {
    const lone = binned((u, v) => (u === 301 && v === 151 ? 900 : 2500));
    expect(new Set(lone.out)).toEqual(new Set([2500]));
    const { out, optics } = binned((u, v) => (u % 3 === 0 && v % 3 === 0 ? 1500 : 0));
    expect(Math.max(...out)).toBe(0);
    expect(optics.width * optics.height).toBe(out.length);
  });

  test("keeps saturated squares for the mask, and takes a surface's own amplitude", () => {
    expect(new Set(binned(() => 65535).out)).toEqual(new Set([65535]));
    // A bright wall behind a dim near one: the amplitude is that of the surface whose depth is taken.
    const { out, signal, optics } = binned(
      (u) => (u <= 301 ? 1000 : 2000),
      (u) => (u <= 301 ? 100 : 4000),
    );
    expect([out[100], signal[100]]).toEqual([1000, 100]);
    expect([out[101], signal[101]]).toEqual([2000, 4000]);
    expect(optics.width).toBe(213);
  });

  test("of another size is refused", () => {
    const binning = new ImageBinning(VGA, FACTOR);
    expect(() => binning.apply(new Uint16Array(9), new Uint16Array(640 * 480), null, null)).toThrow(
      RangeError,
    );
    expect(() => new ImageBinning(VGA, 1)).toThrow(RangeError);
  });
});
