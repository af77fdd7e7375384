import { expect, test } from "vitest";
import type { PinholeOptics } from "../../src/geometry/optics.ts";
import { FloorFitter, findFloor } from "../../src/mount/floor-plane.ts";
import { DepthMask } from "../../src/sense/mask.ts";
import { FrameSampler } from "../../src/track/sampler.ts";
import { expectClose, seededNormal } from "../helpers/compare.ts";
import { FLOOR_DEPTHS } from "../reference/values.ts";

const DEGREE = Math.PI / 180;
const OPTICS: PinholeOptics = {
  model: "pinhole",
  width: 80,
  height: 60,
  fx: 45.211775,
  fy: 45.211775,
  cx: 39.5,
  cy: 29.5,
  measures: "z",
  unit: 0.0001,
  minRange: 0.05,
  maxRange: 5,
};
const HEIGHT = 0.3;
const PITCH = 30 * DEGREE;
const UP = [0, -Math.cos(PITCH), -Math.sin(PITCH)] as const;

/** z-depth of a level floor seen from 0.3 m, 30 degrees down, and of a wall across the way; NaN above the horizon. */
function depthAt(u: number, v: number, wall: number): number {
  const x = (u - OPTICS.cx) / OPTICS.fx;
  const y = (v - OPTICS.cy) / OPTICS.fy;
  const floor = HEIGHT / -(UP[0] * x + UP[1] * y + UP[2]);
  // Ahead, along the floor: the axis turned up by the pitch.
  const ahead = Math.cos(PITCH) - Math.sin(PITCH) * y;
  const atWall = wall / ahead;
  return floor > 0 && floor < atWall ? floor : atWall > 0 ? atWall : Number.NaN;
}

function frame(wall: number, noise: (z: number) => number = () => 0): Uint16Array {
  return Uint16Array.from({ length: 4800 }, (_, i) => {
    const z = depthAt(i % 80, Math.floor(i / 80), wall);
    return Number.isFinite(z) && z < 5 ? Math.round((z + noise(z)) / OPTICS.unit) : 0;
  });
}

test("the rendered floor has the depths that numpy computes", () => {
  const [kind, height, pitch, , expected] = FLOOR_DEPTHS[0];
  expect([kind, height, pitch * DEGREE]).toEqual(["flat", HEIGHT, PITCH]);
  expectClose(
    [20, 30, 45].map((v) => depthAt(40, v, 100)),
    expected,
    5e-6,
  );
});

function look(counts: Uint16Array) {
  const mask = new DepthMask(OPTICS);
  const { depth, unitsPerMetre } = mask.apply(counts, null);
  const sampler = new FrameSampler(mask.rays, { wanted: 900 });
  sampler.sample(depth, unitsPerMetre);
  const rough = findFloor(sampler.all, [0, -1, 0]);
  const fitted = rough && new FloorFitter(mask.rays).fit(depth, unitsPerMetre, null, rough);
  if (!fitted) return null;
  const [x, y, z] = fitted.normal;
  return { height: fitted.height, pitch: Math.atan2(-z, -y) / DEGREE, roll: Math.asin(x) / DEGREE };
}

test("a floor is found and fitted with the up direction known only to 30 degrees", () => {
  const floor = look(frame(100))!;
  expect(Math.abs(floor.height - HEIGHT)).toBeLessThan(0.0001);
  expect(Math.abs(floor.pitch - 30)).toBeLessThan(0.02);
  expect(Math.abs(floor.roll)).toBeLessThan(0.02);
});

test("neither noise that grows with range nor the foot of a wall lifts the floor", () => {
  const normal = seededNormal(5);
  let [height, pitch] = [0, 0];
  for (let n = 0; n < 40; n++) {
    const floor = look(frame(1.2, (z) => 0.012 * z * z * normal()))!;
    height += (floor.height - HEIGHT) / 40;
    pitch += (floor.pitch - 30) / 40;
  }
  expect(Math.abs(height)).toBeLessThan(0.0006);
  expect(Math.abs(pitch)).toBeLessThan(0.06);
});

test("where only a wall is in view there is no floor", () => {
  expect(look(frame(0.1))).toBeNull();
});
