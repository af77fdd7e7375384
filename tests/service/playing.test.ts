import { mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, afterEach, beforeAll, beforeEach, expect, test, vi } from "vitest";
import type { HeadClient } from "../../src/client/client.ts";
import { Head } from "../../src/head/head.ts";
import type { ReachOutput } from "../../src/head/outputs.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { openRecording } from "../../src/record/file.ts";
import { readPlayed } from "../../src/service/playing/recordings-folder.ts";
import { recordScenario } from "../../src/simulate/record.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { decodeClasses, encodeClasses, MOST_BLOCK_BYTES, VOXEL } from "../../src/wire/blocks.ts";
import { readCurve } from "../../src/wire/curve.ts";
import type { FromServer } from "../../src/wire/messages.ts";
import { main as serve } from "../../tools/serve.ts";
import { labelsPath, readLabels } from "../../tools/tune/labels.ts";
import { LiveHead, until } from "../helpers/live.ts";

// A head that plays a recording. What it must say of a frame is what a head says that was fed the file's events by hand.

const folder = mkdtempSync(join(tmpdir(), "brinkmap-playing-"));
const path = join(folder, "room.brk");
let head: LiveHead;
let watcher: HeadClient;
let playing: FromServer<"playing"> | null;
let reach: FromServer<"reach"> | null;
let pose: FromServer<"pose"> | null;

beforeAll(async () => {
  const room = JSON.parse(readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8"));
  await recordScenario(loadScenario({ ...room, duration: 3 }), path, {});
});
afterAll(() => rmSync(folder, { recursive: true }));
beforeEach(async () => {
  playing = reach = pose = null;
  head = await LiveHead.start(
    { recordings: { folder, most: 5_000_000 } },
    { played: await readPlayed(path) },
  );
  watcher = head.client({ topics: { reach: 100, pose: 100, playing: 100, map: 50 } });
  watcher.on("playing", (message) => {
    playing = message;
  });
  watcher.on("reach", (message) => {
    reach = message;
  });
  watcher.on("pose", (message) => {
    pose = message;
  });
  await until(() => watcher.isOpen);
});
afterEach(() => head.stop());

/** What a head says before frame `frames` + 1 comes. */
async function saidBy(
  frames: number,
  change: Record<string, unknown> = {},
): Promise<{ reach: ReachOutput; position: readonly number[]; map: ReadonlyMap<number, string> }> {
  const recording = await openRecording(path);
  const { settings } = await readPlayed(path);
  const truth = new Head(recording.header.setup, resolveSettings({ ...settings, ...change }));
  let last: ReachOutput | null = null;
  let position: readonly number[] = [];
  let count = 0;
  for (const event of recording.events()) {
    if (event.kind === "depth" && count++ === frames) break;
    for (const output of truth.take(event)) {
      if (output.kind === "reach") last = output;
      if (output.kind === "frame") position = output.worldFromBase.position;
    }
  }
  recording.close();
  const map = new Map<number, string>();
  const { grid } = truth;
  const voxels = new Uint8Array(512);
  const bytes = new Uint8Array(MOST_BLOCK_BYTES);
  for (let id = 0; id < grid.count; id++) {
    grid.copyBlock(id, voxels);
    const end = encodeClasses({ key: grid.keyOf(id), revision: 0, values: voxels }, bytes, 0);
    for (const { key, classes } of decodeClasses(bytes.slice(0, end))) {
      if (classes.some((one) => one !== VOXEL.undecided)) map.set(key, classes.join(""));
    }
  }
  return { reach: last!, position, map };
}

/** The client's map: blocks in which anything is decided. */
const mapOf = (client: HeadClient): Map<number, string> =>
  new Map(
    [...client.mirror.blocks.values()]
      .filter(({ classes }) => classes.some((one) => one !== VOXEL.undecided))
      .map(({ key, classes }) => [key, classes.join("")]),
  );

const isAt = (frame: number) => playing !== null && playing.frame === frame && playing.goal === null;

async function expectTruth(frames: number, change: Record<string, unknown> = {}): Promise<void> {
  const truth = await saidBy(frames, change);
  const distances = truth.reach.distance.map((metres) => Math.round(1000 * metres));
  await until(() => reach?.distanceMm.join() === distances.join(), `the reach of frame ${frames}`);
  expect(reach!.what).toEqual(truth.reach.ends);
  expect(reach!.pace?.forward).toBe(truth.reach.pace.forward);
  expect(pose!.worldFromBase.position).toEqual(truth.position);
}

test("after seeking forwards and back, a frame has the same outputs as in a straight run", async () => {
  expect(watcher.welcome?.played).toBe("room.brk");
  const length = 3e6;
  await watcher.play({ to: length, speed: 0 });
  await until(() => playing !== null && playing.goal === null && playing.at > 0.9 * length, "the end");
  const last = playing!.frame;
  await expectTruth(last);
  await watcher.play({ step: -7 });
  await until(() => isAt(last - 7), "seven frames back");
  await expectTruth(last - 7);
  await watcher.play({ step: 3 });
  await until(() => isAt(last - 4), "three frames on");
  await expectTruth(last - 4);
  await watcher.play({ to: 0 });
  await until(() => isAt(1), "the first frame");
  await expectTruth(1);
});

test("what happens in the recording is known before it is played, with the head's own pace of each frame", async () => {
  await watcher.play({ to: 0, speed: 0 });
  // So fast that the room is too small for it: the base is slowed somewhere.
  const change = { "guard.topSpeed": 4 };
  await watcher.settings(change);
  let listed: FromServer<"recording"> | null = null;
  watcher.on("recording", (message) => {
    listed = message;
  });
  watcher.subscribe({ recording: 10 });
  await until(() => listed !== null && listed.known === 1, "the run ahead");
  const { curve, frames, moments } = listed as unknown as FromServer<"recording">;
  const points = readCurve(curve);
  expect(points).toHaveLength(frames);
  for (const frame of [1, frames >> 1, frames]) {
    const { pace } = (await saidBy(frame, change)).reach;
    const age = pace.limit?.age ?? Number.POSITIVE_INFINITY;
    expect(points[frame - 1]!.age).toBe(age < 65 ? Math.round(1000 * age) / 1000 : null);
    expect(points[frame - 1]!.load).toBeGreaterThan(0);
    expect(points[frame - 1]!.pace).toBeCloseTo(pace.forward, 2);
    expect(points[frame - 1]!.room).toBeCloseTo(pace.room, 2);
  }
  // Every stretch below half of the top speed begins with an event that says why.
  const isHeld = points.map(({ pace }) => pace < 2);
  const first = isHeld.indexOf(true);
  const causes = moments.filter(({ what }) => what === "slow" || what === "stop" || what === "brink");
  expect(first).toBeGreaterThanOrEqual(0);
  expect(Math.abs(causes[0]!.at - points[first]!.at)).toBeLessThan(100_000);
  expect(causes[0]!.text).toMatch(/(drop|obstacle|floor|overhang|looked at).* (ahead|from the body)/);
});

test("it pauses on request, and continues at the requested speed", async () => {
  await watcher.play({ to: 300_000, speed: 0 });
  await until(() => playing?.goal === null && playing.at > 200_000 && playing.speed === 0, "standing");
  const { frame } = playing!;
  await head.pulses();
  expect(playing!.frame).toBe(frame);
  // Standing still is not being late: what is shown is of that moment, for as long as one looks.
  expect(reach!.state).not.toMatch(/late|blind/);
  await watcher.play({ speed: 4 });
  await until(() => playing!.frame > frame + 10, "going on");
  expect(playing!.speed).toBe(4);
});

test("going back gives the map of then, not of later", async () => {
  await watcher.play({ to: 2_500_000, speed: 0 });
  await until(() => playing?.goal === null && playing.at > 2_000_000, "late in it");
  await until(() => watcher.mirror.isComplete && watcher.mirror.blocks.size > 0);
  await watcher.play({ to: 200_000 });
  await until(() => playing?.goal === null && playing.at <= 200_000, "early in it");
  const truth = await saidBy(playing!.frame);
  await until(() => watcher.mirror.isComplete && mapOf(watcher).size === truth.map.size, "its map");
  const sorted = (map: ReadonlyMap<number, string>) => [...map].sort(([a], [b]) => a - b);
  expect(sorted(mapOf(watcher))).toEqual(sorted(truth.map));
});

test("the map is that of the frame also after single steps", async () => {
  await watcher.play({ to: 1e6, speed: 0 });
  await until(() => playing?.goal === null && playing.at > 0.8e6);
  for (let step = 0; step < 3; step++) {
    const frame = playing!.frame + 1;
    await watcher.play({ step: 1 });
    await until(() => isAt(frame));
    const { map } = await saidBy(frame);
    await until(() => watcher.mirror.change >= playing!.map.change && watcher.mirror.isComplete);
    expect(mapOf(watcher)).toEqual(map);
  }
});

test("another setting holds for all of the recording up to where it stands", async () => {
  await watcher.play({ to: 1_500_000, speed: 0 });
  await until(() => playing?.goal === null && playing.at > 1_000_000, "the place");
  const { frame } = playing!;
  await watcher.settings({ "map.carveEvery": 1, "body.reactionDelay": 0.4 });
  await until(() => isAt(frame), "the same place");
  await expectTruth(frame, { "map.carveEvery": 1, "body.reactionDelay": 0.4 });
});

test("a changed voxel size gives the map of a head with that size, after a reconnection that welcomes with it", async () => {
  await watcher.play({ to: 1_500_000, speed: 0 });
  await until(() => playing?.goal === null && playing.at > 1_000_000, "the place");
  const { frame } = playing!;
  const closed = new Promise<number>((resolve) => watcher.on("closed", ({ code }) => resolve(code)));
  expect((await watcher.settings({ "map.voxelSize": 0.1 }))["map.voxelSize"]).toBe(0.1);
  expect(await closed).toBe(1012);
  await until(() => watcher.isOpen && watcher.welcome?.map.voxelSize === 0.1, "the reconnection");
  await until(() => isAt(frame), "the same place");
  await expectTruth(frame, { "map.voxelSize": 0.1 });
  const truth = await saidBy(frame, { "map.voxelSize": 0.1 });
  const isWhole = () =>
    watcher.mirror.epoch === playing!.map.epoch && watcher.mirror.change >= playing!.map.change;
  await until(() => watcher.mirror.isComplete && isWhole(), "the whole map");
  const sorted = (map: ReadonlyMap<number, string>) => [...map].sort(([a], [b]) => a - b);
  expect(sorted(mapOf(watcher))).toEqual(sorted(truth.map));
  // So small that three heads of it may fill the memory.
  await expect(watcher.settings({ "map.voxelSize": 0.01 })).rejects.toThrow("0.02 m or more");
  expect((await watcher.settings())["map.voxelSize"]).toBe(0.1);
});

test("all watchers learn which client moved it last", async () => {
  const other = head.client({ name: "tablet", topics: { playing: 50 } });
  await until(() => other.isOpen);
  await other.play({ to: 300_000, speed: 0 });
  await until(() => playing?.moved?.session === other.welcome!.session, "the mover");
  expect(playing!.moved!.by).toBe(`tablet (${other.welcome!.session}), 127.0.0.1`);
  await watcher.play({ step: 1 });
  await until(() => playing?.moved?.session === watcher.welcome!.session, "another mover");
});

test("a base may not move it, and sends it no frames", async () => {
  const base = await head.open({ role: "base", rehearse: true });
  await expect(base.play({ to: 0 })).rejects.toThrow("role watcher");
  const refused = new Promise<string>((resolve) => base.on("error", ({ message }) => resolve(message)));
  base.observe({ kind: "knock", point: [0.3, 0, 0.1] });
  expect(await refused).toContain("plays a recording");
});

test("a live head plays nothing and takes no recording", async () => {
  const live = await LiveHead.start({ recordings: { folder } });
  const client = await live.open();
  expect(client.welcome?.played).toBeNull();
  await expect(client.play({ to: 0 })).rejects.toThrow("live");
  await expect(client.openRecording("room.brk")).rejects.toThrow("live");
  const url = live.service.url.replace("ws:", "http:").replace("/live", "/recordings/x.brk");
  expect((await fetch(url, { method: "PUT", body: readFileSync(path) })).status).toBe(409);
  await live.stop();
});

const put = (name: string, body: Uint8Array<ArrayBuffer>, headers: Record<string, string> = {}) => {
  const url = head.service.url.replace("ws:", "http:").replace("/live", "/recordings/");
  return fetch(`${url}${name}`, { method: "PUT", body, headers });
};

test("a recording that is uploaded gets a free name and is played by the head there", async () => {
  const bytes = readFileSync(path);
  const answer = await put("room.brk", bytes);
  expect(answer.status).toBe(201);
  const { recording } = (await answer.json()) as { recording: string };
  expect(recording).toBe("room-2.brk");
  const { name } = await new Promise<FromServer<"recording">>((resolve) => {
    watcher.on("recording", (message) => {
      if (message.name === recording) resolve(message);
    });
    watcher.subscribe({ recording: 10, playing: 10 });
    void watcher.openRecording(recording);
    watcher.on("open", () => watcher.subscribe({ recording: 10, playing: 10 }));
  });
  expect(name).toBe(recording);
  expect(watcher.welcome?.played).toBe(recording);
  rmSync(join(folder, recording));
});

test.each([
  ["no recording", "good.brk", Buffer.from("no recording at all"), 422],
  ["too long", "long.brk", Buffer.alloc(5_000_001), 413],
  ["of another kind", "page.html", Buffer.from("x"), 400],
  ["with a way out of the folder", "..%2Fout.brk", Buffer.from("x"), 400],
  ["hidden", ".hidden.brk", Buffer.from("x"), 400],
])("an upload that is %s is refused and leaves nothing", async (_what, name, body, status) => {
  expect((await put(name, body)).status).toBe(status);
  expect(readdirSync(folder)).toEqual(["room.brk"]);
  expect(readdirSync(join(folder, "..")).includes("out.brk")).toBe(false);
});

test("an upload from another site's page is refused", async () => {
  expect((await put("x.brk", Buffer.from("x"), { origin: "http://elsewhere.example" })).status).toBe(403);
});

test("a recording that is not in the folder of recordings cannot be opened", async () => {
  await expect(watcher.openRecording("nowhere.brk")).rejects.toThrow("there is no recording");
  writeFileSync(join(folder, "broken.brk"), "x");
  await expect(watcher.openRecording("broken.brk")).rejects.toThrow("cannot be played");
  rmSync(join(folder, "broken.brk"));
});

test("the pulse counts what comes out of the recording, like what comes from sensors", async () => {
  const rates: number[] = [];
  watcher.on("pulse", ({ samples }) => rates.push(samples.orientation));
  watcher.subscribe({ pulse: 10 });
  // 100 a second; the recording is played in real time.
  await until(() => Math.max(...rates) > 50);
});

test("what changed settings do is compared with what was said before, frame by frame", async () => {
  const told: FromServer<"baseline">[] = [];
  watcher.on("baseline", (message) => told.push(message));
  watcher.subscribe({ baseline: 50 });
  await watcher.play({ to: 1_200_000, speed: 0 });
  await until(() => playing?.goal === null && playing.at > 900_000, "the place");
  const { frame } = playing!;
  await watcher.settings({ "body.reactionDelay": 0.6 });
  const isOf = (count: number) => {
    const last = told.at(-1);
    return last !== undefined && last.frame === count && last.reach !== null;
  };
  await until(() => isAt(frame) && isOf(frame), "the comparison");
  expect(told.at(-1)!.changes).toEqual([
    { name: "body.reactionDelay", baseline: expect.any(Number), now: 0.6 },
  ]);
  const expectBefore = async (count: number) => {
    const { reach: known, position } = await saidBy(count);
    const { reach: before, position: was } = told.at(-1)!;
    expect(before!.distanceMm).toEqual(known.distance.map((metres) => Math.round(1000 * metres)));
    expect(before!.pace!.forward).toBe(known.pace.forward);
    expect(was).toEqual(position);
  };
  await expectBefore(frame);
  await expectTruth(frame, { "body.reactionDelay": 0.6 });
  // Also where the head has not been with the old settings.
  await watcher.play({ step: 9 });
  await until(() => isAt(frame + 9) && isOf(frame + 9), "farther on");
  await expectBefore(frame + 9);
  // Kept, they are what the next are compared with; taken back, there is nothing to compare.
  await watcher.play({ baseline: true });
  await until(() => told.at(-1)!.changes.length === 0);
  await watcher.settings({ "body.reactionDelay": 0.3 });
  await until(() => told.at(-1)!.changes[0]?.baseline === 0.6);
  await watcher.settings({ "body.reactionDelay": 0.6 });
  await until(() => told.at(-1)!.changes.length === 0);
});

test("the whole run with the baseline settings is known beside the changed one, until they are taken back", async () => {
  await watcher.play({ to: 0, speed: 0 });
  const usual = Number((await watcher.settings())["guard.topSpeed"]);
  // At once: the head ahead has not come to the end with the settings before.
  await watcher.settings({ "guard.topSpeed": usual / 2 });
  let listed: FromServer<"recording"> | null = null;
  watcher.on("recording", (message) => {
    listed = message;
  });
  watcher.subscribe({ recording: 10 });
  await until(() => listed?.known === 1 && listed.before?.known === 1, "both runs ahead");
  const { curve, before, frames, world } = listed as unknown as FromServer<"recording">;
  expect(world).toBe("reference");
  const [was, now] = [readCurve(before!.curve), readCurve(curve)];
  expect([was.length, now.length]).toEqual([frames, frames]);
  for (const frame of [2, frames]) {
    const { reach: truth, position } = await saidBy(frame);
    expect(was[frame - 1]!.pace).toBeCloseTo(truth.pace.forward, 2);
    expect(was[frame - 1]!.place!.x).toBeCloseTo(position[0]!, 2);
    expect(was[frame - 1]!.place!.y).toBeCloseTo(position[1]!, 2);
    const changed = (await saidBy(frame, { "guard.topSpeed": usual / 2 })).reach;
    expect(now[frame - 1]!.pace).toBeCloseTo(changed.pace.forward, 2);
  }
  await watcher.settings({ "guard.topSpeed": usual });
  await until(() => listed?.before === null, "nothing to compare");
  expect(readCurve(listed!.curve)).toEqual(was);
});

test("a client that connects during a pause gets the same as the others", async () => {
  await watcher.play({ to: 900_000, speed: 0 });
  await until(() => playing?.goal === null && playing.at > 600_000, "standing");
  const { frame } = playing!;
  const shown = reach!.distanceMm;
  const late = await head.open({
    topics: { reach: 30, pose: 30, playing: 10, image: 5, ground: 5, trail: 5 },
  });
  const kinds = new Set<string>();
  let place = -1;
  let ends: readonly number[] = [];
  late.on("reach", ({ distanceMm }) => {
    ends = distanceMm;
  });
  late.on("playing", (message) => {
    place = message.frame;
  });
  for (const kind of ["pose", "image", "ground", "trail"] as const) late.on(kind, () => kinds.add(kind));
  await until(() => place === frame && ends.length > 0 && kinds.size === 4, "all of it");
  expect(ends).toEqual(shown);
});

const EDGE = { name: "stair", drop: 0.2, line: [[0, 1], [2, 1.5]] }; // biome-ignore format: one line
const labelsUrl = (one: LiveHead, name = "room.brk"): string =>
  one.service.url.replace("ws:", "http:").replace("/live", `/labels/${name}`);
const putLabels = (one: LiveHead, value: unknown, headers: Record<string, string> = {}, name?: string) =>
  fetch(labelsUrl(one, name), { method: "PUT", body: JSON.stringify(value), headers });

test("labels beside a recording are shown, and kept only where that was asked for", async () => {
  writeFileSync(labelsPath(path), JSON.stringify({ edges: [EDGE] }));
  const shown = await (await fetch(labelsUrl(head))).json();
  expect(shown).toEqual({ mayKeep: false, labels: { edges: [EDGE] }, trouble: null });
  expect((await putLabels(head, { edges: [EDGE] })).status).toBe(403);
  writeFileSync(labelsPath(path), '{"edges":[{"name":"stair"}]}');
  expect(await (await fetch(labelsUrl(head))).json()).toMatchObject({
    labels: null,
    trouble: expect.stringContaining("edges.0.line is missing"),
  });
  rmSync(labelsPath(path));
});

test("labels are kept whole beside the recording, those of before besides", async () => {
  const keeping = await LiveHead.start({ recordings: { labels: true } }, { played: await readPlayed(path) });
  expect(await (await fetch(labelsUrl(keeping))).json()).toEqual({
    mayKeep: true,
    labels: null,
    trouble: null,
  });
  expect((await putLabels(keeping, { edges: [EDGE] })).status).toBe(200);
  const other = { tolerance: 0.1, edges: [{ ...EDGE, name: "brink" }] };
  expect((await putLabels(keeping, other)).status).toBe(200);
  expect(readLabels(path)!.labels).toEqual({ ...other, obstacles: [] });
  expect(readFileSync(`${labelsPath(path)}.before`, "utf8")).toContain("stair");

  const refused: [number, Response][] = [
    [422, await putLabels(keeping, { edges: [{ ...EDGE, drop: 0 }] })],
    [422, await putLabels(keeping, { edges: [] })],
    [413, await putLabels(keeping, { note: "x".repeat(1_000_001), edges: [EDGE] })],
    [409, await putLabels(keeping, { edges: [EDGE] }, {}, "..%2Froom.brk")],
    [403, await putLabels(keeping, { edges: [EDGE] }, { origin: "http://elsewhere.example" })],
    [400, await fetch(labelsUrl(keeping), { method: "PUT", body: "{" })],
  ];
  for (const [status, answer] of refused) expect(answer.status).toBe(status);
  expect(readLabels(path)!.labels.edges[0]!.name).toBe("brink");
  await keeping.stop();
  rmSync(labelsPath(path));
  rmSync(`${labelsPath(path)}.before`);
  expect(readdirSync(folder)).toEqual(["room.brk"]);
});

test("a live head has no labels", async () => {
  const errors: string[] = [];
  vi.spyOn(console, "error").mockImplementation((line: string) => void errors.push(line));
  expect(await serve(["--labels"])).toBe(2);
  vi.restoreAllMocks();
  expect(errors).toEqual(["serve: --labels needs --recording"]);
  const live = await LiveHead.start({ recordings: { labels: true } });
  expect((await fetch(labelsUrl(live))).status).toBe(409);
  expect((await putLabels(live, { edges: [EDGE] })).status).toBe(409);
  await live.stop();
});
