import { describe, expect, test } from "vitest";
import type { PinholeOptics, Pose } from "../../src/geometry/optics.ts";
import { turn } from "../../src/geometry/rigid.ts";
import { lensFromAngles } from "../../src/simulate/attitude.ts";
import { lensRays } from "../../src/simulate/lens.ts";
import { Random } from "../../src/simulate/random.ts";
import { renderDepth, type SensorNoise } from "../../src/simulate/render.ts";
import { Scene } from "../../src/simulate/scene.ts";
import {
  DARK_FLOOR_LIMIT,
  DARK_FLOOR_RATIO,
  EDGE_SIGNAL,
  MIXED_RANGE,
  RANGE_SPREAD,
} from "../reference/values.ts";
import { box, material, profileScene } from "./profiles.ts";

const LIGHT_SPEED = 299_792_458;

/** Sees a 0.8 wall just at 4 m; no photon noise. */
const budget: SensorNoise = {
  gate: 100,
  seen: { reflectance: 0.8, range: 4 },
  frequency: 60e6,
  wrap: false,
  dark: 100,
  contrast: 0.8,
  sun: [],
  saturation: 1e9,
  amplitudeUnit: 1,
  shot: false,
  subRays: 1,
  random: new Random(1),
};

/** A row of pixels looking at floor points `ahead` metres on: one pixel each, at the exact angle. */
function floorRow(ahead: readonly number[], height: number, reflectance: number, noise: SensorNoise) {
  const scene = profileScene("flat", 0, reflectance);
  const optics: PinholeOptics = {
    model: "pinhole",
    width: 1,
    height: 1,
    fx: 1000,
    fy: 1000,
    cx: 0,
    cy: 0,
    measures: "range",
    unit: 0.0002,
    minRange: 0.01,
    maxRange: 10,
  };
  return ahead.map((x) => {
    const counts = new Uint16Array(1);
    const amplitude = new Uint16Array(1);
    const pose: Pose = {
      position: [0, 0, height],
      rotation: lensFromAngles(0, Math.atan2(height, x), 0),
    };
    renderDepth(scene, optics, { worldFromLens: pose, time: 0, noise }, { counts, amplitude });
    return { range: counts[0]! * optics.unit, amplitude: amplitude[0]! };
  });
}

describe("signal budget", () => {
  // Source: S = rho h / r^3 for a Lambertian floor, so the gate is met at x = sqrt((rho h R^2 / 0.8)^(2/3) - h^2).
  test.each(DARK_FLOOR_LIMIT)(
    "a floor of reflectance %d is seen up to %d m ahead and no farther",
    (rho, limit) => {
      const [before, beyond] = floorRow([limit - 0.002, limit + 0.002], 0.3, rho, budget);
      expect(before!.range).toBeGreaterThan(0);
      expect(beyond!.range).toBe(0);
    },
  );

  test("floor amplitudes fall as h / r^3 against a 0.8 wall at 1 m", () => {
    const fine = { ...budget, gate: 1e-3, amplitudeUnit: 7e-8 };
    const row = floorRow(
      DARK_FLOOR_RATIO.map(([metres]) => metres),
      0.3,
      0.05,
      fine,
    );
    // A 0.8 wall returns the gate at 4 m, so 16 times that at 1 m.
    const wall = (16 * fine.gate) / fine.amplitudeUnit;
    row.forEach(({ amplitude }, i) => {
      const rounding = 0.5 / wall + 0.5e-5; // of the count, and of the printed digits
      expect(Math.abs(amplitude / wall - DARK_FLOOR_RATIO[i]![1])).toBeLessThan(rounding);
    });
  });

  test("a 0.4 floor at 0.65 m comes back 6.54 times as strong as the gate", () => {
    const [edge] = floorRow([0.65], 0.3, 0.4, { ...budget, gate: 10_000 });
    expect(Math.abs(edge!.amplitude / 10_000 / EDGE_SIGNAL - 1)).toBeLessThan(0.02);
  });

  /** For bearings every 10 degrees: the farthest forward coordinate in the world that returns something. */
  function farthest(kind: string, edge: number, rho: number, lensX: number): Map<number, number> {
    const half = 40 * (Math.PI / 180);
    const optics: PinholeOptics = {
      model: "pinhole",
      width: 401,
      height: 401,
      fx: 200 / Math.tan(half * 1.2),
      fy: 200 / Math.tan(half),
      cx: 200,
      cy: 200,
      measures: "range",
      unit: 0.0001,
      minRange: 0.01,
      maxRange: 6,
    };
    const pose: Pose = { position: [lensX, 0, 0.3], rotation: lensFromAngles(0, 0.5, 0) };
    const counts = new Uint16Array(401 * 401);
    renderDepth(
      profileScene(kind, edge, rho),
      optics,
      { worldFromLens: pose, time: 0, noise: budget },
      { counts, amplitude: new Uint16Array(401 * 401) },
    );
    const rays = lensRays(optics, 1).centre;
    const found = new Map<number, number>();
    counts.forEach((count, i) => {
      if (count === 0) return;
      const [x, y, z] = turn(pose.rotation, [rays[3 * i]!, rays[3 * i + 1]!, rays[3 * i + 2]!]);
      const bearing = Math.abs(Math.atan2(y, x)) / (Math.PI / 180);
      const near = 10 * Math.round(bearing / 10);
      if (Math.abs(bearing - near) > 0.5 || z >= 0) return;
      found.set(near, Math.max(found.get(near) ?? 0, lensX + x * count * optics.unit));
    });
    return found;
  }

  test("a dark floor ends on a circle that moves with the lens, an edge on a straight line that stays", () => {
    for (const lensX of [0, 0.1, 0.2]) {
      const dark = farthest("flat", 0, 0.05, lensX);
      const edge = farthest("void", 0.65, 0.4, lensX);
      // Source: the budget's limit is a circle of 0.5984 m about the foot point; 0/20/40 degrees: forward
      // 0.5984, 0.5624, 0.4584. An edge at 0.65 m is at 0.65 m for each lens and bearing.
      for (const [bearing, forward] of [
        [0, 0.5984],
        [20, 0.5624],
        [40, 0.4584],
      ] as const) {
        expect(Math.abs(dark.get(bearing)! - lensX - forward)).toBeLessThan(0.02 * forward);
        expect(Math.abs(edge.get(bearing)! - 0.65)).toBeLessThan(0.01);
      }
    }
  });

  test("a return beyond saturation blinds the pixel but leaves its amplitude", () => {
    const [near] = floorRow([0.3], 0.3, 0.8, { ...budget, saturation: 500 });
    expect(near!.range).toBe(0);
    expect(near!.amplitude).toBeGreaterThan(500);
  });
});

/** Many pixels that all look straight ahead. */
const staring = (width: number, height: number): PinholeOptics => ({
  model: "pinhole",
  width,
  height,
  fx: 1e7,
  fy: 1e7,
  cx: (width - 1) / 2,
  cy: (height - 1) / 2,
  measures: "range",
  unit: 0.0001,
  minRange: 0,
  maxRange: 5,
});
const ahead: Pose = { position: [0, 0, 0], rotation: lensFromAngles(0, 0, 0) };

describe("photon noise", () => {
  test("ranges spread by c / (4 pi f) sqrt(B / 2) / A", () => {
    const optics = staring(800, 500); // 400 000 draws
    const wall = new Scene([material(0.8)], [box([1, -5, -5], [2, 5, 5])]);
    // A = 200 and B = dark + A / contrast = 400 for a 0.8 wall at 1 m.
    const noise: SensorNoise = {
      ...budget,
      gate: 20,
      seen: { reflectance: 0.8, range: Math.sqrt(10) },
      dark: 200,
      contrast: 1,
      shot: true,
      random: new Random(7),
    };
    const counts = new Uint16Array(400_000);
    renderDepth(
      wall,
      optics,
      { worldFromLens: ahead, time: 0, noise },
      { counts, amplitude: new Uint16Array(400_000) },
    );
    let sum = 0;
    let squares = 0;
    for (const count of counts) {
      const error = count * optics.unit - 1;
      sum += error;
      squares += error * error;
    }
    const sigma = Math.sqrt(squares / counts.length - (sum / counts.length) ** 2);
    // Four-phase shot noise, 60 MHz, A 200, B 400.
    expect(Math.abs(sigma / RANGE_SPREAD - 1)).toBeLessThan(0.01);
    expect(Math.abs(sum / counts.length)).toBeLessThan(0.0003);
  });

  test("with no target a gate of 3 sigma lets 1.11 % of pixels through, spread over the whole range", () => {
    const optics = staring(800, 500);
    const sigma = Math.sqrt(2 * 400) / 2;
    const noise = { ...budget, gate: 3 * sigma, dark: 400, wrap: true, shot: true, random: new Random(3) };
    const counts = new Uint16Array(400_000);
    renderDepth(
      new Scene([material(0.8)], []),
      optics,
      { worldFromLens: ahead, time: 0, noise },
      { counts, amplitude: new Uint16Array(400_000) },
    );
    const seen = counts.filter((count) => count > 0);
    // Source: Rayleigh tail, exp(-9 / 2).
    expect(Math.abs(seen.length / counts.length / 0.011109 - 1)).toBeLessThan(0.05);
    const half = LIGHT_SPEED / (2 * 60e6) / 2;
    const near = seen.filter((count) => count * optics.unit < half).length;
    expect(Math.abs(near / seen.length - 0.5)).toBeLessThan(0.03);
  });

  test("sunlight on a surface raises its noise", () => {
    const optics = staring(100, 100);
    const wall = new Scene([material(0.8)], [box([1, -5, -5], [2, 5, 5])]);
    const spread = (sun: SensorNoise["sun"]): number => {
      const counts = new Uint16Array(10_000);
      const noise = { ...budget, sun, shot: true, random: new Random(5) };
      renderDepth(
        wall,
        optics,
        { worldFromLens: ahead, time: 0, noise },
        { counts, amplitude: new Uint16Array(10_000) },
      );
      return Math.sqrt(
        counts.reduce((sum, count) => sum + (count * optics.unit - 1) ** 2, 0) / counts.length,
      );
    };
    const shade = spread([]);
    const lit = spread([{ rect: [0.5, -1, 1.5, 1], counts: 50_000 }]);
    // B grows from 100 + 1600 / 0.8 to that plus 0.8 * 50 000; sigma goes with its root.
    expect(lit / shade).toBeCloseTo(Math.sqrt((2100 + 40_000) / 2100), 0);
  });

  test("a wrapping sensor reads a far wall short by whole multiples of c / 2f", () => {
    const wall = new Scene([material(0.8)], [box([3, -5, -5], [4, 5, 5])]);
    const counts = new Uint16Array(1);
    renderDepth(
      wall,
      staring(1, 1),
      { worldFromLens: ahead, time: 0, noise: { ...budget, wrap: true } },
      { counts, amplitude: new Uint16Array(1) },
    );
    expect(Math.abs(counts[0]! * 0.0001 - 0.50173)).toBeLessThan(1e-4); // 3.0 m at 60 MHz
  });
});

describe("more than one surface in a pixel", () => {
  test("a pixel half at 0.5 m and half at 2.5 m reads nearer than both", () => {
    const optics = { ...staring(3, 1), fx: 1e5, fy: 1e5, unit: 0.00001, maxRange: 0.6 };
    // The near box ends a tenth of a pixel right of the middle pixel's centre: of its 2 x 2 sub-rays half meet it.
    const edge = -(0.1 / 1e5) * 0.5;
    const scene = new Scene(
      [material(0.8)],
      [box([0.5, edge, -5], [0.6, 5, 5]), box([2.5, -20, -20], [3, 20, 20])],
    );
    const counts = new Uint16Array(3);
    renderDepth(
      scene,
      optics,
      { worldFromLens: ahead, time: 0, noise: { ...budget, subRays: 2 } },
      { counts, amplitude: new Uint16Array(3) },
    );
    expect(counts[0]! * optics.unit).toBeCloseTo(0.5, 4);
    // Sum of two phasors, 60 MHz, each by the inverse square of its range.
    expect(Math.abs(counts[1]! * optics.unit - MIXED_RANGE)).toBeLessThan(1e-5);
  });

  test("a mirror-like floor gives a phantom below itself, where the mirror image stands", () => {
    // A post in front of the lens stands behind a mirror floor; the ray off the floor goes up to the post.
    const scene = new Scene(
      [material(0, { mirror: 0.9 }), material(0.8)],
      [box([-1, -2, -0.1], [3, 2, 0]), box([1.2, -1, 0], [1.4, 1, 1], 1)],
    );
    const height = 0.3;
    const x = 0.8; // where the ray meets the floor: before the post
    const pose: Pose = { position: [0, 0, height], rotation: lensFromAngles(0, Math.atan2(height, x), 0) };
    const counts = new Uint16Array(1);
    const amplitude = new Uint16Array(1);
    const optics = { ...staring(1, 1), unit: 0.0001 };
    renderDepth(
      scene,
      optics,
      { worldFromLens: pose, time: 0, noise: { ...budget, amplitudeUnit: 0.02 } },
      { counts, amplitude },
    );
    const range = counts[0]! * optics.unit;
    // Mirror image: go on straight below the floor until the post's face at x = 1.2.
    const direct = Math.hypot(x, height) * (1.2 / x);
    expect(Math.abs(range - direct)).toBeLessThan(1e-4);
    const below = height - range * Math.sin(Math.atan2(height, x));
    expect(below).toBeCloseTo(-0.15, 4);
    // Twice off the mirror: 0.9^2 of what a post seen directly at that distance and angle returns.
    const cos = x / Math.hypot(x, height);
    const whole = ((100 * 16) / 0.8) * 0.81 * ((0.8 * cos) / direct ** 2);
    expect(Math.abs((amplitude[0]! * 0.02) / whole - 1)).toBeLessThan(1e-3);
  });

  test("glass lets the wall behind it through, with less light", () => {
    const wall = box([2, -5, -5], [2.1, 5, 5]);
    const pane = box([1, -5, -5], [1.006, 5, 5], 1);
    const materials = [material(0.8), material(0, { transparent: 0.9 })];
    const look = (solids: ReturnType<typeof box>[]) => {
      const counts = new Uint16Array(1);
      const amplitude = new Uint16Array(1);
      renderDepth(
        new Scene(materials, solids),
        staring(1, 1),
        { worldFromLens: ahead, time: 0, noise: budget },
        { counts, amplitude },
      );
      return { range: counts[0]! * 0.0001, amplitude: amplitude[0]! };
    };
    const clear = look([wall]);
    const glazed = look([wall, pane]);
    expect(glazed.range).toBeCloseTo(clear.range, 3);
    expect(glazed.amplitude / clear.amplitude).toBeCloseTo(0.81, 2); // through it twice
  });
});
