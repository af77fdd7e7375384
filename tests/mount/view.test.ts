import { describe, expect, test } from "vitest";
import { fastestWithin, floorAt, planView, stoppingDistance, treadsFrom } from "../../src/mount/view.ts";
import { DARK_FLOOR_LIMIT } from "../reference/values.ts";

const DEGREE = Math.PI / 180;
const PLAN = {
  ...{
    height: 0.3,
    pitch: 25 * DEGREE,
    below: 29 * DEGREE,
    above: 29 * DEGREE,
    front: 0.05,
    bodyHeight: 0.6,
  },
  speed: 0.5,
  delay: 0.15,
  deceleration: 1.5,
  margin: 0.12,
  lookout: 2,
  wallRange: 4,
};

describe("stopping", () => {
  // Source: v t + v^2 / (2 a), uniform deceleration.
  test.each([
    [0.3, 0.2, 1, 0.105],
    [0.5, 0.15, 1.5, 0.158333],
    [1, 0.25, 2, 0.5],
  ])("from %d m/s after %d s at %d m/s2", (v, t, a, expected) => {
    expect(stoppingDistance(v, t, a)).toBeCloseTo(expected, 6);
  });

  // Source: the same solved for v, a (sqrt(t^2 + 2 d / a) - t).
  test.each([
    [0.235, 0.2, 0.514143],
    [0.47, 0.2, 0.789949],
    [0.1, 0.15, 0.321699],
  ])("within %d m after %d s at 1 m/s2", (d, t, expected) => {
    expect(fastestWithin(d, t, 1)).toBeCloseTo(expected, 6);
  });

  test("no way, no speed", () => {
    expect(fastestWithin(0, 0.2, 1)).toBe(0);
    expect(fastestWithin(-0.1, 0.2, 1)).toBe(0);
  });
});

describe("what a mounted lens sees", () => {
  test("the image's edges meet the floor where similar triangles say", () => {
    const { near, far, blind } = planView({ ...PLAN, pitch: 30 * DEGREE, above: 20 * DEGREE });
    // By hand: 0.3 / tan 59 and 0.3 / tan 10 degrees.
    expect(near).toBeCloseTo(0.180258, 6);
    expect(far).toBeCloseTo(1.701385, 6);
    expect(blind).toBeCloseTo(0.130258, 6);
  });

  test("a ray at or above the horizon never meets the floor, one straight down does at once", () => {
    expect(floorAt(0.3, 0)).toBe(Number.POSITIVE_INFINITY);
    expect(floorAt(0.3, -0.1)).toBe(Number.POSITIVE_INFINITY);
    expect(floorAt(0.3, Math.PI / 2)).toBe(0);
    expect(planView(PLAN).far).toBe(Number.POSITIVE_INFINITY);
  });

  test("at the shallowest pitch the nearest floor seen is where an edge must be known; at the steepest the base's height just shows", () => {
    const { shallowest, steepest, needed } = planView(PLAN);
    expect(planView({ ...PLAN, pitch: shallowest }).near).toBeCloseTo(needed, 9);
    // The upper edge of the image, 2 m away: height of the lens plus what the ray climbs.
    expect(PLAN.height + 2 * Math.tan(PLAN.above - steepest)).toBeCloseTo(PLAN.bodyHeight, 9);
  });

  test("from the blind speed the base stops with its margin before the nearest floor that is seen", () => {
    const view = planView({ ...PLAN, pitch: 5 * DEGREE });
    const way = stoppingDistance(view.blindSpeed, PLAN.delay, PLAN.deceleration);
    expect(view.blindSpeed).toBeGreaterThan(0);
    expect(PLAN.front + PLAN.margin + way).toBeCloseTo(view.near, 9);
  });

  test("a degree of pitch is 17.45 mm of floor height a metre away", () => {
    // Source: trigonometry, x tan(1 degree).
    const { heightError, needed } = planView(PLAN);
    expect(heightError / needed).toBeCloseTo(0.017455, 6);
  });

  test("dark floors end where their light meets the gate, and treads begin where the sight line meets them", () => {
    // Sight line by similar triangles: d = h G / R, with the riser of 178 mm and the tread of 279 mm of IBC 1011.5.2.
    const { dark, treads } = planView(PLAN);
    expect(dark.length).toBe(3);
    for (const [rho, ahead] of dark) {
      expect(ahead).toBeCloseTo(DARK_FLOOR_LIMIT.find(([one]) => one === rho)![1], 4);
    }
    expect(treads).toBeCloseTo((0.3 * 0.279) / 0.178, 4);
    expect(treadsFrom(0.15)).toBeCloseTo((0.15 * 0.279) / 0.178, 4);
  });

  test("what makes no sense is refused by name", () => {
    expect(() => planView({ ...PLAN, height: 0 })).toThrow(/height is 0 m; it must be 0.03 to 3/);
    expect(() => planView({ ...PLAN, pitch: 2 })).toThrow(/pitch is 114\.\d+ degrees/);
    expect(() => planView({ ...PLAN, speed: Number.NaN })).toThrow(/speed is NaN/);
  });
});
