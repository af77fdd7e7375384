import { mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeAll, beforeEach, expect, test } from "vitest";
import { encodePlace, KEYFRAME_BYTES } from "../../src/place/place-file.ts";
import { generateHome } from "../../src/simulate/home.ts";
import { recordScenario } from "../../src/simulate/record.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import type { FromServer } from "../../src/wire/messages.ts";
import { feed } from "../helpers/feed.ts";
import { ahead, lookAround, run } from "../helpers/known-place.ts";
import { LiveHead, until } from "../helpers/live.ts";

// A head that tracks its poses finds out by itself where it stands in the map of the run before.

const { json } = generateHome(21);
const again = [lookAround([0.75, -1], 130), ahead([0.75, -1], 130)];
const scenario = loadScenario({ ...json, seed: 78, drive: { ...(json["drive"] as object), points: again } });
const KILN = "kiln: 3,3 4,3 4,4";
let bytes: Uint8Array;
let recording: string;
let folder: string;
let head: LiveHead | null = null;

beforeAll(async () => {
  const first = run(json, [lookAround([0.95, -0.9]), ahead([0.95, -0.9], 0)]);
  first.head.change({ ...first.head.settings, "guard.keepOut": KILN, "map.spots": "charger: 0,0,180" });
  bytes = encodePlace(first.head.memory(KEYFRAME_BYTES)!);
  recording = join(mkdtempSync(join(tmpdir(), "brinkmap-known-")), "again.brk");
  await recordScenario(scenario, recording);
});
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), "brinkmap-place-"));
  writeFileSync(join(folder, "map.place"), bytes);
});
afterEach(async () => {
  await head?.stop();
  head = null;
  rmSync(folder, { recursive: true });
});

async function start(): Promise<LiveHead> {
  const { sensors, baseFromHead, headFromImu } = scenario.setup;
  head = await LiveHead.start({
    sensors,
    baseFromHead,
    headFromImu,
    settings: { "pose.source": "tracked" },
    map: { folder },
  });
  return head;
}
const aside = () => readdirSync(folder).filter((name) => name.startsWith("map-"));

test("it looks around, says that it has found the place, and saves what both runs know", async () => {
  const live = await start();
  const watcher = await live.open();
  const classes: string[] = [];
  const notes: string[] = [];
  let pulse: FromServer<"pulse"> | null = null;
  watcher.on("pose", (pose) => classes.push(pose.class));
  watcher.on("note", ({ text }) => notes.push(text));
  watcher.on("pulse", (message) => {
    pulse = message;
  });
  watcher.subscribe({ pose: 100, pulse: 10, notes: 10, map: 20 });
  await until(() => pulse?.map.isSeeking === true);
  await expect(watcher.map("save")).rejects.toThrow("still looked for");
  await feed(live.service.url, recording, { until: 12 });
  await until(() => notes.some((text) => text.includes("known from an earlier run")), "the place");
  await until(() => pulse?.map.isSeeking === false);
  expect(classes[0]).toBe("assumed");
  expect(classes.at(-1)).toBe("held");
  expect(readFileSync(join(folder, "map.place")).equals(bytes)).toBe(true);
  // What was drawn lies on that map, so it applies from now on.
  await until(() => notes.some((text) => text.includes("drawn on the map applies again")));
  expect(await watcher.settings()).toMatchObject({ "guard.keepOut": KILN, "map.spots": "charger: 0,0,180" });
  expect(await watcher.map("save")).toMatch(/bytes to /);
  expect(readFileSync(join(folder, "map.place")).length).toBeGreaterThan(1.1 * bytes.length);
  expect(readFileSync(join(folder, "map.before.place")).equals(bytes)).toBe(true);
  expect(aside()).toEqual([]);
});

test("a head that stops before it has found its place keeps the map of both runs", async () => {
  const live = await start();
  await feed(live.service.url, recording, { until: 2 });
  await live.pulses();
  await live.stop();
  head = null;
  expect(readFileSync(join(folder, "map.place")).equals(bytes)).toBe(true);
  expect(aside()).toEqual([expect.stringMatching(/^map-.*\.place$/)]);
});

test("a person may say that this is another place: the map of the last run is kept beside the new one", async () => {
  const live = await start();
  const watcher = await live.open();
  expect(await watcher.map("anew")).toContain("another place");
  expect(aside()).toHaveLength(1);
  expect(readFileSync(join(folder, aside()[0]!)).equals(bytes)).toBe(true);
  await expect(watcher.map("anew")).rejects.toThrow("no place of an earlier run");
  await feed(live.service.url, recording, { until: 2 });
  await live.pulses();
  expect(await watcher.map("save")).toMatch(/bytes to /);
});

test("a damaged place is named and set aside, and the head begins anew", async () => {
  writeFileSync(join(folder, "map.place"), bytes.subarray(0, bytes.length >> 1));
  const live = await start();
  const watcher = await live.open();
  await expect(watcher.map("anew")).rejects.toThrow("no place of an earlier run");
  expect(readdirSync(folder)).toEqual(["map.damaged.place"]);
});
