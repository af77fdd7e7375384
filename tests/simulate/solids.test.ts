import { describe, expect, test } from "vitest";
import { Random } from "../../src/simulate/random.ts";
import { Scene } from "../../src/simulate/scene.ts";
import type { Solid } from "../../src/simulate/solids.ts";
import { always, box, material } from "./profiles.ts";

const plain = [material(0.5)];
const block = (yaw: number, heights: [number, number]): Solid => ({
  ...box([-0.7, -0.4, 0.1], [0.9, 0.6, 1]),
  yaw,
  heights,
});
const round = (shape: "cylinder" | "capsule"): Solid => ({
  shape,
  name: shape,
  material: 0,
  ...always,
  x: 0.2,
  y: -0.1,
  base: 0.05,
  top: 1.3,
  radius: 0.45,
});
const SHAPES: [string, Solid][] = [
  ["an upright box", block(0, [1, 1])],
  ["a turned box", block(0.7, [0.9, 0.9])],
  ["a turned ramp", block(-2.1, [0.1, 1.2])],
  ["a cylinder", round("cylinder")],
  ["a capsule", round("capsule")],
];

describe.each(SHAPES)("%s", (_, solid) => {
  const scene = new Scene(plain, [solid]);
  const random = new Random(11);
  const pick = (): [number, number, number] => [
    random.uniform() * 3 - 1.5,
    random.uniform() * 3 - 1.5,
    random.uniform() * 2 - 0.3,
  ];

  test("holds a point just when rays from far away on either side enter before they reach it", () => {
    let inside = 0;
    for (let k = 0; k < 3000; k++) {
      const [x, y, z] = pick();
      const angle = random.uniform() * 2 * Math.PI;
      const up = random.uniform() * 2 - 1;
      const flat = Math.sqrt(1 - up * up);
      const d = [flat * Math.cos(angle), flat * Math.sin(angle), up] as const;
      const enters = (sign: number): boolean =>
        scene.cast(
          x - sign * 9 * d[0],
          y - sign * 9 * d[1],
          z - sign * 9 * d[2],
          sign * d[0],
          sign * d[1],
          sign * d[2],
          0,
        ) < 9;
      const expected = enters(1) && enters(-1);
      expect(scene.solidAt(x, y, z, 0)).toBe(expected);
      if (expected) inside++;
    }
    expect(inside).toBeGreaterThan(100);
  });

  test("is met on its surface, with a normal that points back out", () => {
    let met = 0;
    for (let k = 0; k < 2000; k++) {
      const from = pick();
      const to = pick();
      if (scene.solidAt(from[0], from[1], from[2], 0)) continue;
      const d = [to[0] - from[0], to[1] - from[1], to[2] - from[2]] as const;
      const t = scene.cast(from[0], from[1], from[2], d[0], d[1], d[2], 0);
      if (t === Number.POSITIVE_INFINITY) continue;
      met++;
      const p = from.map((c, a) => c + t * d[a]!);
      const n = [scene.hitNormalX, scene.hitNormalY, scene.hitNormalZ];
      const at = (step: number): boolean =>
        scene.solidAt(p[0]! + step * n[0]!, p[1]! + step * n[1]!, p[2]! + step * n[2]!, 0);
      expect(Math.hypot(...n)).toBeCloseTo(1, 12);
      expect(n[0]! * d[0] + n[1]! * d[1] + n[2]! * d[2]).toBeLessThanOrEqual(1e-12);
      expect(at(1e-7)).toBe(false);
      expect(at(-1e-7)).toBe(true);
    }
    expect(met).toBeGreaterThan(200);
  });

  test("voxels are empty, partly or wholly solid as points sampled in them say", () => {
    const seen = [0, 0, 0];
    for (let k = 0; k < 1500; k++) {
      const min = pick();
      const size = 0.05 + 0.3 * random.uniform();
      const max: [number, number, number] = [min[0] + size, min[1] + size, min[2] + size];
      const answer = scene.overlapsBox(min, max, 0);
      seen[answer]!++;
      let hits = 0;
      const n = 7;
      for (let s = 0; s < n ** 3; s++) {
        // Corners and faces themselves are in the sample, a hair inwards.
        const at = (i: number): number => 1e-7 + ((i % n) / (n - 1)) * (size - 2e-7);
        const [i, j, l] = [s, Math.floor(s / n), Math.floor(s / n ** 2)];
        if (scene.solidAt(min[0] + at(i), min[1] + at(j), min[2] + at(l), 0)) hits++;
      }
      if (hits === n ** 3) expect(answer).toBe(2);
      else if (hits > 0) expect(answer).toBe(1);
      else expect(answer).not.toBe(2); // a corner may be nicked between samples
    }
    expect(Math.min(...seen)).toBeGreaterThan(5);
  });
});

test("voxels that only touch a floor are empty", () => {
  const scene = new Scene(plain, [box([-1, -1, -0.2], [1, 1, 0])]);
  expect(scene.overlapsBox([0, 0, 0], [0.05, 0.05, 0.05], 0)).toBe(0);
  expect(scene.overlapsBox([0, 0, -0.025], [0.05, 0.05, 0.025], 0)).toBe(1);
  expect(scene.overlapsBox([0, 0, -0.05], [0.05, 0.05, 0], 0)).toBe(2);
  expect(scene.overlapsBox([0.98, 0, -0.05], [1.03, 0.05, 0], 0)).toBe(1);
});

test("a turned box leaves the corner of its bounds free", () => {
  const scene = new Scene(plain, [{ ...box([-1, -1, 0], [1, 1, 1]), yaw: Math.PI / 4 }]);
  expect(scene.overlapsBox([1.0, 1.0, 0.2], [1.3, 1.3, 0.4], 0)).toBe(0);
  expect(scene.overlapsBox([0.6, 0.6, 0.2], [0.9, 0.9, 0.4], 0)).toBe(1); // reaches over the slanted side
});

test("of many solids a ray meets the nearest, whatever the order they are given in", () => {
  const random = new Random(4);
  const solids: Solid[] = Array.from({ length: 200 }, () => {
    const [, shape] = SHAPES[Math.floor(random.uniform() * SHAPES.length)]!;
    return { ...shape, x: random.uniform() * 40 - 20, y: random.uniform() * 40 - 20 };
  });
  const whole = new Scene(plain, solids);
  const alone = solids.map((solid) => new Scene(plain, [solid]));
  for (let k = 0; k < 500; k++) {
    const o = [random.uniform() * 40 - 20, random.uniform() * 40 - 20, random.uniform() * 2] as const;
    const d = [random.uniform() - 0.5, random.uniform() - 0.5, (random.uniform() - 0.5) * 0.1] as const;
    const nearest = Math.min(...alone.map((one) => one.cast(...o, ...d, 0)));
    expect(whole.cast(...o, ...d, 0)).toBe(nearest);
    const guess = Math.floor(random.uniform() * solids.length);
    expect(whole.cast(...o, ...d, 0, -1, guess)).toBe(nearest);
    const flat = alone.some((one) => one.solidAt(o[0], o[1], o[2], 0));
    expect(whole.solidAt(o[0], o[1], o[2], 0)).toBe(flat);
  }
});

test("rays along the axes are not lost", () => {
  const scene = new Scene(plain, [box([1, -1, -1], [2, 1, 1]), box([-1, 3, -1], [1, 4, 1])]);
  expect(scene.cast(0, 0, 0, 1, 0, 0, 0)).toBe(1);
  expect(scene.cast(0, 0, 0, 0, 1, 0, 0)).toBe(3);
  expect(scene.cast(1.5, 0, 5, 0, 0, -1, 0)).toBe(4);
  expect(scene.cast(0, 0, 0, -1, 0, 0, 0)).toBe(Number.POSITIVE_INFINITY);
  expect(scene.hitSolid).toBe(-1);
});

describe("time", () => {
  const lasting = { ...box([1, -1, 0], [2, 1, 1]), from: 5, until: 8 };
  const walker = {
    parts: [box([-0.1, -0.1, 0], [0.1, 0.1, 1])],
    swings: [{ reach: 0, period: 1, phase: 0 }],
    way: [
      { time: 2, x: 0, y: -3 },
      { time: 4, x: 0, y: 3 },
    ],
  };
  const scene = new Scene(plain, [lasting, box([9, -9, 0], [10, 9, 1])], [walker]);

  test("a solid is there from its first moment and gone at its last", () => {
    expect([4.999, 5, 7.999, 8].map((time) => scene.solidAt(1.5, 0, 0.5, time))).toEqual([
      false,
      true,
      true,
      false,
    ]);
  });

  test("a walker is on its path, and absent before and after", () => {
    const looking = (time: number): number => scene.cast(-1, 0.3, 0.5, 1, 0, 0, time);
    expect(looking(3.1)).toBeCloseTo(0.9, 9); // at y = 0.3 at 3.1 s
    expect(looking(2.5)).toBe(10);
    expect(looking(1)).toBe(10);
    expect(scene.solidAt(0, -3, 0.5, 1.9)).toBe(false);
    expect(scene.solidAt(0, -2.95, 0.5, 2)).toBe(true);
    expect(scene.solidAt(0, 2.95, 0.5, 4)).toBe(false);
  });
});
