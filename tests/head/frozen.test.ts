import { describe, expect, test } from "vitest";
import { fromYawPitchRoll, IDENTITY } from "../../src/geometry/rigid.ts";
import { Head } from "../../src/head/head.ts";
import type { FrozenOutput, GlanceOutput, HeadOutput, ReachOutput } from "../../src/head/outputs.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import type { Setup } from "../../src/sense/events.ts";
import { frozenText } from "../../src/sense/frozen.ts";
import { lensFromAngles } from "../../src/simulate/attitude.ts";
import { Random } from "../../src/simulate/random.ts";
import { Scene } from "../../src/simulate/scene.ts";
import { OPTICS, type Shot, sensorNoise, shoot } from "../guard/frames.ts";
import { box, material } from "../simulate/profiles.ts";

const mount = { position: [0.15, 0, 0.3], rotation: lensFromAngles(0, 0.5, 0) } as const;
const setup: Setup = {
  sensors: [{ name: "front", optics: OPTICS, mount: { on: "base", pose: mount } }],
  baseFromHead: IDENTITY,
  headFromImu: IDENTITY,
};
/** Floor up to x = 1.5, then a drop of 150 mm. */
const EDGE = 1.5;
const platform = new Scene(
  [material(0.4)],
  [box([-5, -5, -1], [EDGE, 5, 0]), box([EDGE, -5, -1], [5, 5, -0.15])],
);
const settings = resolveSettings({ "pose.source": "odometry" });
const FRONT = 0.22;

interface Drive {
  readonly outputs: HeadOutput[];
  /** Seconds and metres: when each frame was taken, and the end of the drive. */
  readonly frozenFrom: number;
  readonly end: number;
}

/**
 * A base with exactly its declared brakes that obeys every pace ahead, with a camera of which the driver hangs from `hang` metres on:
 * the last image comes with new stamps and sequence numbers. Orientation may hang instead.
 */
function drive(hang: number, what: "camera" | "orientation" | "nothing", hasWheels = true): Drive {
  const head = new Head(setup, { ...settings, "pose.source": hasWheels ? "odometry" : "tracked" });
  const random = new Random(3);
  const outputs: HeadOutput[] = [];
  const take = (event: Parameters<Head["take"]>[0]) => outputs.push(...head.take(event));
  let [x, speed, pace, frozenFrom] = [0, 0, 0, Number.NaN];
  let held: { readonly at: number; readonly pace: number }[] = [];
  let hung: Shot | null = null;
  let yaw = 0;
  for (let n = 0; n < 600; n++) {
    const time = 1e6 + n * 10_000;
    const isHanging = what !== "nothing" && x >= hang;
    if (isHanging && Number.isNaN(frozenFrom)) frozenFrom = time / 1e6;
    if (what === "orientation" && speed > 0) yaw += 0.002; // 0.2 rad/s by the wheels
    if (hasWheels) take({ kind: "motion", time, pose: [x, 0, yaw], speed: null });
    const shake = what === "orientation" && isHanging ? 0 : 1e-4;
    const rotation = fromYawPitchRoll(shake * random.gauss(), shake * random.gauss(), 0);
    take({ kind: "orientation", time, rotation });
    if (n % 7 === 0) {
      const lens = { ...mount, position: [x + mount.position[0], 0, mount.position[2]] as const };
      if (hung === null || what !== "camera" || !isHanging) hung = shoot(platform, lens, sensorNoise(n + 1));
      take({ kind: "depth", time, sensor: 0, sequence: n / 7, ...hung });
    }
    const reach = outputs.findLast((output) => output.kind === "reach");
    if (reach !== undefined)
      held.push({ at: time + 1e6 * settings["body.reactionDelay"], pace: reach.pace.forward });
    pace = held.findLast(({ at }) => at <= time)?.pace ?? pace;
    held = held.filter(({ at }) => at > time);
    const most = 0.01 * settings["body.deceleration"];
    speed = Math.max(0, Math.min(Math.min(pace, 0.6), speed + most), speed - most);
    x += 0.01 * speed;
  }
  return { outputs, frozenFrom, end: x };
}
const frozen = (outputs: readonly HeadOutput[]): FrozenOutput[] =>
  outputs.filter((output): output is FrozenOutput => output.kind === "frozen");

describe("a driver that repeats its last image before an edge", () => {
  const { outputs, frozenFrom, end } = drive(0.3, "camera");

  test("is named within 0.3 s of the first repeated frame", () => {
    const [first, ...more] = frozen(outputs);
    expect(first).toMatchObject({ stream: "depth", sensor: 0, state: "frozen", by: "odometry" });
    expect(more).toEqual([]);
    // The base is at 0.3 m before the frame is due that is the first one made up.
    expect(first!.time / 1e6 - frozenFrom).toBeLessThan(0.3 + 0.07);
  });

  test("permits no pace while it lasts, by frame nor by memory", () => {
    const { time } = frozen(outputs)[0]!;
    const after = outputs.filter((output) => output.time >= time);
    const glances = after.filter((output): output is GlanceOutput => output.kind === "glance");
    const reaches = after.filter((output): output is ReachOutput => output.kind === "reach");
    expect(glances.length).toBeGreaterThan(20);
    expect(reaches.length).toBeGreaterThan(20);
    for (const { sight } of glances) expect(sight).toBe("frozen");
    for (const { sight, pace } of reaches) {
      expect(sight).toBe("frozen");
      expect([pace.forward, pace.backward, pace.left, pace.right]).toEqual([0, 0, 0, 0]);
      expect([...pace.arcsForward, ...pace.arcsBackward].every((one) => one === 0)).toBe(true);
    }
  });

  test("is not mapped from the first sign of motion on", () => {
    const { time } = frozen(outputs)[0]!;
    const frames = outputs.filter((output) => output.kind === "frame");
    expect(
      frames.filter((frame) => frame.time >= time - 66_000).every(({ revision }) => revision === 0),
    ).toBe(true);
    expect(
      frames.filter((frame) => frame.time < frozenFrom * 1e6).every(({ revision }) => revision > 0),
    ).toBe(true);
  });

  test("does not send the base over the edge", () => {
    expect(end + FRONT).toBeLessThan(EDGE);
    expect(end).toBeLessThan(0.3 + 0.6 * 0.6 + 0.1); // 0.6 m/s for what it takes to notice and to act, and the brakes
  });
});

test("without wheels and inertial samples a noisy camera is named when its noise is gone, and the base stops before the edge", () => {
  const { outputs, frozenFrom, end } = drive(0.3, "camera", false);
  const [first, ...more] = frozen(outputs);
  expect(first).toMatchObject({ stream: "depth", sensor: 0, state: "frozen", by: null });
  expect(more).toEqual([]);
  expect(first!.time / 1e6 - frozenFrom).toBeLessThan(0.3 + 0.07);
  expect(frozenText(first!, setup.sensors)).toContain("without the noise that it has shown");
  expect(end).toBeGreaterThan(0.3);
  expect(end + FRONT).toBeLessThan(EDGE);
});

test("a camera that rounds coarsely and shows no noise is only suspect at rest", () => {
  const head = new Head(setup, settings);
  const notes: HeadOutput[] = [];
  const still = shoot(platform, mount, sensorNoise(1));
  for (let n = 0; n < 60; n++) {
    const time = 1e6 + n * 70_000;
    head.take({ kind: "orientation", time, rotation: fromYawPitchRoll(0, 1e-4 * (n % 7), 0) });
    notes.push(...frozen(head.take({ kind: "depth", time, sensor: 0, sequence: n, ...still })));
  }
  expect(notes).toMatchObject([{ state: "suspect", by: null }]);
});

test("one frame that a driver gives twice is not frozen", () => {
  const head = new Head(setup, settings);
  const notes: HeadOutput[] = [];
  for (let n = 0; n < 90; n++) {
    const time = 1e6 + n * 35_000;
    const image = shoot(platform, mount, sensorNoise(Math.floor(n / 2)));
    head.take({ kind: "orientation", time, rotation: fromYawPitchRoll(0, 1e-4 * (n % 7), 0) });
    notes.push(...frozen(head.take({ kind: "depth", time, sensor: 0, sequence: n, ...image })));
  }
  expect(notes).toEqual([]);
});

test("an orientation that stands still while the wheels turn stops the base", () => {
  const { outputs, frozenFrom, end } = drive(0.3, "orientation");
  const [first] = frozen(outputs);
  expect(first).toMatchObject({ stream: "orientation", sensor: null, state: "frozen", by: "odometry" });
  expect(first!.time / 1e6 - frozenFrom).toBeLessThan(0.3);
  expect(outputs.findLast((output) => output.kind === "reach")).toMatchObject({
    sight: "frozen",
    pace: { forward: 0 },
  });
  expect(end).toBeLessThan(0.8);
});

test("a camera and an orientation that work are never called frozen, up to the edge", () => {
  const { outputs, end } = drive(9, "nothing");
  expect(frozen(outputs)).toEqual([]);
  expect(end).toBeGreaterThan(0.8);
  expect(end + FRONT).toBeLessThan(EDGE);
});
