import { afterEach, beforeEach, expect, test, vi } from "vitest";
import type { HeadClient } from "../../src/client/client.ts";
import { BLOCK_SIDE, keyX, keyY, keyZ } from "../../src/map/grid.ts";
import { headTime } from "../../src/service/time.ts";
import { END } from "../../src/terms/safety.ts";
import { VOXEL } from "../../src/wire/blocks.ts";
import type { FromServer } from "../../src/wire/messages.ts";
import { event, LiveHead, PATIENT, RawClient, until, view } from "../helpers/live.ts";

let head: LiveHead;
let sensor: HeadClient;

beforeEach(async () => {
  head = await LiveHead.start(PATIENT);
  sensor = await head.open({ role: "sensor" });
});
afterEach(() => head.stop());

const drive = (frames: number, to = 0) => head.drive(sensor, frames, to);

test("a base hears of its reach and pose with the frame's own stamp and a true age", async () => {
  const base = await head.open({ role: "base", topics: { reach: 100, pose: 100 } });
  const reaches: FromServer<"reach">[] = [];
  base.on("reach", (reach) => reaches.push(reach));
  const pose = event(base, "pose");
  await until(() => base.clock !== null);
  const time = head.look(sensor);
  expect((await pose).time).toBe(time);
  await until(() => reaches.some(({ state }) => state === "clear"));
  const first = reaches.find(({ state }) => state === "clear")!;
  expect(first).toMatchObject({ time, state: "clear", frame: 0 });
  expect(first.age).toBeGreaterThan(0);
  expect(first.age).toBeLessThanOrEqual(base.headTime()! - time + base.clock!.delay);
  expect(first.distanceMm.length).toBe(first.what.length);
});

test("the wall ahead ends the reach where it is, once its floor was seen", async () => {
  const base = await head.open({ role: "base", topics: { reach: 100 } });
  // From 1 m back, so that the floor in front of the camera's near edge has been seen.
  let ahead = 0;
  let what = -1;
  base.on("reach", (reach) => {
    const i = Math.round(-reach.first / reach.step);
    ahead = reach.distanceMm[i]!;
    what = reach.what[i]!;
  });
  await drive(40, 0.9);
  await until(() => what === END.obstacle, "the wall");
  // The wall is at 2 m, the base at up to 0.88: 1.12 m, give or take a 5 cm voxel either way.
  expect(ahead).toBeGreaterThan(1040);
  expect(ahead).toBeLessThan(1200);
});

test("a watcher's mirror is the head's map: the wall is in it, and it grows by patches", async () => {
  const watcher = await head.open({ topics: { map: 50 } });
  await drive(12);
  const wallIn = (): boolean => {
    for (const { key, classes } of watcher.mirror.blocks.values()) {
      for (let n = 0; n < classes.length; n++) {
        const x = keyX(key) * BLOCK_SIDE + (n & 7);
        const y = keyY(key) * BLOCK_SIDE + ((n >> 3) & 7);
        const z = keyZ(key) * BLOCK_SIDE + (n >> 6);
        // 2 m ahead, on a 5 cm boundary; at the lens's height
        if ((x === 39 || x === 40) && y === 0 && z === 10 && classes[n] === VOXEL.occupied) return true;
      }
    }
    return false;
  };
  await until(wallIn, "the wall in the mirror");
});

test("a client that reconnects gets only the changes of the meantime", async () => {
  const watcher = await head.open({ topics: { map: 50 } });
  await drive(12);
  await until(() => watcher.mirror.isComplete && watcher.mirror.blocks.size > 20);
  await head.pulses();
  const have = watcher.mirror.have;
  const raw = await new RawClient(head.service.url).opened();
  raw.say({ kind: "hello", role: "watcher" });
  raw.say({ kind: "subscribe", topics: { map: { rate: 50, have }, pulse: { rate: 10 } } });
  await until(() => raw.of("pulse").length > 1);
  expect(raw.of("patch")).toEqual([]);
  const { load } = raw.of("pulse").at(-1)!;
  expect(load.median).toBeGreaterThan(0);
  expect(load.p99).toBeGreaterThanOrEqual(load.median);
  expect(load.worst).toBeGreaterThanOrEqual(load.p99);
  const late = await new RawClient(head.service.url).opened();
  late.say({ kind: "hello", role: "watcher" });
  late.say({ kind: "subscribe", topics: { map: { rate: 50 } } });
  await until(() => late.of("patch").some(({ left }) => left === 0), "the whole map");
  const blocks = late.of("patch").reduce((sum, { count }) => sum + count, 0);
  expect(blocks).toBe(watcher.mirror.blocks.size);
  expect(late.of("patch").at(-1)!.to).toBe(have.change);
});

test("clearing the map gives everyone an empty one", async () => {
  const watcher = await head.open({ topics: { map: 50 } });
  await drive(12);
  await until(() => watcher.mirror.blocks.size > 0);
  const { epoch } = watcher.mirror;
  expect(await watcher.map("clear")).toBe("the map is empty");
  await until(() => watcher.mirror.epoch !== epoch);
  expect(watcher.mirror.blocks.size).toBe(0);
  await drive(6);
  await until(() => watcher.mirror.blocks.size > 0, "a new map");
});

test("a cleared map is brought back once, for everyone, in place of what was mapped since", async () => {
  const watcher = await head.open({ topics: { map: 50, pulse: 10 } });
  const nextPulse = async () => (await event(watcher, "pulse")).map;
  await drive(12, 0.6);
  await until(() => watcher.mirror.isComplete && watcher.mirror.blocks.size > 20);
  // The last changes of the map have arrived with the second pulse.
  await head.pulses();
  const classes = () =>
    new Map(
      [...watcher.mirror.blocks].map(([key, block]) => [key, Buffer.from(block.classes).toString("hex")]),
    );
  const before = classes();
  await watcher.map("clear");
  const { undoLeft } = await nextPulse();
  expect(undoLeft).toBeGreaterThan(50);
  expect(undoLeft).toBeLessThanOrEqual(60);
  await drive(4);
  await until(() => watcher.mirror.blocks.size > 0, "a new map");
  expect(await watcher.map("undo")).toBe(
    "the map of before is back; what was mapped since it was cleared is gone",
  );
  await until(() => watcher.mirror.blocks.size >= before.size, "the map of before");
  expect(classes()).toEqual(before);
  expect((await nextPulse()).undoLeft).toBeNull();
  await expect(watcher.map("undo")).rejects.toThrow(
    "no map to bring back: none was cleared in the last 60 s",
  );
  // Without a frame in between nothing is lost.
  await watcher.map("clear");
  expect(await watcher.map("undo")).toBe("the map of before is back");
});

test("questions: how far a line and an arc are free, what the floor is like, how near the wall", async () => {
  const base = await head.open({ role: "base", topics: {} });
  await expect(
    base.ask({ about: "line", from: [0, 0], to: [1, 0], halfWidth: 0.1, frame: "base" }),
  ).rejects.toThrow(/the pose of the base is not known/);
  await drive(40, 0.9);
  const line = await base.ask({ about: "line", from: [1.2, 0], to: [3, 0], halfWidth: 0.1, frame: "world" });
  expect(line).toMatchObject({ isFree: false, what: END.obstacle });
  // From 1.2 to the wall at 2 m, less a voxel before it and half a column of step.
  expect("free" in line && line.free).toBeGreaterThan(0.67);
  expect("free" in line && line.free).toBeLessThan(0.81);
  const short = await base.ask({
    about: "line",
    from: [1.2, 0],
    to: [1.7, 0],
    halfWidth: 0.1,
    frame: "world",
  });
  expect(short).toEqual({ about: "line", isFree: true, free: 0.5, what: END.open });
  const arc = await base.ask({
    about: "arc",
    from: [1.2, 0],
    heading: 0,
    curvature: 2,
    length: 2,
    halfWidth: 0.05,
    frame: "world",
  });
  expect(arc).toMatchObject({ about: "arc", isFree: false });
  const floor = await base.ask({ about: "footing", point: [1.5, 0], frame: "world" });
  expect(floor).toMatchObject({ about: "footing", column: "clear" });
  expect("height" in floor && Math.abs(floor.height!)).toBeLessThan(0.005);
  const clearance = await base.ask({ about: "clearance", point: [1.525, 0.025], frame: "world" });
  expect("distance" in clearance && clearance.distance).toBeGreaterThan(0.4);
  expect("distance" in clearance && clearance.distance).toBeLessThan(0.55);
  expect(await base.ask({ about: "footing", point: [-3, 0], frame: "world" })).toMatchObject({
    column: "unseen",
    height: null,
  });
});

test("a watcher is told the way over floor that was seen, and why there is none", async () => {
  const watcher = await head.open({ topics: {} });
  const ask = (x: number) => watcher.ask({ about: "way", to: [x, 0], frame: "world" });
  await expect(ask(1)).rejects.toThrow(/the pose of the base is not known/);
  await drive(40, 0.9);
  /** Searches rest for as long as the last one took. */
  const answerTo = (x: number) => vi.waitFor(() => ask(x), { timeout: 10_000, interval: 200 });
  // The camera does not see the floor under the base, but the base stands on it.
  const free = await answerTo(1.6);
  if (free.about !== "way" || free.way === null) throw new Error(`no way: ${JSON.stringify(free)}`);
  expect(free.way.pieces[0]!.from[0]).toBeCloseTo(0.88, 1);
  // From 0.88 to 1.6 m straight on.
  expect(free.way.length).toBeGreaterThan(0.7);
  expect(free.way.length).toBeLessThan(0.76);
  const near = await answerTo(1.93);
  expect(near).toMatchObject({ about: "way", way: null, whyNot: { point: [1.93, 0] } });
  expect("whyNot" in near && near.whyNot!.text).toMatch(/^the goal at 1\.93, 0\.00 /);
  const beyond = await answerTo(-8);
  expect(beyond).toMatchObject({ way: null, whyNot: { why: "goal", footing: "unseen" } });
});

test("a watcher of a way gets it when it has changed", async () => {
  const watcher = await head.open({ topics: {} });
  await drive(40, 0.9);
  const ways: FromServer<"way">[] = [];
  watcher.on("way", (way) => ways.push(way));
  watcher.watchWay({ to: [1.6, 0] });
  await vi.waitFor(() => expect(ways).toHaveLength(1), { timeout: 10_000 });
  expect(ways[0]).toMatchObject({ to: [1.6, 0], whyNot: null });
  expect(ways[0]!.way!.length).toBeGreaterThan(0.7);
  watcher.watchWay({ to: [-8, 0] });
  await vi.waitFor(() => expect(ways).toHaveLength(2), { timeout: 10_000 });
  expect(ways[1]).toMatchObject({ to: [-8, 0], way: null, whyNot: { why: "goal", footing: "unseen" } });
});

test("a setting is changed live within its bounds, and everyone hears of it", async () => {
  const watcher = await head.open({ topics: { notes: 10 } });
  const note = event(watcher, "note");
  expect((await watcher.settings())["body.height"]).toBe(0.6);
  const { values, rows } = await watcher.explainSettings();
  expect(Object.keys(rows)).toEqual(Object.keys(values));
  expect(rows["body.height"]).toMatchObject({ type: "number", unit: "m", min: 0.05, max: 3, default: 0.6 });
  expect(rows["pose.source"]!.choices).toContain("odometry");
  expect(rows["body.footprint"]).toMatchObject({ type: "text", default: values["body.footprint"] });
  expect((await watcher.settings({ "body.height": 0.9 }))["body.height"]).toBe(0.9);
  expect(await note).toMatchObject({ what: "setting", text: "body.height = 0.9 (was 0.6), by watcher (2)" });
  await expect(watcher.settings({ "body.height": 9 })).rejects.toThrow(
    /body.height must be a number from 0.05 to 3 m/,
  );
  await expect(watcher.settings({ "body.hight": 1 })).rejects.toThrow(/did you mean/);
  await expect(watcher.settings({ "map.voxelSize": 0.1 })).rejects.toThrow(/settings file/);
  expect((await watcher.settings())["body.height"]).toBe(0.9);
});

test("without frames the head says late, then blind, with a growing age", async () => {
  await head.stop();
  head = await LiveHead.start({ blind: 2 });
  sensor = await head.open({ role: "sensor" });
  const base = await head.open({ role: "base", topics: { reach: 100 } });
  await head.drive(sensor, 5);
  const seen: { state: string; age: number }[] = [];
  base.on("reach", ({ state, age }) => seen.push({ state, age }));
  head.look(sensor);
  await until(() => seen.filter(({ state }) => state === "blind").length > 2);
  const states = seen.map(({ state }) => state).filter((state, i, all) => state !== all[i - 1]);
  expect(states.slice(-3)).toEqual(["clear", "late", "blind"]);
  const ages = seen.slice(seen.findLastIndex(({ state }) => state === "clear")).map(({ age }) => age);
  expect(ages).toEqual(ages.toSorted((a, b) => a - b));
});

test("a role may do its own things only", async () => {
  const raw = await new RawClient(head.service.url).opened();
  raw.say({ kind: "clock", sent: 1 });
  await until(() => raw.of("error").length === 1);
  expect(raw.of("error")[0]).toMatchObject({ code: "order", message: "clock: say hello first" });
  raw.say({ kind: "hello", role: "watcher" });
  raw.say({ kind: "knock", point: [0, 0, 0] });
  await until(() => raw.of("error").length === 2);
  expect(raw.of("error")[1]).toMatchObject({ code: "role", about: "knock" });
  expect(raw.of("error")[1]!.message).toContain("role base");
  raw.say({ kind: "hello", role: "base" });
  await until(() => raw.of("error").length === 3);
  expect(raw.of("error")[2]).toMatchObject({ code: "order" });
});

test("stamps of another clock are refused with by how much; without a stamp, arrival counts", async () => {
  const raw = await new RawClient(head.service.url).opened();
  raw.say({ kind: "hello", role: "base" });
  raw.say({ kind: "motion", time: 5, pose: [0, 0, 0], speed: null });
  raw.say({ kind: "motion", pose: [0, 0, 0], speed: null });
  await until(() => raw.of("error").length === 1);
  expect(raw.of("error")[0]!.message).toMatch(/behind the head's clock/);
  const motions = async () =>
    (await head.service.metrics.events.get()).values.find(({ labels }) => labels.kind === "motion")?.value;
  await vi.waitFor(async () => expect(await motions()).toBe(1), 3000);
});

test("a driver declares its sensor; frames of a wrong size or of an undeclared sensor are refused by name", async () => {
  const laser = {
    name: "laser",
    optics: {
      ...({ model: "scan", width: 4, height: 1, firstAngle: -0.1, step: 0.05 } as const),
      ...({ measures: "range", unit: 0.001, minRange: 0.1, maxRange: 5 } as const),
    },
    mount: { on: "base", pose: { rotation: [0.5, -0.5, 0.5, -0.5], position: [0, 0, 0.2] } },
  } as const;
  const driver = await head.open({ role: "sensor", sensors: [laser] });
  expect(driver.welcome!.setup.sensors.map(({ name }) => name)).toEqual(["front", "laser"]);
  const frame = { kind: "depth", sequence: 0, form: "u16", amplitude: null } as const;
  const refusal = async (sensorName: string, counts: Uint8Array) => {
    const error = event(driver, "error");
    driver.observe({ ...frame, sensor: sensorName, counts });
    return (await error).message;
  };
  expect(await refusal("laser", new Uint8Array(6))).toBe(
    "depth: counts has 6 bytes; 4 x 1 pixels of 16 bits are 8",
  );
  expect(await refusal("rear", new Uint8Array(8))).toMatch(/no sensor "rear"; there is front, laser/);
  driver.observe({ ...frame, sensor: "laser", counts: new Uint8Array(8) });
  // The camera goes on as if nothing had happened.
  const base = await head.open({ role: "base", topics: { reach: 100 } });
  const times: number[] = [];
  base.on("reach", ({ time }) => times.push(time));
  const time = head.look(sensor);
  await until(() => times.includes(time), "the camera's next frame");
  // And the laser's one good frame has been dealt with, now that the place of the base is known.
  const watcher = await head.open({ topics: { pulse: 10 } });
  const ofLaser = async () => (await event(watcher, "pulse")).sensors[1]!;
  await vi.waitFor(async () => {
    const { frames, skipped } = await ofLaser();
    expect(frames + skipped).toBe(1);
  }, 5000);
});

test("a waiver in force stands in reaches of the frame alone, too", async () => {
  const [sensor, base] = [await head.open({ role: "sensor" }), await head.open({ role: "base" })];
  const reaches: FromServer<"reach">[] = [];
  sensor.on("reach", (reach) => reaches.push(reach));
  sensor.subscribe({ reach: 100, notes: 10 });
  let isTold = false;
  sensor.on("note", ({ what }) => {
    if (what === "waiver") isTold = true;
  });
  base.observe({ kind: "waiver", direction: "left", seconds: 3, reason: "known ramp" });
  await until(() => isTold, "the waiver's note");
  // No pose comes with it.
  sensor.observe({
    kind: "depth",
    sensor: "front",
    time: headTime(),
    sequence: 0,
    form: "u16",
    counts: view(),
    amplitude: null,
  });
  // Before the frame the head may say that it is blind.
  const ofFrame = () => reaches.find(({ source, state }) => source === "frame" && state !== "waiting");
  await until(() => ofFrame() !== undefined);
  const { waiver } = ofFrame()!;
  expect(waiver).toMatchObject({ direction: "left", reason: "known ramp" });
  expect(waiver!.left).toBeGreaterThan(0);
  expect(waiver!.left).toBeLessThanOrEqual(3);
});

test("a blind head reports the waiver in force, and its end", async () => {
  const base = await head.open({ role: "base", topics: { reach: 100 } });
  const reaches: FromServer<"reach">[] = [];
  base.on("reach", (reach) => reaches.push(reach));
  base.observe({ kind: "waiver", direction: "backward", seconds: 0.5, reason: "off the ramp" });
  const waived = () => reaches.filter(({ waiver }) => waiver !== null);
  await until(() => waived().length >= 2);
  await until(() => reaches.at(-1)!.waiver === null, "the end of the waiver");
  expect(new Set(reaches.map(({ state }) => state))).toEqual(new Set(["waiting"]));
  for (const { waiver } of waived()) {
    expect(waiver).toMatchObject({ direction: "backward", reason: "off the ramp" });
    expect(waiver!.left).toBeLessThanOrEqual(0.5);
  }
  const left = waived().map(({ waiver }) => waiver!.left);
  expect(left).toEqual(left.toSorted((a, b) => b - a));
  expect(left.at(-1)).toBeLessThan(left[0]!);
});

test("a knock and a mark are announced to subscribers; a floorcheck is answered", async () => {
  const watcher = await head.open({ topics: { notes: 10 } });
  const texts: string[] = [];
  watcher.on("note", ({ what, text }) => texts.push(`${what}: ${text}`));
  const base = await head.open({ role: "base" });
  await drive(20, 0.5);
  const finding = event(base, "finding");
  base.observe({ kind: "floorcheck", point: [1, 0], alarm: true });
  base.observe({ kind: "knock", point: [0.2, 0, 0.06] });
  base.observe({ kind: "waiver", direction: "forward", seconds: 2, reason: "known ramp" });
  await base.mark("here");
  // 1 m ahead of 0.475 m there is floor, and it was seen: the alarm is wrong.
  expect(await finding).toMatchObject({ alarm: true, verdict: "disagrees", footing: "firm" });
  await until(() => texts.length === 3);
  expect(texts.toSorted()).toEqual([
    "knock: at 0.20, 0.00, 0.06 m of the base",
    "mark: here",
    "waiver: begun: forward, 2 s, known ramp",
  ]);
});

test("a head without sensors says so, and how to connect, until the first frame", async () => {
  await head.stop();
  head = await LiveHead.start(PATIENT);
  const base = await head.open({ role: "base", topics: { reach: 100, notes: 10 } });
  const states: string[] = [];
  base.on("reach", ({ state }) => states.push(state));
  await until(() => states.length > 3, "reaches");
  expect(new Set(states)).toEqual(new Set(["waiting"]));
  const health = () => fetch(head.service.url.replace("ws:", "http:").replace("/live", "/health"));
  const before = await health();
  expect(before.status).toBe(503);
  expect(await before.json()).toMatchObject({ state: "waiting", hint: expect.stringContaining("?frames=1") });
  expect(await event(base, "note")).toMatchObject({
    what: "sensor",
    text: expect.stringMatching(/^no sensor has connected: a driver connects to ws:/),
  });
  sensor = await head.open({ role: "sensor" });
  await drive(3);
  await until(() => states.at(-1) === "clear", "the first frames");
  expect(await (await health()).json()).not.toHaveProperty("hint");
});
