import { describe, expect, test } from "vitest";
import type { Pose, Vec3 } from "../../src/geometry/optics.ts";
import { fromYawPitchRoll } from "../../src/geometry/rigid.ts";
import { axialCovariance } from "../../src/geometry/symmetric3.ts";
import { Random } from "../../src/simulate/random.ts";
import { completeStep } from "../../src/track/completed-step.ts";
import { Rolling } from "../../src/track/rolling.ts";
import { threeRooms } from "../helpers/pose-sets.ts";
import { slowTest } from "../helpers/slow.ts";
import { trackSet } from "../helpers/tracking.ts";

/** Poses of a base along a winding way, 4 cm apart, each off by a millimetre; `sway` is how far a hand swings to the side. */
function drive(metres: number, sway: number, mounted = 0): Pose[] {
  const random = new Random(5, 1);
  let [x, y] = [0, 0];
  return Array.from({ length: Math.round(metres / 0.04) }, (_, n) => {
    const yaw = 0.5 * Math.sin(0.04 * n);
    [x, y] = [x + 0.04 * Math.cos(yaw), y + 0.04 * Math.sin(yaw)];
    const side = sway * Math.sin(0.35 * n);
    const g = () => 0.001 * random.gauss();
    return {
      rotation: fromYawPitchRoll(yaw - mounted, 0, 0),
      position: [x - side * Math.sin(yaw) + g(), y + side * Math.cos(yaw) + g(), g()],
    };
  });
}

describe("the axis that a base rolls along", () => {
  test("is found on a winding way, whatever the base's own axes; not on a short way", () => {
    for (const mounted of [0, 0.6, Math.PI / 2]) {
      const rolling = new Rolling();
      const poses = drive(3, 0, mounted);
      for (const pose of poses.slice(0, 12)) rolling.add(pose);
      expect(rolling.axis).toBeNull();
      for (const pose of poses.slice(12)) rolling.add(pose);
      const [a, b, c] = rolling.axis!;
      expect(Math.abs(a * Math.cos(mounted) + b * Math.sin(mounted))).toBeGreaterThan(Math.cos(0.01));
      expect(Math.abs(c)).toBeLessThan(0.02);
      expect(rolling.sidewaysOf(1, 0)).toBeLessThan(0.08);
    }
  });

  test("is not found for a hand that swings, and is dropped when a base begins to swing", () => {
    const hand = new Rolling();
    for (const pose of drive(6, 0.04)) hand.add(pose);
    expect(hand.axis).toBeNull();
    const base = new Rolling();
    for (const pose of drive(6, 0)) base.add(pose);
    expect(base.axis).not.toBeNull();
    base.interrupt();
    for (const pose of drive(6, 0.04)) base.add(pose);
    expect(base.axis).toBeNull();
  });

  test("is known from the start if set ahead, until the base shows another", () => {
    const base = new Rolling(true);
    expect(base.axis!.map(Math.abs)).toEqual([1, 0, 0]);
    for (const pose of drive(4, 0)) base.add(pose);
    expect(Math.abs(base.axis![0])).toBeGreaterThan(Math.cos(0.01));
    const crab = new Rolling(true);
    for (const pose of drive(0.4, 0, Math.PI / 2)) crab.add(pose);
    expect(crab.axis).toBeNull();
  });

  test("turns about a point beside the base's origin make the place after turns less sure", () => {
    const about = (arm: number) => {
      const rolling = new Rolling();
      for (const pose of drive(2, 0)) rolling.add(pose);
      rolling.interrupt();
      for (let n = 0; n < 60; n++) {
        const yaw = 0.13 * n;
        // The origin is `arm` ahead of what it turns about.
        const position: Vec3 = [arm * Math.cos(yaw), arm * Math.sin(yaw), 0];
        rolling.add({ rotation: fromYawPitchRoll(yaw, 0, 0), position });
      }
      return rolling.sidewaysOf(0, 1);
    };
    expect(about(0)).toBeLessThan(0.01);
    expect(about(0.1)).toBeGreaterThan(0.08);
  });
});

describe("a step of which a part is measured", () => {
  const level = (angle: number): Vec3 => [Math.cos(angle), Math.sin(angle), 0];

  test("driving at 60 degrees to the direction that a wall holds, the wall's part gives the way along the wall", () => {
    // Ahead is 60 degrees from y, which is measured; it went 0.05 m and 0.04 m had been thought.
    const ahead = level(Math.PI / 6);
    const weighing = axialCovariance(ahead, 0.03, 0.0008);
    const { step, steady } = completeStep(
      { mean: [0.04 * ahead[0], 0.04 * ahead[1], 0], weighing, spread: weighing },
      { axes: [[0, 1, 0]], metres: [0.05 * ahead[1]], noise: 0.0003 },
    );
    expect(step[0]).toBeCloseTo(0.05 * ahead[0], 4);
    // Going sideways by s while y is as measured is s / sin 30 degrees along x.
    expect(Math.sqrt(steady[0]!)).toBeCloseTo(0.0016, 4);
  });

  test("measured across the way or not at all, the way ahead stays as it was predicted", () => {
    const spread = axialCovariance([1, 0, 0], 0.03, 0.001);
    const predicted = { mean: [0.04, 0, 0] as Vec3, weighing: spread, spread };
    const none = completeStep(predicted, { axes: [], metres: [], noise: 0.003 });
    expect(none.step).toEqual([0.04, 0, 0]);
    expect(none.steady).toEqual(spread);
    const square = completeStep(predicted, { axes: [[0, 1, 0]], metres: [0.002], noise: 0.003 });
    expect(square.step[0]).toBeCloseTo(0.04, 9);
    expect(Math.sqrt(square.steady[0]!)).toBeCloseTo(0.03, 9);
  });

  test("errors have the spread that is given, when the truth is drawn from the prediction", () => {
    const random = new Random(3, 2);
    const ahead = level(0.7);
    const [along, across, noise] = [0.02, 0.002, 0.003];
    const spread = axialCovariance(ahead, along, across);
    let [sum, said] = [0, 0];
    for (let n = 0; n < 4000; n++) {
      const [u, v] = [along * random.gauss(), across * random.gauss()];
      const truth = [ahead[0] * u - ahead[1] * v, ahead[1] * u + ahead[0] * v];
      const y = truth[1]! + noise * random.gauss();
      const { step, steady, white } = completeStep(
        { mean: [0, 0, 0], weighing: spread, spread },
        { axes: [[0, 1, 0]], metres: [y], noise },
      );
      sum += (step[0] - truth[0]!) ** 2;
      said = steady[0]! + white[0]!;
    }
    expect(sum / 4000 / said).toBeGreaterThan(0.9);
    expect(sum / 4000 / said).toBeLessThan(1.1);
  });
});

slowTest(
  "without odometry, passing a bare wall costs a rolling base less than 5 cm, another base over twice that",
  () => {
    // The first 7.5 m of the round: twice nothing but a wall square to the view is seen.
    const set = threeRooms(1, -28.5);
    const worst = (settings: Readonly<Record<string, unknown>>) => {
      const tracked = trackSet(set, { settings });
      const outside = tracked.filter(({ frame, result }) =>
        result.worldFromLens.position.some(
          (v, k) => Math.abs(v - frame.worldFromLens.position[k]!) > 3 * Math.sqrt(result.covariance[4 * k]!),
        ),
      );
      expect(outside.length / tracked.length).toBeLessThan(0.01);
      return Math.max(...tracked.map(({ error }) => error));
    };
    const [rolling, free] = [worst({}), worst({ "track.rolling": "off" })];
    console.log(
      `a wall passed: ${(1000 * rolling).toFixed(0)} mm at worst, ${(1000 * free).toFixed(0)} mm without`,
    );
    expect(rolling).toBeLessThan(0.05);
    expect(free).toBeGreaterThan(2 * rolling);
  },
);
