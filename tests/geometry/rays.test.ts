import { describe, expect, test } from "vitest";
import type { FisheyeOptics, Optics, PinholeOptics, ScanOptics } from "../../src/geometry/optics.ts";
import { project, rayTable, unprojectPixel, validateOptics } from "../../src/geometry/rays.ts";
import { degrees, expectClose } from "../helpers/compare.ts";

const image = {
  width: 320,
  height: 240,
  fx: 180,
  fy: 180,
  cx: 159.5,
  cy: 119.5,
  unit: 0.001,
  minRange: 0.1,
  maxRange: 7.5,
} as const;
const brown: PinholeOptics = {
  ...image,
  model: "pinhole",
  measures: "z",
  distortion: [-0.2, 0.05, 0.001, -0.002, 0.01],
};
const fisheye: FisheyeOptics = {
  ...image,
  model: "fisheye",
  measures: "z",
  distortion: [0.05, -0.01, 0.002, -0.0005],
};
const scan: ScanOptics = {
  model: "scan",
  width: 361,
  height: 1,
  firstAngle: degrees(-90),
  step: degrees(0.5),
  measures: "range",
  unit: 0.001,
  minRange: 0.05,
  maxRange: 20,
};
const out = new Float64Array(3);

describe("projection", () => {
  test("Brown-Conrady distortion puts points where OpenCV puts them", () => {
    // OpenCV 4.6 projectPoints, equal to the written-out formula.
    expect(project(brown, 0.3, -0.2, 1, out)).toBe(true);
    expectClose(out.subarray(0, 2), [212.00961638, 84.48578908], 1e-6);
    expect(project(brown, 0.8, 0.6, 1, out)).toBe(true);
    expectClose(out.subarray(0, 2), [282.692, 212.344], 1e-6);
  });

  test("the equidistant fisheye puts points where OpenCV puts them", () => {
    // OpenCV 4.6 fisheye.projectPoints; Kannala & Brandt 2006.
    expect(project(fisheye, 0.3, -0.2, 1, out)).toBe(true);
    expectClose(out.subarray(0, 2), [211.63017288, 84.746551413], 1e-6);
    expect(project(fisheye, 0.8, 0.6, 1, out)).toBe(true);
    expectClose(out.subarray(0, 2), [275.700105252, 206.650078939], 1e-6);
    expect(project(fisheye, 0, 0, 2, out)).toBe(true);
    expectClose(out.subarray(0, 2), [159.5, 119.5], 1e-12);
  });

  test("nothing behind the lens is ever in the image", () => {
    for (const optics of [brown, fisheye, { ...image, model: "pinhole", measures: "z" } as const]) {
      for (const z of [0, -1, Number.NaN]) {
        out.set([7, 7]);
        expect(project(optics, 0.1, 0.1, z, out)).toBe(false);
        expect([out[0], out[1]]).toEqual([7, 7]);
      }
    }
  });

  test("a point far outside a strongly bent lens is not folded back into the image", () => {
    const bent: PinholeOptics = { ...brown, distortion: [-0.3, 0, 0, 0, 0] };
    expect(project(bent, 0.9, 0, 1, out)).toBe(true);
    // x (1 - 0.3 x^2) turns back at x = 1.054; unchecked, x = 1.5 would land on column 247.
    expect(project(bent, 1.5, 0, 1, out)).toBe(false);
    expect(project({ ...fisheye, distortion: [-0.5, 0, 0, 0] }, 2, 0, 1, out)).toBe(false);
  });
});

describe("rays", () => {
  test("distortion is undone to ten digits", () => {
    // OpenCV 4.6 undistortPointsIter, 200 iterations.
    expect(unprojectPixel(brown, 0, 0, out)).toBe(true);
    expectClose(out, [-1.032782598, -0.778667658, 1], 1e-8);
    expect(unprojectPixel(brown, 40, 200, out)).toBe(true);
    expectClose(out, [-0.753787422, 0.508108141, 1], 1e-8);
  });

  test("projecting a ray gives its own pixel back, for every lens", () => {
    const pixel = new Float64Array(2);
    for (const lens of [brown, fisheye]) {
      for (const measures of ["z", "range"] as const) {
        const optics = { ...lens, measures };
        for (let v = 0; v < 240; v += 17) {
          for (let u = 0; u < 320; u += 13) {
            expect(unprojectPixel(optics, u + 0.25, v, out)).toBe(true);
            expect(project(optics, out[0]!, out[1]!, out[2]!, pixel)).toBe(true);
            expectClose(pixel, [u + 0.25, v], 180e-10);
          }
        }
      }
    }
  });

  test("a range is measured along the ray, a z-depth along the axis", () => {
    // Pythagoras: the point (0.8, 0.6, 1) is sqrt(2) = 1.414213562 away.
    const ideal: PinholeOptics = { ...image, model: "pinhole", measures: "z" };
    const [u, v] = [159.5 + 0.8 * 180, 119.5 + 0.6 * 180];
    unprojectPixel(ideal, u, v, out);
    expectClose(out, [0.8, 0.6, 1], 1e-12);
    unprojectPixel({ ...ideal, measures: "range" }, u, v, out);
    expectClose(
      out.map((c) => c * Math.SQRT2),
      [0.8, 0.6, 1],
      1e-9,
    );
  });

  test("the table has z = 1 for z-depth, unit length for range, and zero where no ray arrives", () => {
    const z = rayTable(brown);
    expect(z.z.every((c) => c === 1)).toBe(true);
    const range = rayTable({ ...fisheye, measures: "range" });
    for (let i = 0; i < range.x.length; i += 101) {
      expect(Math.abs(Math.hypot(range.x[i]!, range.y[i]!, range.z[i]!) - 1)).toBeLessThan(1e-6);
    }
    // A fisheye whose image circle is smaller than its chip: 90 degrees lie at 90 * pi / 2 = 141 px.
    const circle = rayTable({ ...fisheye, fx: 90, fy: 90, distortion: [0, 0, 0, 0] });
    expect([circle.x[0], circle.y[0], circle.z[0]]).toEqual([0, 0, 0]);
    const middle = 120 * 320 + 160;
    expectClose([circle.x[middle]!, circle.z[middle]!], [Math.tan(0.5 / 90), 1], 1e-4);
    // Pixels outside the turning point of the distortion have no ray either.
    expect(unprojectPixel({ ...brown, distortion: [-0.3, 0, 0, 0, 0] }, 0, 0, out)).toBe(false);
  });

  test("a scan's beams run counter-clockwise seen from above, beginning at the first angle", () => {
    const table = rayTable(scan);
    const beam = (i: number) => [table.x[i]!, table.y[i]!, table.z[i]!];
    expectClose(beam(0), [1, 0, 0], 1e-7); // -90 degrees: to the right
    expectClose(beam(180), [0, 0, 1], 1e-7); // ahead
    expectClose(beam(360), [-1, 0, 0], 1e-7); // to the left
  });

  test("a scan finds the beam of a point all round, and rejects points above and below its plane", () => {
    const round: ScanOptics = { ...scan, width: 720, firstAngle: degrees(-180) };
    for (let i = 0; i < 720; i += 7) {
      unprojectPixel(round, i, 0, out);
      const pixel = new Float64Array(2);
      expect(project(round, 3 * out[0]!, 0, 3 * out[2]!, pixel)).toBe(true);
      const turns = (pixel[0]! - i) / 720;
      expect(Math.abs(turns - Math.round(turns))).toBeLessThan(1e-12);
      expect(Math.round(pixel[0]!)).toBeLessThan(720);
    }
    expect(project(scan, -1, Math.tan(degrees(1)) * Math.SQRT2, 1, out)).toBe(true);
    expectClose(out.subarray(0, 2), [270, 2], 1e-9); // 45 degrees left, one degree below: two beam spacings
    expect(project(scan, 0, 1, 0, out)).toBe(false);
  });

  test("a ray against the turning sense of the beams is the same with a negative step", () => {
    const clockwise: ScanOptics = { ...scan, firstAngle: degrees(90), step: degrees(-0.5) };
    expect(project(clockwise, -1, 0, 1, out)).toBe(true);
    expectClose(out.subarray(0, 1), [90], 1e-9);
  });
});

describe("optics from outside", () => {
  const broken = (base: Optics, change: Record<string, unknown>) =>
    ({ ...base, ...change }) as unknown as Optics;

  test("good optics pass", () => {
    for (const optics of [brown, fisheye, scan]) expect(() => validateOptics(optics)).not.toThrow();
  });

  test.each([
    [brown, { model: "lens" }, /optics\.model/],
    [brown, { width: 0 }, /optics\.width/],
    [brown, { width: 8192, height: 8192 }, /pixels/],
    [brown, { height: 2.5 }, /optics\.height/],
    [brown, { fx: 0 }, /optics\.fx/],
    [brown, { fy: Number.NaN }, /optics\.fy/],
    [brown, { cx: "159" }, /optics\.cx/],
    [brown, { cy: Number.POSITIVE_INFINITY }, /optics\.cy/],
    [brown, { measures: "disparity" }, /optics\.measures/],
    [brown, { unit: -1 }, /optics\.unit/],
    [brown, { minRange: 8 }, /optics\.minRange/],
    [brown, { maxRange: undefined }, /optics\.maxRange is missing/],
    [brown, { distortion: [0, 0, 0, 0] }, /optics\.distortion/],
    [fisheye, { distortion: undefined }, /optics\.distortion/],
    [fisheye, { distortion: [0, 0, 0, Number.NaN] }, /optics\.distortion/],
    [scan, { height: 2 }, /optics\.height/],
    [scan, { measures: "z" }, /optics\.measures/],
    [scan, { step: 0 }, /optics\.step/],
    [scan, { step: 0.1 }, /optics\.step/],
    [scan, { firstAngle: null }, /optics\.firstAngle/],
  ])("a bad field is refused by name (%#)", (base, change, message) => {
    expect(() => validateOptics(broken(base, change))).toThrow(message);
    expect(() => rayTable(broken(base, change))).toThrow(RangeError);
  });
});
