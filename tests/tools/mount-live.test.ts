import { existsSync, mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, afterEach, beforeEach, describe, expect, test, vi } from "vitest";
import type { Pose } from "../../src/geometry/optics.ts";
import { fromYawPitchRoll } from "../../src/geometry/rigid.ts";
import { openRecording } from "../../src/record/file.ts";
import { readConfig } from "../../src/service/config.ts";
import { Shown } from "../../tools/mount/shown.ts";
import { main } from "../../tools/mount.ts";
import { playScenario } from "../../tools/serve/player.ts";
import { LiveHead } from "../helpers/live.ts";

const folder = mkdtempSync(join(tmpdir(), "mount-live-"));
const path = (name: string): string => join(folder, name);
afterAll(() => rmSync(folder, { recursive: true }));
let said: string[] = [];
let head: LiveHead | null = null;
beforeEach(() => {
  said = [];
  vi.spyOn(console, "log").mockImplementation((line: string) => void said.push(line));
  vi.spyOn(console, "error").mockImplementation((line: string) => void said.push(line));
});
afterEach(async () => {
  vi.restoreAllMocks();
  await head?.stop();
  head = null;
});

/** Metres from the floor to the lens, and degrees below level: what nobody tells `mount`. */
const HEIGHT = 0.42;
const PITCH = 24;
const box = (x: number, y: number, size: readonly number[]) => ({
  shape: "box",
  material: "wall",
  at: [x, y],
  size,
});
/** A small furnished room, and a round in it that shows everything and ends where it began. */
const SCENARIO = {
  name: "mounting drive",
  seed: 5,
  materials: { floor: { reflectance: 0.5 }, wall: { reflectance: 0.7 } },
  scene: [
    { shape: "floor", material: "floor", rect: [-1.5, -2, 3, 2] },
    ...[box(-1.3, 0, [0.2, 3.6, 2]), box(2.6, 0, [0.2, 3.6, 2])],
    ...[box(0.6, 1.8, [4, 0.2, 2]), box(0.6, -1.8, [4, 0.2, 2])],
    ...[box(1.4, 1.4, [0.5, 0.4, 0.9]), box(2.2, -0.6, [0.3, 0.5, 1.2]), box(0.1, -1.4, [0.6, 0.4, 0.5])],
  ],
  base: {
    width: 0.3,
    bumper: 0.18,
    wheelbase: 0.25,
    track: 0.26,
    turnRate: 70,
    acceleration: 0.8,
    braking: 1,

    dip: { gain: 1.5, frequency: 2.5, damping: 0.4 },
  },
  head: { position: [0.12, 0, HEIGHT], yaw: 2, pitch: PITCH, roll: 1 },
  imu: { position: [0, 0, 0], yaw: 1, pitch: 0, roll: 2 },
  sensors: [
    {
      name: "front depth",
      rate: 8,
      mount: {},
      optics: {
        width: 96,
        height: 72,
        fieldOfView: [76, 58],
        measures: "z",
        minRange: 0.12,
        maxRange: 6,
      },
      noise: {
        gate: 150,
        seen: { reflectance: 0.8, range: 6.5 },
        frequency: 60e6,
        dark: 200,
        amplitudeUnit: 8,
      },
    },
  ],
  inertial: null,
  orientation: { yawDrift: 1, noise: 0.03, late: 0.02 },
  odometry: { rate: 20, scale: 0, turnScale: 0, noise: 0.002 },
  drive: {
    points: [
      { at: [0, 0], look: [100, -100, 0], pause: 2 },
      { at: [1, 0], speed: 0.5, pause: 0.6 },
      { at: [1, 0.9], speed: 0.5, corner: 0, pause: 0.6 },
      { at: [0, 0.9], speed: 0.5, corner: 0, pause: 0.6 },
      { at: [0, 0], speed: 0.5, corner: 0, pause: 2.5, look: [0] },
    ],
  },
};

describe("a mounting drive with a running head", () => {
  test("prints the missing motion, is recorded, estimated and written as settings", async () => {
    writeFileSync(path("room.json"), JSON.stringify(SCENARIO));
    const pretrigger = { folder: path("pretrigger"), segment: 4, before: 8, after: 2 };
    const settings = { pretrigger, settings: { "pose.source": "odometry" } };
    head = await LiveHead.start(settings, { player: await playScenario(path("room.json")) });
    const { url } = head.service;
    writeFileSync(path("head.json"), JSON.stringify({ listen: { port: 5000 } }));
    const files = [
      "--record",
      path("drive.brk"),
      "--settings",
      path("head.json"),
      "-o",
      path("mounted.json"),
    ];
    const code = await main(["--live", url, "--seconds", "90", ...files]);
    const text = said.join("\n");
    expect([0, 5], text).toContain(code);
    // Where in its round the base was, nobody knows: what was missing came one after the other until nothing was.
    const asked = said.filter((line) => line.startsWith("mount: next: ")).map((line) => line.split(" (")[0]);
    expect(new Set(asked).size, text).toBeGreaterThan(1);
    expect(text).toContain("all motions are shown; stand still");
    expect(text).toContain("the drive is over");

    const recording = await openRecording(path("drive.brk"));
    const times = new Map<string, number[]>();
    for (const { kind, time } of recording.events()) {
      times.set(kind, [...(times.get(kind) ?? []), time]);
    }
    recording.close();
    // Kept in several that overlap: each stream goes on once, without a gap.
    for (const kind of ["motion", "orientation"]) {
      const stamps = times.get(kind)!;
      const steps = stamps.slice(1).map((time, n) => time - stamps[n]!);
      expect(Math.min(...steps), kind).toBeGreaterThan(0);
      expect(Math.max(...steps), kind).toBeLessThan(2e6); // the scenario's pause between two rounds
    }
    expect(times.get("depth")!.length).toBeGreaterThan(60);

    const config = await readConfig(path("mounted.json"));
    expect(config.listen.port).toBe(5000);
    const lens = config.sensors[0]!.mount.pose.position;
    expect(lens).toHaveLength(3);
    expect(Math.abs(Number(/height +(\d+\.\d)/.exec(text)![1]) / 1000 - HEIGHT)).toBeLessThan(0.005);
    expect(Math.abs(Number(/pitch +(\d+\.\d+)/.exec(text)![1]) - PITCH)).toBeLessThan(0.25);
  }, 240_000);

  test("a head without kept recordings, no head at all, and wrong options are reported with what to do", async () => {
    head = await LiveHead.start();
    expect(await main(["--live", head.service.url])).toBe(3);
    expect(said.at(-1)).toContain('put "pretrigger": { "folder": "pretrigger" } into its settings file');
    expect(await main(["--live", "http://127.0.0.1:4917"])).toBe(2);
    expect(await main(["--live", head.service.url, "drive.brk"])).toBe(2);
    expect(await main(["--live", head.service.url, "--seconds", "0"])).toBe(2);
    writeFileSync(path("there.json"), "{}");
    expect(await main(["--live", head.service.url, "-o", path("there.json")])).toBe(4);
    const { url } = head.service;
    await head.stop();
    head = null;
    expect(await main(["--live", url])).toBe(3);
    expect(said.at(-1)).toMatch(/no head at ws:.*serve tells its address/);
    expect(existsSync(path("there.json"))).toBe(true);
  }, 60_000);
});

/** Poses at 20 Hz: each leg is seconds, metres a second and degrees a second. */
function showing(legs: readonly (readonly [seconds: number, speed: number, rate: number])[]): Shown {
  const shown = new Shown();
  let [time, x, y, yaw] = [0, 0, 0, 0];
  for (const [seconds, speed, rate] of legs) {
    for (let n = 0; n < 20 * seconds; n++) {
      time += 50_000;
      yaw += (rate * Math.PI) / 180 / 20;
      x += (Math.cos(yaw) * speed) / 20;
      y += (Math.sin(yaw) * speed) / 20;
      const pose: Pose = { rotation: fromYawPitchRoll(yaw, 0.02, 0), position: [x, y, 0] };
      shown.take(time, pose);
    }
  }
  return shown;
}

describe("what motion has been shown", () => {
  const REST = [2.5, 0, 0] as const;
  const AHEAD = [2.5, 0.5, 0] as const;
  const [LEFT, RIGHT] = [[2, 0, 50] as const, [2, 0, -50] as const];

  test("nothing yet: all is asked for, the rest first", () => {
    expect(new Shown().missing().map((line) => line.split(" (")[0])).toEqual([
      "stand still for two seconds",
      "turn left on the spot by a right angle",
      "turn right on the spot by a right angle",
      "drive a metre straight on",
      "drive briskly and brake firmly",
    ]);
  });

  test("the whole drive asks for nothing more", () => {
    const round = [LEFT, REST, AHEAD, REST];
    expect(
      showing([REST, LEFT, REST, RIGHT, REST, AHEAD, REST, ...round, ...round, ...round]).missing(),
    ).toEqual([]);
  });

  test("straight on and back is one direction and no turn; creeping to a stop is no braking", () => {
    const straight = showing([REST, AHEAD, REST, AHEAD, REST]).missing();
    expect(straight).toHaveLength(3);
    expect(straight[2]).toContain("in 1 of 4 directions");
    const creeping = showing([REST, AHEAD, [4, 0.1, 0], REST]).missing();
    expect(creeping.at(-1)).toContain("0 of 2 times");
  });

  test("a wide curve is neither a turn on its side's opposite nor a straight way", () => {
    const curve = showing([REST, [6, 0.4, 20], REST]).missing();
    expect(curve.some((line) => line.startsWith("turn left"))).toBe(false);
    expect(curve.some((line) => line.startsWith("turn right"))).toBe(true);
    expect(curve.some((line) => line.includes("in 0 of 4"))).toBe(true);
  });
});
