import { describe, expect, test } from "vitest";
import { approach, cruise, TRAPS, trap } from "../../tools/lab/floor/courses.ts";
import { driveCourse } from "../../tools/lab/floor/drive.ts";
import { poissonBound, rateInterval } from "../../tools/lab/floor/intervals.ts";

describe("intervals", () => {
  // Source: Clopper & Pearson 1934.
  test("97 of 100, and none of 299", () => {
    const [low, high] = rateInterval(97, 100);
    expect(low).toBeCloseTo(0.914824, 6);
    expect(high).toBeCloseTo(0.99377, 6);
    expect(rateInterval(0, 299)[1]).toBeCloseTo(0.009969, 6);
    expect(rateInterval(0, 299)[0]).toBe(0);
    // 2,995 without a miss bound the rate to 0.1 %: 1 - 0.05^(1/2995).
    expect(rateInterval(0, 2995)[1]).toBeLessThan(0.001);
    expect(rateInterval(0, 2990)[1]).toBeGreaterThan(0.001);
  });
  test("no event in T bounds the rate by 2.996 / T", () => {
    expect(poissonBound(0, 10)).toBeCloseTo(0.2996, 4); // exact: -ln 0.05 = 2.9957
    // Chi-squared tables: 0.5 * 9.4877 for one event.
    expect(poissonBound(1, 1)).toBeCloseTo(4.7439, 3);
  });
});

// The small version of `npm run lab -- score-floor`: closed loop, a base that obeys the pace and nothing else.
describe("driven towards what it must not miss", () => {
  test.each(TRAPS)("%s: no wheel past the edge", (name) => {
    for (const seed of [71, 72]) {
      const outcome = driveCourse({ ...trap(seed, name), duration: 20 });
      expect(outcome.isMiss).toBe(false);
      expect(outcome.frames).toBeGreaterThan(20);
    }
  });

  test.each(["50", "178", "bottomless", "stair"])(
    "%s: it sets out, sees the edge, and stands before it",
    (drop) => {
      let moved = 0;
      for (const seed of [501, 503]) {
        const one = approach(seed, drop);
        // A quicker drive than some of the random ones.
        const outcome = driveCourse({ ...one, speed: 0.5, height: 0.3, pitch: 25, duration: 25 });
        expect(outcome.isMiss).toBe(false);
        if (outcome.way > 0.3) moved++;
        expect(outcome.stopped).toBe(true);
      }
      expect(moved).toBeGreaterThan(0);
    },
  );
});

// Dark floor up to the edge, and a lens that looks far: few returns are left, all from the floor 50 mm below. Each of these was
// once taken for a tilt, and driven over.
test.each([
  ...[2000216, 11000360, 800177, 800020, 21003105].map((seed) => [seed, true] as const),
  // So few returns that they tell no floor from a drop: whoever drove on did so by luck.
  ...[11000468, 21000783].map((seed) => [seed, false] as const),
])("a lower floor in view is no tilt (%d)", (seed, setsOut) => {
  const outcome = driveCourse(approach(seed, "50"));
  expect(outcome.isMiss).toBe(false);
  expect(outcome.stopped).toBe(true);
  expect(outcome.way > 0.5).toBe(setsOut);
});

describe("driven over what is no drop", () => {
  test.each(["black mat", "thresholds", "rug", "ramps", "mirror-like", "braking"] as const)(
    "%s: crossed without a stop and without a brink",
    (floor) => {
      const one = cruise(31, floor);
      const outcome = driveCourse({ ...one, until: 4.6 });
      expect(outcome.stops).toBe(0);
      expect(outcome.brinks).toBe(0);
      expect(outcome.at[0]).toBeGreaterThan(4.5);
      if (floor === "black mat") {
        const plain = (1.2 + 0.42) / one.speed;
        expect(outcome.marks[1]! - outcome.marks[0]!).toBeLessThan(2.5 * plain);
      }
    },
  );
});

test("a bright floor up to a dark one 50 mm lower, both noisy: without an image in view nothing is taken for a mirror (7000000)", () => {
  const { isMiss, stopped, at } = driveCourse(approach(7000000, "50"));
  expect(isMiss).toBe(false);
  expect(stopped).toBe(true);
  expect(at[0]).toBeLessThan(-0.25);
});
