import { describe, expect, test } from "vitest";
import {
  type BodyDescription,
  bodyLimits,
  climbForce,
  holds,
  parseFootprint,
  permittedSpeed,
  separationDistance,
  stoppingDistance,
  wheelSink,
  widestGap,
} from "../../src/guard/body.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

const body: BodyDescription = {
  footprint: parseFootprint("0.2,0.15 0.2,-0.15 -0.2,-0.15 -0.2,0.15"),
  height: 0.6,
  wheelRadius: 0.06,
  climbableStep: 0.015,
  tolerableDrop: 0.015,
  deceleration: 1,
  reactionDelay: 0.2,
};

describe("what brakes and delays allow", () => {
  // Source: uniform deceleration, v t + v^2 / (2 a).
  test.each([
    [0.3, 0.2, 1, 0.105],
    [0.5, 0.15, 1.5, 0.158333333],
    [1, 0.25, 2, 0.5],
  ])("from %d m/s with %d s delay and %d m/s^2 the body stands after %d m", (v, t, a, expected) => {
    expect(stoppingDistance(v, t, a)).toBeCloseTo(expected, 9);
  });

  // Source: the same solved for v, a (sqrt(t^2 + 2 d / a) - t).
  test.each([
    [0.235, 0.2, 1, 0.514143],
    [0.47, 0.2, 1, 0.789949],
    [0.1, 0.15, 1, 0.321699],
  ])("%d m of look-ahead with %d s delay and %d m/s^2 permit %d m/s", (d, t, a, expected) => {
    expect(permittedSpeed(d, t, a)).toBeCloseTo(expected, 6);
    expect(stoppingDistance(permittedSpeed(d, t, a), t, a)).toBeCloseTo(d, 12);
  });

  test("without room, or with a nonsense distance, nothing is permitted", () => {
    for (const d of [0, -0.1, Number.NaN]) expect(permittedSpeed(d, 0.2, 1)).toBe(0);
  });

  // Worked by hand from S = K T + C of ISO 13855 (constants from memory): C = 8 (d - 14 mm); K = 2 m/s, at least 0.1 m; above
  // 0.5 m K = 1.6 m/s, at least 0.5 m.
  test.each([
    [0.02, 0.18, 0.408], // 2 * 0.18 + 0.048
    [0.03, 0.15, 0.428], // 2 * 0.15 + 0.128
    [0.03, 0.3, 0.608], // 2 * 0.3 + 0.128 is above 0.5: 1.6 * 0.3 + 0.128
    [0.014, 0.27, 0.5], // 2 * 0.27 is above 0.5, 1.6 * 0.27 below it: the least is 0.5
    [0.01, 0.02, 0.1], // 2 * 0.02, finer than 14 mm adds nothing: the least is 0.1
  ])(
    "a device that resolves %d m, before a machine that stands after %d s, stands %d m away",
    (d, t, expected) => {
      expect(separationDistance(d, t)).toBeCloseTo(expected, 12);
    },
  );
});

describe("what wheels take", () => {
  // Source: circle geometry, three figures worked out by hand.
  test.each([
    [0.035, 0.02, 1.459e-3],
    [0.035, 0.04, 6.2772e-3],
  ])("a wheel of %d m over a gap of %d m sinks %d m", (r, w, expected) => {
    expect(Math.abs(wheelSink(r, w) / expected - 1)).toBeLessThan(1e-4);
    expect(widestGap(r, wheelSink(r, w))).toBeCloseTo(w, 12);
  });
  test("a wheel falls into a gap as wide as itself", () => {
    expect(wheelSink(0.035, 0.07)).toBe(Number.POSITIVE_INFINITY);
  });
  test("half an inch up asks a 35 mm wheel for 1.21 times its load", () => {
    expect(climbForce(0.035, 0.0127)).toBeCloseTo(1.209691, 4);
    expect(climbForce(0.035, 0.035)).toBe(Number.POSITIVE_INFINITY);
  });
});

testWith("python", "the closed forms agree with a simulated stop and a rolled wheel", () => {
  const script = `
import sys, json
v, t, a, r, w = 0.45, 0.18, 0.9, 0.06, 0.05
x, dt = v * t, 1e-6
while v > 0: x += v * dt; v -= a * dt
# A wheel resting on two edges: the height at which its rim passes through both, by bisection.
lo, hi = 0.0, r
for _ in range(200):
    m = (lo + hi) / 2
    touches = (w / 2) ** 2 + (r - m) ** 2 >= r * r
    lo, hi = (m, hi) if touches else (lo, m)
print(json.dumps([x, lo]))`;
  const [stop, sink] = JSON.parse(runPython(script)) as [number, number];
  expect(stoppingDistance(0.45, 0.18, 0.9)).toBeCloseTo(stop, 5);
  expect(wheelSink(0.06, 0.05)).toBeCloseTo(sink, 9);
});

describe("a body", () => {
  test("its limits follow from wheels and outline", () => {
    const limits = bodyLimits(body);
    expect(limits).toMatchObject({ drop: 0.015, step: 0.015, front: 0.2, rear: -0.2, halfWidth: 0.15 });
    expect(limits.radius).toBeCloseTo(0.25, 12);
    expect(wheelSink(body.wheelRadius, limits.gap)).toBeCloseTo(body.tolerableDrop, 12);
  });
  test.each([
    ["tolerableDrop", 0.01, "at least 0.013"],
    ["tolerableDrop", 0.07, "below the wheel's radius"],
    ["climbableStep", 0.06, "below the wheel's radius"],
    ["deceleration", 0, "above 0"],
    ["reactionDelay", -1, "0 or more"],
  ] as const)("%s of %d is refused by name", (field, value, why) => {
    expect(() => bodyLimits({ ...body, [field]: value })).toThrow(new RegExp(`body.${field}.*${why}`));
  });
  test("an outline that leaves the floor point out, or is no polygon, is refused", () => {
    expect(() => bodyLimits({ ...body, footprint: parseFootprint("1,1 2,1 2,2") })).toThrow(/go around/);
    expect(() => bodyLimits({ ...body, footprint: parseFootprint("1,1 -1,-1") })).toThrow(/corners/);
    expect(() => parseFootprint("1,1 2 3,3")).toThrow(/corner 2/);
    expect(() => parseFootprint("")).toThrow(/corner 1/);
  });
  test("a point is inside an L or not, whichever way round it is written, level with a corner or not", () => {
    const ell = parseFootprint("-1,-1 1,-1 1,0 0,0 0,1 -1,1");
    for (const outline of [ell, [...ell].reverse()]) {
      const inside = [
        [-0.5, 0.5],
        [0.5, -0.5],
        [-0.5, 0],
      ] as const;
      const outside = [
        [0.5, 0.5],
        [2, 0],
        [-2, -1],
        [-2, 0],
        [0.5, 1],
      ] as const;
      for (const [x, y] of inside) expect(holds(outline, x, y)).toBe(true);
      for (const [x, y] of outside) expect(holds(outline, x, y)).toBe(false);
    }
  });
});
