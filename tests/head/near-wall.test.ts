import { expect, test } from "vitest";
import { fromYawPitchRoll, IDENTITY } from "../../src/geometry/rigid.ts";
import { Head } from "../../src/head/head.ts";
import type { HeadOutput, ReachOutput } from "../../src/head/outputs.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import type { Setup } from "../../src/sense/events.ts";
import { lensFromAngles } from "../../src/simulate/attitude.ts";
import { Random } from "../../src/simulate/random.ts";
import { Scene } from "../../src/simulate/scene.ts";
import { OPTICS, sensorNoise, shoot } from "../guard/frames.ts";
import { box, material } from "../simulate/profiles.ts";

const mount = { position: [0.2, 0, 0.3], rotation: lensFromAngles(0, 0.3, 0) } as const;
const setup: Setup = {
  sensors: [{ name: "front", optics: OPTICS, mount: { on: "base", pose: mount } }],
  baseFromHead: IDENTITY,
  headFromImu: IDENTITY,
};
const WALL = 1.5;
const room = new Scene(
  [material(0.4)],
  [box([-5, -5, -1], [5, 5, 0]), box([WALL, -5, 0], [WALL + 0.5, 5, 2])],
);
const settings = resolveSettings({ "pose.source": "odometry" });

/** A base that obeys every pace ahead for some seconds, up to a wall; then something is held before the lens, `hand` metres away. */
function drive(hand: number | null): ReachOutput[] {
  const head = new Head(setup, settings);
  const random = new Random(3);
  const reaches: ReachOutput[] = [];
  let [x, speed, pace] = [0, 0, 0];
  for (let n = 0; n < 900; n++) {
    const time = 1e6 + n * 10_000;
    const take = (event: Parameters<Head["take"]>[0]): void => {
      const outputs: readonly HeadOutput[] = head.take(event);
      for (const output of outputs) if (output.kind === "reach") reaches.push(output);
    };
    take({ kind: "motion", time, pose: [x, 0, 0], speed: null });
    const rotation = fromYawPitchRoll(1e-4 * random.gauss(), 1e-4 * random.gauss(), 0);
    take({ kind: "orientation", time, rotation });
    if (n % 7 === 0) {
      const lens = { ...mount, position: [x + mount.position[0], 0, mount.position[2]] as const };
      const shot = shoot(room, lens, sensorNoise(n + 1));
      if (hand !== null && n > 800) shot.counts.fill(Math.round(1000 * hand));
      take({ kind: "depth", time, sensor: 0, sequence: n / 7, ...shot });
    }
    pace = reaches.at(-1)?.pace.forward ?? 0;
    const most = 0.01 * settings["body.deceleration"];
    speed = Math.max(0, Math.min(Math.min(pace, 0.6), speed + most), speed - most);
    x += 0.01 * speed;
  }
  return reaches;
}

test("a wall that the base drove up to covers nothing: it may go back", () => {
  const last = drive(null).at(-1)!;
  expect(last.pace.forward).toBeLessThan(0.02);
  // The wall fills the view, 0.2 m from the lens.
  expect(last.distance[0]).toBeLessThan(0.5);
  expect(last.sight).toBe("clear");
  expect(last.pace.backward).toBeGreaterThan(0.2);
});

test("something that comes before the lens at once covers it, there as anywhere: no motion", () => {
  const last = drive(0.06).at(-1)!;
  expect(last.sight).toBe("covered");
  expect(Math.max(last.pace.forward, last.pace.backward, last.pace.left, last.pace.right)).toBe(0);
});
