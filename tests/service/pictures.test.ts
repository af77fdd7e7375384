import { afterEach, beforeEach, expect, test } from "vitest";
import type { HeadClient } from "../../src/client/client.ts";
import { newToken } from "../../src/service/access/tokens.ts";
import { MAP_FILES } from "../../src/service/maps/map-files.ts";
import { keyX, keyY, keyZ, VOXEL } from "../../src/wire/blocks.ts";
import { REASON, unpackCodes, unpackImage } from "../../src/wire/image.ts";
import type { FromServer } from "../../src/wire/messages.ts";
import { LiveHead, PATIENT, until, view } from "../helpers/live.ts";

let head: LiveHead;
let sensor: HeadClient;
beforeEach(async () => {
  head = await LiveHead.start(PATIENT);
  sensor = await head.open({ role: "sensor" });
});
afterEach(() => head.stop());

test("a watcher gets each pixel's depth, or the reason why it is not used, of the stated frame", async () => {
  const watcher = await head.open({ topics: { image: 10 } });
  const images: FromServer<"image">[] = [];
  watcher.on("image", (image) => images.push(image));
  await head.drive(sensor, 3);
  await until(() => images.length > 0, "an image");
  const { width, height, unit, depth, reason, sensor: name } = images[0]!;
  expect([name, width, height]).toEqual(["front", 160, 120]);
  const counts = new Uint16Array(view().buffer);
  const [got, why] = [unpackImage(depth, counts.length), unpackCodes(reason, counts.length)];
  let used = 0;
  for (let n = 0; n < counts.length; n++) {
    if (why[n] !== REASON.ok) continue;
    used++;
    expect(Math.abs(got[n]! * unit - counts[n]! / 1000)).toBeLessThanOrEqual(unit);
  }
  expect(used).toBeGreaterThan(0.8 * counts.length);
});

test("the footing around the base is firm where floor was seen, and unseen behind the wall", async () => {
  const watcher = await head.open({ topics: { ground: 10 } });
  const grounds: FromServer<"ground">[] = [];
  watcher.on("ground", (ground) => grounds.push(ground));
  await head.drive(sensor, 25, 0.4);
  await head.pulses();
  const { col, row, width, height, cell, cells } = grounds.at(-1)!;
  const codes = unpackCodes(cells, width * height);
  const at = (x: number, y: number) =>
    codes[(Math.floor(y / cell) - row) * width + Math.floor(x / cell) - col];
  expect(at(1.4, 0)).toBe(1);
  expect(at(1.2, 0.1)).toBe(1);
  expect(at(2.8, 0)).toBe(0); // the wall stands at 2 m
  expect(at(-2, 0)).toBe(0);
});

test("images are made for subscribers only, and not after they end the topic", async () => {
  const watcher = await head.open({ topics: { reach: 10 } });
  let count = 0;
  watcher.on("image", () => count++);
  await head.drive(sensor, 5);
  expect(count).toBe(0);
  watcher.subscribe({ image: 10 });
  await until(() => count === 1, "the newest image, at once");
  watcher.subscribe({ image: 0 });
  await head.pulses();
  const before = count;
  await head.drive(sensor, 5);
  await head.pulses();
  expect(count).toBe(before);
});

test("evidence of a place: how sure, since when, seen from where", async () => {
  const watcher = await head.open();
  await head.drive(sensor, 25, 0.4);
  // The wall, at 2 m, is the border of two voxels.
  const asked = [1.98, 2.02].map((x) =>
    watcher.ask({ about: "evidence", point: [x, 0.02, 0.3], frame: "world" }),
  );
  const wall = (await Promise.all(asked)).find((one) => one.about === "evidence" && one.class === "occupied");
  if (wall?.about !== "evidence") throw new Error("neither is occupied");
  expect(wall.nats).toBeGreaterThan(1.5); // what makes a voxel occupied
  expect(wall.changed!.from[0]).toBeGreaterThanOrEqual(0);
  expect(wall.changed!.from[0]).toBeLessThanOrEqual(0.4);
  const floor = await watcher.ask({ about: "evidence", point: [1.4, 0, 0.4], frame: "world" });
  expect(floor).toMatchObject({ class: "free", footing: "firm" });
  if (floor.about !== "evidence") throw new Error(floor.about);
  expect(floor.seen!.ago).toBeLessThan(5);
  expect(floor.seen!.far).toBeGreaterThan(0.8); // the camera is at most 0.4 m ahead of the start, 0.5 m up
  const nowhere = await watcher.ask({ about: "evidence", point: [9, 9, 1], frame: "world" });
  expect(nowhere).toMatchObject({
    class: "undecided",
    nats: 0,
    changed: null,
    seen: null,
    footing: "unseen",
  });
});

test("the trail has the class of each pose", async () => {
  const watcher = await head.open({ topics: { trail: 20 } });
  const trails: FromServer<"trail">[] = [];
  watcher.on("trail", (trail) => trails.push(trail));
  await head.drive(sensor, 60, 0.6);
  await until(() => (trails.at(-1)?.codes.length ?? 0) >= 6, "the way");
  const { points, codes, classes } = trails.at(-1)!;
  expect(classes).toEqual(["reference"]);
  const view = new DataView(points.buffer, points.byteOffset, points.byteLength);
  const xs = Array.from(codes, (_, n) => view.getFloat32(12 * n, true));
  expect(xs).toEqual(xs.toSorted((a, b) => a - b));
  expect(xs[0]).toBeCloseTo(0, 5);
});

const fileOf = (path: string, headers: Record<string, string> = {}) =>
  fetch(head.service.url.replace("ws:", "http:").replace("/live", path), { headers });

test("the map comes as files of points, the centres of its occupied voxels", async () => {
  const watcher = await head.open({ topics: { map: 50 } });
  await head.drive(sensor, 25, 0.4);
  await head.pulses();
  await until(() => watcher.mirror.isComplete);
  const known = new Set<string>();
  const { voxelSize } = watcher.welcome!.map;
  for (const { key, classes } of watcher.mirror.blocks.values()) {
    classes.forEach((one, n) => {
      if (one !== VOXEL.occupied) return;
      const at = [8 * keyX(key) + (n & 7), 8 * keyY(key) + ((n >> 3) & 7), 8 * keyZ(key) + (n >> 6)];
      known.add(at.join());
    });
  }
  expect(known.size).toBeGreaterThan(100);
  const ply = Buffer.from(await (await fileOf("/map.ply")).arrayBuffer());
  const end = ply.indexOf("end_header\n") + 11;
  expect(ply.subarray(0, end).toString()).toContain(`element vertex ${known.size}\n`);
  const npy = Buffer.from(await (await fileOf("/map.npy")).arrayBuffer());
  const start = 10 + npy.readUInt16LE(8);
  expect(npy.subarray(10, start).toString()).toContain(`'shape': (${known.size}, 3)`);
  for (const [file, from] of [
    [ply, end],
    [npy, start],
  ] as const) {
    const found = new Set<string>();
    for (let at = from; at < file.length; at += 12) {
      found.add([0, 4, 8].map((k) => Math.floor(file.readFloatLE(at + k) / voxelSize)).join());
    }
    expect(found).toEqual(known);
  }
});

test("where tokens are set, the map's files need one", async () => {
  const { token, entry } = newToken("tablet", ["watch"]);
  const guarded = await LiveHead.start({ tokens: [entry] });
  const url = guarded.service.url.replace("ws:", "http:").replace("/live", "");
  for (const path of Object.keys(MAP_FILES))
    expect([path, (await fetch(url + path)).status]).toEqual([path, 401]);
  expect((await fetch(`${url}/map.ply`, { headers: { authorization: `Bearer ${token}` } })).status).toBe(200);
  await guarded.stop();
});

test("of many files at once some are refused, and those made are whole; afterwards they come again", async () => {
  const answers = await Promise.all(Array.from({ length: 24 }, () => fileOf("/map.npy")));
  const whole = answers.filter(({ status }) => status === 200);
  const refused = answers.filter(({ status }) => status === 503);
  expect(whole.length).toBeGreaterThan(0);
  expect(whole.length + refused.length).toBe(24);
  for (const answer of refused) expect(await answer.text()).toMatch(/files are being made/);
  const sizes = await Promise.all(whole.map(async (answer) => (await answer.arrayBuffer()).byteLength));
  expect(new Set(sizes).size).toBe(1);
  expect((await fileOf("/map.npy")).status).toBe(200);
});
