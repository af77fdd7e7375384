import { mkdirSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeEach, expect, test } from "vitest";
import yard from "../../datasets/yard-room.json" with { type: "json" };
import type { HeadClient } from "../../src/client/client.ts";
import { newToken } from "../../src/service/access/tokens.ts";
import { readPlayed } from "../../src/service/playing/recordings-folder.ts";
import { headTime } from "../../src/service/time.ts";
import { recordScenario } from "../../src/simulate/record.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import type { FromServer } from "../../src/wire/messages.ts";
import { LiveHead, PATIENT, RawClient, until, view } from "../helpers/live.ts";

// A head that starts again does not know where the base stands in the map of the run before.

let folder: string;
let head: LiveHead | null;
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), "brinkmap-assumed-"));
  head = null;
});
afterEach(async () => {
  await head?.stop();
  rmSync(folder, { recursive: true });
});

async function start(
  settings: Record<string, unknown> = {},
  parts: Parameters<typeof LiveHead.start>[1] = {},
): Promise<LiveHead> {
  await head?.stop();
  const map = { folder, ...(settings["map"] as object | undefined) };
  head = await LiveHead.start({ ...PATIENT, ...settings, map }, parts);
  return head;
}
const odometry = (load: boolean) => ({ settings: { "pose.source": "odometry" }, map: { load } });

/** A map of the room ahead, saved by an earlier run. @returns its file's bytes */
async function earlierRun(): Promise<Buffer> {
  const first = await start();
  const sensor = await first.open({ role: "sensor" });
  await first.drive(sensor, 30, 0.6);
  const watcher = await first.open();
  await first.pulses(); // the head tells of its map with them
  await watcher.map("save");
  await first.stop();
  head = null;
  return readFileSync(join(folder, "map.snapshot"));
}
const files = () => readdirSync(folder).sort();
const aside = () => files().filter((name) => name.startsWith("map-"));

/** Frames whose poses are odometry's, until as many reaches with memory have come. */
async function stand(
  sensor: HeadClient,
  base: HeadClient,
  wall = 2,
  count = 5,
): Promise<FromServer<"reach">[]> {
  const reaches: FromServer<"reach">[] = [];
  const stop = base.on("reach", (reach) => {
    if (reach.source === "memory") reaches.push(reach);
  });
  base.subscribe({ reach: 100 });
  const frame = { kind: "depth", sensor: "front", form: "u16", amplitude: null } as const;
  let sequence = 0;
  while (reaches.length < count) {
    const time = headTime();
    sensor.observe({ kind: "orientation", time, rotation: [0, 0, 0, 1] });
    base.observe({ kind: "motion", time, pose: [0, 0, 0], speed: null });
    sensor.observe({ ...frame, time: time - 1000, sequence: sequence++, counts: view(wall) });
    await new Promise((resolve) => setTimeout(resolve, 40)); // pace: 25 frames a second
  }
  stop();
  return reaches;
}

test("a restart begins a new map beside the old one, which no save writes over", async () => {
  const saved = await earlierRun();
  for (const run of [1, 2]) {
    const again = await start();
    const watcher = await again.open({ topics: { map: 50 } });
    const sensor = await again.open({ role: "sensor" });
    expect(watcher.mirror.blocks.size).toBe(0);
    await again.drive(sensor, 4);
    for (let n = 0; n < 3; n++) await watcher.map("save");
    expect(aside()).toHaveLength(run);
    expect(readFileSync(join(folder, aside()[0]!)).equals(saved)).toBe(true);
  }
});

test("a map that is cleared is kept under a name of its own, too", async () => {
  const first = await start();
  const sensor = await first.open({ role: "sensor" });
  const watcher = await first.open();
  await first.drive(sensor, 12);
  await watcher.map("save");
  const saved = readFileSync(join(folder, "map.snapshot"));
  await watcher.map("clear");
  for (let n = 0; n < 3; n++) await watcher.map("save");
  expect(aside()).toHaveLength(1);
  expect(readFileSync(join(folder, aside()[0]!)).equals(saved)).toBe(true);
});

test("a saved map that is continued: the pose is assumed, nothing is saved and no way is called free, until somebody confirms the place", async () => {
  const saved = await earlierRun();
  const again = await start(odometry(true));
  const [sensor, base] = [await again.open({ role: "sensor" }), await again.open({ role: "base" })];
  const poses: string[] = [];
  let pulse: FromServer<"pulse"> | null = null;
  base.on("pose", (pose) => poses.push(pose.class));
  base.on("pulse", (message) => {
    pulse = message;
  });
  base.subscribe({ pose: 100, pulse: 10, notes: 10 });
  await stand(sensor, base);
  await until(() => pulse !== null && poses.length > 0);
  expect(new Set(poses)).toEqual(new Set(["assumed"]));
  expect(pulse!.map).toMatchObject({ isAssumed: true, saved: null });
  const line = { about: "line", from: [0, 0], to: [1, 0], halfWidth: 0.1, frame: "base" } as const;
  await expect(base.ask(line)).rejects.toMatchObject({ code: "place" });
  await expect(base.ask({ ...line, frame: "world" })).rejects.toMatchObject({ code: "place" });
  await expect(base.map("save")).rejects.toThrow("assumed");
  expect(readFileSync(join(folder, "map.snapshot")).equals(saved)).toBe(true);

  expect(await base.map("confirm")).toContain("where the saved map says");
  await stand(sensor, base);
  expect(poses.at(-1)).toBe("odometry");
  expect(await base.ask(line)).toMatchObject({ about: "line" });
  expect(await base.map("save")).toMatch(/bytes to /);
  await expect(base.map("confirm")).rejects.toThrow("no assumed place");
});

test("an assumed place is assumed again when the map is cleared and brought back", async () => {
  await earlierRun();
  const again = await start(odometry(true));
  const base = await again.open({ role: "base" });
  await base.map("clear");
  await expect(base.map("confirm")).rejects.toThrow("no assumed place");
  await base.map("undo");
  await expect(base.map("save")).rejects.toThrow("assumed");
});

test("a head that ends with an assumed place leaves the saved map as it was", async () => {
  const saved = await earlierRun();
  const again = await start(odometry(true));
  const [sensor, base] = [await again.open({ role: "sensor" }), await again.open({ role: "base" })];
  await stand(sensor, base);
  await again.pulses();
  await again.stop();
  head = null;
  expect(readFileSync(join(folder, "map.snapshot")).equals(saved)).toBe(true);
  expect(aside()).toEqual([]);
});

test("poses that are given are not assumed", async () => {
  await earlierRun();
  const again = await start({ map: { load: true } });
  const base = await again.open({ role: "base", topics: { pose: 100 } });
  const poses: string[] = [];
  base.on("pose", (pose) => poses.push(pose.class));
  const sensor = await again.open({ role: "sensor" });
  await again.drive(sensor, 4);
  await until(() => poses.length > 0);
  expect(new Set(poses)).toEqual(new Set(["reference"]));
  expect(await base.map("save")).toMatch(/bytes to /);
});

test("firm floor of a saved map does not count: with it no reach is longer than without", async () => {
  await earlierRun();
  const reachOf = async (load: boolean): Promise<readonly number[]> => {
    const run = await start(odometry(load));
    const [sensor, base] = [await run.open({ role: "sensor" }), await run.open({ role: "base" })];
    return (await stand(sensor, base)).at(-1)!.distanceMm;
  };
  const withMap = await reachOf(true);
  const without = await reachOf(false);
  expect(withMap.filter((distance, n) => distance > without[n]!)).toEqual([]);
});

test("clients with watch or feed only cannot confirm a place", async () => {
  await earlierRun();
  const tokens = { watch: newToken("a", ["watch"]), drive: newToken("b", ["drive"]) };
  const again = await start({ ...odometry(true), tokens: Object.values(tokens).map(({ entry }) => entry) });
  const watcher = await again.open({ token: tokens.watch.token });
  await expect(watcher.map("confirm")).rejects.toMatchObject({ code: "right" });
  const base = await again.open({ role: "base", token: tokens.drive.token });
  expect(await base.map("confirm")).toContain("where the saved map says");
});

test("a head that plays a recording neither reads nor writes the saved map", async () => {
  const saved = await earlierRun();
  const path = join(folder, "room.brk");
  await recordScenario(loadScenario({ ...yard, duration: 0.5 }), path, {});
  const playing = await start({}, { played: await readPlayed(path) });
  const watcher = await playing.open();
  await expect(watcher.map("save")).rejects.toThrow("no folder to save to");
  await playing.pulses();
  await playing.stop();
  head = null;
  expect(files()).toEqual(["map.snapshot", "room.brk"]);
  expect(readFileSync(join(folder, "map.snapshot")).equals(saved)).toBe(true);
});

test("with a hundred old maps nothing is saved, and a note says what to do", async () => {
  const saved = await earlierRun();
  for (let n = 0; n < 100; n++) writeFileSync(join(folder, `map-2026-01-01T00-00-${n}.snapshot`), "");
  const again = await start();
  const watcher = await again.open();
  await expect(watcher.map("save")).rejects.toThrow(/100 maps of earlier runs .*: remove some/);
  expect(readFileSync(join(folder, "map.snapshot")).equals(saved)).toBe(true);
});

test("a saved map that cannot be read is not called damaged, and is kept", async () => {
  mkdirSync(join(folder, "map.snapshot")); // EISDIR: a map that root may not read cannot be made
  const again = await start({ map: { load: true } });
  expect(files()).toHaveLength(1);
  expect(files()[0]).toMatch(/^map-.*\.snapshot$/);
  const raw = await new RawClient(again.service.url).opened();
  raw.socket.terminate();
});
