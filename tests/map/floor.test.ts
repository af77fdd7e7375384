import { describe, expect, test } from "vitest";
import type { PinholeOptics } from "../../src/geometry/optics.ts";
import { rayTable } from "../../src/geometry/rays.ts";
import { FloorLayer } from "../../src/map/floor.ts";
import { seededNormal } from "../helpers/compare.ts";

const optics: PinholeOptics = {
  model: "pinhole",
  width: 120,
  height: 90,
  fx: 90,
  fy: 90,
  cx: 59.5,
  cy: 44.5,
  measures: "z",
  unit: 0.001,
  minRange: 0.1,
  maxRange: 5,
};
const rays = rayTable(optics);
const HEIGHT = 0.4;
/** Looking along world x, 25 degrees down. */
const PITCH = (25 * Math.PI) / 180;
const [c, s] = [Math.cos(PITCH), Math.sin(PITCH)];
const ROTATION = Float64Array.from([0, -s, c, -1, 0, 0, 0, -c, -s]);
/** Units of depth a metre: fine, so that rounding plays no part. */
const UNITS = 10_000;

/** z-depth of the height field z(x), found along each ray by bisection between the lens and 3.2 m. */
function view(z: (x: number) => number, lens = HEIGHT, noise: () => number = () => 0): Uint16Array {
  return Uint16Array.from({ length: 120 * 90 }, (_, i) => {
    const dx = ROTATION[1]! * rays.y[i]! + ROTATION[2]!;
    const dz = ROTATION[7]! * rays.y[i]! + ROTATION[8]!;
    const above = (t: number) => lens + t * dz - z(t * dx);
    // The first sign change along the ray, in steps of a centimetre.
    let t = 0.01;
    while (t < 3.2 && above(t) > 0) t += 0.01;
    if (t >= 3.2) return 0;
    let low = t - 0.01;
    for (let n = 0; n < 30; n++) {
      const middle = (low + t) / 2;
      if (above(middle) > 0) low = middle;
      else t = middle;
    }
    return Math.max(0, Math.round((t + noise()) * UNITS));
  });
}

function layer(frames: readonly Uint16Array[], lens = HEIGHT, size = 0.05): FloorLayer {
  const floor = new FloorLayer(size, { band: 0.35, slope: (15 * Math.PI) / 180 });
  frames.forEach((depth, n) => {
    const position = Float64Array.from([0, 0, lens]);
    const view = { rays, unitsPerMetre: UNITS, rotation: ROTATION, floorHeight: 0, step: 2, stride: 2 };
    floor.addFrame({ ...view, depth, position, frame: n + 1 });
  });
  return floor;
}

describe("floor heights", () => {
  test("a level floor has its height, whatever its place in a voxel", () => {
    for (const offset of [0, 0.01, 0.024, 0.026, 0.049]) {
      const frames = Array.from({ length: 4 }, () => view(() => offset, HEIGHT + offset));
      const floor = layer(frames, HEIGHT + offset);
      // Farther away rows of pixels are more than a column apart.
      for (let i = 12; i < 20; i++) expect(floor.heightAt(i, 0)).toBeCloseTo(offset, 3);
    }
  });

  test("a 12 mm threshold strip and a 1:12 ramp are floor, with their heights", () => {
    // 12 mm below ADA 303.3's 13 mm; the ramp is ADA 405.2's steepest.
    const strip = layer(Array.from({ length: 4 }, () => view((x) => (x > 1 && x < 1.2 ? 0.012 : 0))));
    expect(strip.heightAt(22, 0)).toBeCloseTo(0.012, 3);
    expect(strip.heightAt(30, 0)).toBeCloseTo(0, 3);
    const ramp = layer(Array.from({ length: 4 }, () => view((x) => (x > 0.8 ? (x - 0.8) / 12 : 0))));
    for (let i = 20; i < 34; i += 3) {
      expect(Math.abs(ramp.heightAt(i, 0) - ((i + 0.5) * 0.05 - 0.8) / 12)).toBeLessThan(0.003);
    }
  });

  test("a step down is two floors, each with its own height, and nothing between", () => {
    const floor = layer(Array.from({ length: 4 }, () => view((x) => (x < 1 ? 0 : -0.17))));
    expect(floor.heightAt(18, 0)).toBeCloseTo(0, 3);
    expect(floor.heightAt(34, 0)).toBeCloseTo(-0.17, 3);
    for (let i = 0; i < 60; i++) {
      const height = floor.heightAt(i, 0);
      if (!Number.isNaN(height))
        expect(Math.min(Math.abs(height), Math.abs(height + 0.17))).toBeLessThan(0.002);
    }
  });

  test("a wall and a table top are no floor", () => {
    const wall = layer([view((x) => (x < 1 ? 0 : 10))]);
    expect(wall.at(20, 0)).toBeNull();
    const table = layer([view((x) => (x > 1 ? 0.36 : 0))]);
    for (let i = 21; i < 60; i++) expect(table.at(i, 0)).toBeNull();
  });

  test("noise of single samples shows as deviation, and the mean gets better with more of them", () => {
    const noise = seededNormal(7);
    const frames = Array.from({ length: 40 }, () =>
      view(
        () => 0,
        HEIGHT,
        () => 0.004 * noise(),
      ),
    );
    const column = layer(frames).at(16, 0)!;
    // Along the ray 4 mm; on the floor the sine of the angle between ray and floor of that, about 0.45 here.
    expect(column.deviation).toBeGreaterThan(0.001);
    expect(column.deviation).toBeLessThan(0.003);
    expect(Math.abs(column.height)).toBeLessThan(0.001);
    expect(column.count).toBeGreaterThan(30);
    expect(column.lastSeen).toBeGreaterThan(30);
  });

  test("a rug laid down later is learnt, a single bad frame is not", () => {
    const before = Array.from({ length: 10 }, () => view(() => 0));
    const rug = view(() => 0.03);
    expect(layer([...before, rug]).heightAt(20, 0)).toBeCloseTo(0, 3);
    expect(layer([...before, ...Array.from({ length: 30 }, () => rug)]).heightAt(20, 0)).toBeCloseTo(0.03, 3);
  });

  test("settings out of bounds are refused by name", () => {
    expect(() => new FloorLayer(0.05, { band: 0, slope: 0.2 })).toThrow(/floor.band is 0/);
    expect(() => new FloorLayer(0.05, { band: 0.3, slope: 2 })).toThrow(/floor.slope is 2/);
  });
});
