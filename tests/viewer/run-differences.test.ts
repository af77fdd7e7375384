import { expect, test } from "vitest";
import { END } from "../../src/terms/safety.ts";
import { differencesOf, figuresOf } from "../../src/viewer/run-differences.ts";
import { farthestApart, pairByPlace, pairByTime } from "../../src/viewer/run-pairs.ts";
import type { CurvePoint } from "../../src/wire/curve.ts";

/** A run of 10 s at 20 frames per second along x, 0.5 m/s. */
const runOf = (change: (seconds: number) => Partial<CurvePoint> = () => ({}), speed = 0.5): CurvePoint[] =>
  Array.from({ length: 200 }, (_, n) => ({
    ...{ at: 50_000 * n, pace: 0.8, room: 3, cause: null, state: 0, age: null, load: 0.1 },
    place: { x: (speed * n) / 20, y: 0, heading: 0 },
    ...change(n / 20),
  }));

test("equal runs have no differences", () => {
  const runs = pairByTime(runOf(), runOf());
  expect(differencesOf(runs, 1, true)).toEqual([]);
  expect(farthestApart(runs).apart).toBe(0);
});

test("a stop that only one of two settings has is one stretch, with both paces and the cause", () => {
  const held = { pace: 0, cause: END.brink };
  const now = runOf((s) => (s >= 4 && s <= 6 ? held : {}));
  const [one, ...more] = differencesOf(pairByTime(runOf(), now), 1, true);
  expect(more).toEqual([]);
  expect(one).toMatchObject({ kind: "pace", from: 4e6, to: 6e6, text: "0.80 m/s → stop (drop)" });
});

test("a stretch goes on over a pace that flickers, and one frame alone is no stretch", () => {
  const flicker = runOf((s) => (s >= 4 && s <= 6 && Math.round(s * 20) % 3 > 0 ? { pace: 0.3 } : {}));
  expect(differencesOf(pairByTime(runOf(), flicker), 1, true)).toHaveLength(1);
  const once = runOf((s) => (s === 5 ? { pace: 0.3 } : {}));
  expect(differencesOf(pairByTime(runOf(), once), 1, true)).toEqual([]);
});

test("places that part are told of one recording, with the largest distance", () => {
  const now = runOf((s) => (s > 8 ? { place: { x: s / 2, y: 0.4 * (s - 8), heading: 0 } } : {}));
  const runs = pairByTime(runOf(), now);
  const [one] = differencesOf(runs, 1, true);
  // At 9.95 s: 0.4 * 1.95 = 0.78 m.
  expect(one).toMatchObject({ kind: "place", worst: 9_950_000, text: "places 78 cm apart" });
  expect(farthestApart(runs).apart).toBeCloseTo(0.78, 6);
});

test("two drives over the same floor are compared where they were at the same place, whatever the time", () => {
  const held = (x: number) => (x >= 2 && x <= 3 ? { pace: 0.2 } : {});
  const slow = runOf((s) => held(0.25 * s), 0.25);
  const fast = runOf((s) => held(0.5 * s), 0.5);
  expect(differencesOf(pairByTime(slow, fast), 1, false).length).toBeGreaterThan(0);
  expect(differencesOf(pairByPlace(slow, fast.slice(0, 98)), 1, false)).toEqual([]);
  // The slow one ends at 2.5 m: nothing of it belongs to the rest, nor to a drive in the other direction.
  expect(pairByPlace(slow, fast).pairs[180]).toBe(-1);
  const back = runOf(() => ({ place: { x: 1, y: 0, heading: Math.PI } }));
  expect(pairByPlace(slow, back).pairs.every((pair) => pair === -1)).toBe(true);
});

test("figures of a run: stops, slow stretches, mean pace, and its way", () => {
  const run = runOf((s) => (s >= 2 && s < 3 ? { pace: 0 } : s >= 6 && s < 7 ? { pace: 0.4 } : {}));
  const { stops, slowings, meanPace, length } = figuresOf(run, 1);
  expect([stops, slowings]).toEqual([1, 1]);
  // 8 s of 0.8 m/s, 1 s of 0 and 1 s of 0.4 m/s.
  expect(meanPace).toBeCloseTo(0.68, 6);
  expect(length).toBeCloseTo(0.5 * 9.95, 6);
});
