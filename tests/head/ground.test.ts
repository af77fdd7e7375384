import { describe, expect, test } from "vitest";
import type { PinholeOptics, Pose } from "../../src/geometry/optics.ts";
import { compose, fromYawPitchRoll, IDENTITY } from "../../src/geometry/rigid.ts";
import { Head } from "../../src/head/head.ts";
import type { ReachOutput } from "../../src/head/outputs.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import type { Placed, Sighting, Tracking } from "../../src/head/tracking.ts";
import { lensFromAngles } from "../../src/simulate/attitude.ts";
import { Scene } from "../../src/simulate/scene.ts";
import { END, FOOTING } from "../../src/terms/safety.ts";
import { sensorNoise, shoot } from "../guard/frames.ts";
import { box, material } from "../simulate/profiles.ts";

const FOCAL = 48 / Math.tan((83 / 2) * (Math.PI / 180));
const OPTICS: PinholeOptics = {
  model: "pinhole",
  ...{ width: 96, height: 72, fx: FOCAL, fy: FOCAL, cx: 47.5, cy: 35.5 },
  ...{ measures: "z", unit: 0.001, minRange: 0.05, maxRange: 7.5 },
};
const LENS: Pose = { position: [0.15, 0, 0.3], rotation: lensFromAngles(0, 0.5, 0) };

/** Floor up to x = 1, then 150 mm lower. */
const platform = new Scene([material(0.4)], [box([-9, -5, -1], [1, 5, 0]), box([1, -5, -1], [5, 5, -0.15])]);

/** A base on wheels whose tracked pose is off by what a test says. */
class Ride {
  readonly head: Head;
  x = -1;
  yaw = 0;
  /** Metres along x by which the tracked pose is off, and its standard deviation. */
  off = 0;
  sigma = 0.01;
  #time = 1_000_000;
  #sequence = 0;
  #wheelsAt: number | null = null;

  readonly #scene: Scene;

  constructor(scene = platform) {
    this.#scene = scene;
    const tracking: Tracking = {
      place: (sighting) => this.#place(sighting),
      noFrameUntil: () => false,
      keyframes: () => ({ next: () => null }),
    };
    const setup = {
      sensors: [{ name: "front", optics: OPTICS, mount: { on: "base", pose: LENS } as const }],
      baseFromHead: IDENTITY,
      headFromImu: IDENTITY,
    };
    const settings = resolveSettings({ "pose.source": "tracked" });
    this.head = new Head(setup, settings, { openTracking: () => tracking });
  }

  get #base(): Pose {
    return { position: [this.x, 0, 0], rotation: fromYawPitchRoll(this.yaw, 0, 0) };
  }

  #place({ baseFromLens }: Sighting): Placed {
    const at = this.#base;
    const worldFromBase = { ...at, position: [at.position[0] + this.off, 0, 0] as const };
    const variance = this.sigma ** 2 / 2;
    const covariance = [variance, 0, 0, 0, variance, 0, 0, 0, 1e-4];
    return {
      worldFromBase,
      worldFromLens: compose(worldFromBase, baseFromLens),
      floorHeight: 0,
      isFit: this.sigma < 0.05,
      state: { hold: "held", covariance, yawSigma: 0.01, share: 1 },
      notes: [],
      newFromOld: null,
      isPlaceFound: false,
    };
  }

  /** One frame, 0.1 s after the one before. */
  frame(isCovered = false): ReachOutput {
    this.#time += 100_000;
    const time = this.#time;
    const noise = sensorNoise(this.#sequence + 1);
    const shot = shoot(this.#scene, compose(this.#base, LENS), noise, OPTICS);
    if (isCovered) shot.counts.fill(60);
    this.head.take({ kind: "motion", time, pose: [this.#wheelsAt ?? this.x, 0, this.yaw], speed: null });
    this.head.take({ kind: "orientation", time, rotation: fromYawPitchRoll(this.yaw, 0, 0) });
    const sequence = this.#sequence++;
    const outputs = [...this.head.take({ kind: "depth", time, sensor: 0, sequence, ...shot })];
    return outputs.findLast((out) => out.kind === "reach")!;
  }

  /** The wheels count no way from now on. */
  stand(): void {
    this.#wheelsAt = this.x;
  }

  /** Drives up to a place, then turns round on the spot. */
  driveAndTurn(to: number): ReachOutput {
    for (; this.x < to; this.x += 0.05) this.frame();
    for (; this.yaw < Math.PI - 0.01; this.yaw += Math.PI / 18) this.frame();
    return this.frame();
  }
}

test("what the map has in the way is blocked in the world's footing, too", () => {
  const wall = new Scene([material(0.4)], [box([-9, -5, -1], [5, 5, 0]), box([0.6, -1, 0], [0.8, 1, 1])]);
  const ride = new Ride(wall);
  for (; ride.x < -0.4; ride.x += 0.05) ride.frame();
  let blocked = 0;
  ride.head.footing.visit((i, j, what) => {
    const isWall = i >= 11 && i <= 16 && Math.abs(j) < 8;
    if (what === FOOTING.blocked && isWall) blocked++;
  });
  expect(blocked).toBeGreaterThan(8);
});

describe("the ground near the base", () => {
  test("a pose that jumps does not open the way back over an edge that was seen", () => {
    const ride = new Ride();
    const before = ride.driveAndTurn(0.4);
    // The rear is 0.4 m from the edge; margin and cell are kept.
    expect(before.pace.backward).toBeGreaterThan(0.05);
    expect(before.pace.backward).toBeLessThan(0.5);
    ride.off = -0.26;
    for (let n = 0; n < 5; n++) {
      const { pace, source } = ride.frame();
      expect(source).toBe("memory");
      expect(pace.backward).toBeLessThan(before.pace.backward + 0.02);
    }
  });

  test("is remembered though the place in the world is not sure: the way back stays open while the wheels tell of it", () => {
    const ride = new Ride();
    ride.sigma = 0.2;
    for (; ride.x < 0; ride.x += 0.05) ride.frame();
    const { pace, source } = ride.frame();
    expect(source).toBe("memory");
    expect(pace.backward).toBeGreaterThan(0.2);
    expect(pace.forward).toBeGreaterThan(0.2);
    // The map and its pictures take nothing from there.
    let cells = 0;
    ride.head.footing.visit(() => cells++);
    expect(cells).toBe(0);
  });

  test("firm ground is given up when the lens was covered for longer than a moment, drops are not", () => {
    const ride = new Ride();
    const before = ride.driveAndTurn(0.4);
    expect(before.pace.backward).toBeGreaterThan(0.05);
    const behind = before.distance[60]!;
    for (let n = 0; n < 2; n++) ride.frame(true);
    expect(ride.frame().pace.backward).toBeGreaterThan(0.05);
    for (let n = 0; n < 4; n++) ride.frame(true);
    const after = ride.frame();
    expect(after.pace.backward).toBe(0);
    expect(after.distance[60]).toBeLessThan(behind - 0.1);
    // Forward there is floor in view, and whoever uncovers the lens vouches for that between.
    expect(after.pace.forward).toBeGreaterThan(0.2);
  });

  test("a base that is lifted and set down, while depth shows motion and its wheels stand, restarts where it is", () => {
    const ride = new Ride();
    for (; ride.x < 0; ride.x += 0.05) ride.frame();
    const { pace } = ride.frame();
    expect(pace.backward).toBeGreaterThan(0.2);
    ride.stand();
    for (let n = 0; n < 10; n++) {
      ride.x += 0.04;
      ride.frame();
    }
    expect(ride.frame().pace.backward).toBe(0);
  });

  test("a drop comes nearer with the way that was driven since it was seen", () => {
    const ride = new Ride();
    ride.driveAndTurn(0.4);
    const before = ride.head.reachAt(0.4, 0, Math.PI).distance[60]!;
    // To and fro, 1.8 m: 3 % of that are a cell.
    for (let n = 0; n < 18; n++) {
      ride.x += n % 2 === 0 ? -0.1 : 0.1;
      ride.frame();
    }
    const after = ride.head.reachAt(0.4, 0, Math.PI).distance[60]!;
    expect(before - after).toBeGreaterThan(0.04);
    expect(before - after).toBeLessThan(0.12);
  });

  test("firm ground that has not been seen for nine metres of way is given up", () => {
    const ride = new Ride();
    for (; ride.x < 0; ride.x += 0.05) ride.frame();
    expect(ride.frame().pace.backward).toBeGreaterThan(0.2);
    for (let n = 0; n < 90; n++) {
      ride.x += n % 2 === 0 ? 0.1 : -0.1;
      ride.frame();
    }
    const { pace, ends } = ride.frame();
    expect(pace.backward).toBe(0);
    expect(ends[60]).toBe(END.unseen);
  });

  test("turning on the spot, three rounds, loses none of it", () => {
    const ride = new Ride();
    for (; ride.x < -0.5; ride.x += 0.05) ride.frame();
    for (; ride.yaw < 6 * Math.PI; ride.yaw += Math.PI / 12) ride.frame();
    const { pace } = ride.frame();
    expect(pace.forward).toBeGreaterThan(0.2);
    expect(pace.left).toBeGreaterThan(0.5);
  });
});
