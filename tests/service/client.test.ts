import { createSocket } from "node:dgram";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { unpack } from "msgpackr";
import { afterEach, expect, test } from "vitest";
import { HeadClient, type Socket } from "../../src/client/client.ts";
import { headTime } from "../../src/service/time.ts";
import { SharedMessage } from "../../src/wire/codec.ts";
import { decodeGlance, type Glance } from "../../src/wire/datagram.ts";
import type { Draft, FromClient } from "../../src/wire/messages.ts";
import { playScenario } from "../../tools/serve/player.ts";
import { CAMERA, event, LiveHead, PATIENT, until, view } from "../helpers/live.ts";

let heads: LiveHead[] = [];
afterEach(async () => {
  await Promise.all(heads.map((head) => head.stop()));
  heads = [];
});
async function start(...args: Parameters<typeof LiveHead.start>): Promise<LiveHead> {
  const head = await LiveHead.start(...args);
  heads.push(head);
  return head;
}

test("a client whose head restarts reconnects by itself, takes the new map, and its requests work", async () => {
  const first = await start(PATIENT);
  const watcher = await first.open({ topics: { map: 50 } });
  const sensor = await first.open({ role: "sensor" });
  await first.drive(sensor, 12);
  await until(() => watcher.mirror.blocks.size > 0);
  const { epoch } = watcher.mirror;
  const { port } = first.service;
  const closed = event(watcher, "closed");
  await first.service.stop();
  expect(await closed).toMatchObject({ code: 1001, retry: expect.any(Number) });
  await expect(watcher.settings()).rejects.toThrow("not connected");
  const second = await start({ listen: { port }, ...PATIENT });
  await until(() => watcher.isOpen, "coming back");
  expect(await watcher.settings()).toHaveProperty(["body.height"]);
  await until(() => watcher.mirror.epoch !== epoch, "the new map");
  expect(watcher.mirror.blocks.size).toBe(0);
  expect(second.service.port).toBe(port);
});

test("a map that is to be continued is kept over a restart", async () => {
  const folder = mkdtempSync(join(tmpdir(), "kept-"));
  const first = await start({ ...PATIENT, map: { folder } });
  const sensor = await first.open({ role: "sensor" });
  await first.drive(sensor, 12);
  const watcher = await first.open({ topics: { map: 50 } });
  await first.pulses();
  expect(await watcher.map("save")).toMatch(/bytes to /);
  await until(() => watcher.mirror.isComplete && watcher.mirror.blocks.size > 0);
  await first.stop();
  const second = await start({ ...PATIENT, map: { folder, load: true } });
  const again = await second.open({ topics: { map: 50 } });
  await until(() => again.mirror.blocks.size === watcher.mirror.blocks.size, "the kept map");
  for (const [key, { classes }] of watcher.mirror.blocks) {
    expect(Buffer.from(again.mirror.blocks.get(key)!.classes).equals(Buffer.from(classes))).toBe(true);
  }
  rmSync(folder, { recursive: true });
});

test("refused for its token, a client does not try again", async () => {
  const { newToken } = await import("../../src/service/access/tokens.ts");
  const head = await start({ tokens: [newToken("a", ["drive"]).entry] });
  const client = head.client({ role: "base", token: "wrong" });
  expect(await event(client, "closed")).toMatchObject({ code: 1008, retry: null });
});

test("the head's clock is known to within half the delay", async () => {
  const head = await start();
  // This client's clock is 1000 s behind.
  const client = await head.open({ now: () => headTime() - 1e9 });
  await until(() => client.clock !== null);
  const wrong = Math.abs(client.headTime()! - headTime());
  expect(wrong).toBeLessThanOrEqual(client.clock!.delay / 2 + 2000);
  expect(client.clock!.offset).toBeGreaterThan(1e9 - client.clock!.delay - 2000);
});

test("the glance datagram follows the frames, then says late and blind when they stay away", async () => {
  const socket = createSocket("udp4");
  await new Promise<void>((resolve) => socket.bind(0, "127.0.0.1", resolve));
  const heard: Glance[] = [];
  socket.on("message", (bytes) => heard.push(decodeGlance(new Uint8Array(bytes))));
  const head = await start({
    glance: { host: "127.0.0.1", port: socket.address().port },
    blind: 1.5,
  });
  const sensor = await head.open({ role: "sensor" });
  await head.drive(sensor, 20, 0.5);
  const states = () => heard.map(({ state }) => state);
  await until(() => states().includes("clear"));
  await until(() => states().at(-1) === "blind");
  expect(states().slice(states().lastIndexOf("clear"))).toContain("late");
  const numbers = heard.map(({ number }) => number);
  expect(numbers).toEqual(numbers.map((_, i) => numbers[0]! + i));
  // Blind: nothing is known to be free, and no pace is given.
  expect(heard.at(-1)!.pace?.forward ?? 0).toBe(0);
  socket.close();
});

test("a scenario played live is driven through: reach, poses and a map, and no frames from elsewhere", async () => {
  const path = fileURLToPath(new URL("../../datasets/yard-room.json", import.meta.url));
  const head = await start({ sensors: [], ...PATIENT }, { player: await playScenario(path) });
  const watcher = await head.open({ topics: { reach: 100, pose: 100, map: 10 } });
  let poses = 0;
  watcher.on("pose", () => poses++);
  await event(watcher, "reach");
  await until(() => poses > 3 && watcher.mirror.blocks.size > 10, "the drive");
  const sensor = await head.open({ role: "sensor" });
  const error = event(sensor, "error");
  head.look(sensor);
  expect(await error).toMatchObject({
    code: "origin",
    message: expect.stringContaining("simulates its sensors"),
  });
});

test("a sensor's frame is dropped, not queued, until the head has read the one before", () => {
  const sent: FromClient[] = [];
  const socket = {
    binaryType: "",
    bufferedAmount: 0,
    onopen: null,
    onmessage: null,
    onclose: null,
    onerror: null,
    send: (data: string | Uint8Array) => sent.push(unpack(data as Uint8Array)),
    close: () => {},
  } as Socket;
  let now = 0;
  const client = new HeadClient({
    url: "ws://head",
    role: "sensor",
    sensors: [CAMERA],
    makeSocket: () => socket,
    now: () => ++now,
  });
  socket.onopen!(undefined as never);
  let number = 0;
  const hear = (draft: Draft) =>
    socket.onmessage!({ data: new SharedMessage(draft).finish("binary", ++number, 0) });
  hear({
    ...{
      kind: "welcome",
      session: "1",
      software: "",
      role: "sensor",
      time: 0,
      silence: 1,
      mostBytes: 1,
      origin: "live",
      rights: ["feed"],
      played: null,
    },
    setup: { sensors: [], baseFromHead: CAMERA.mount.pose, headFromImu: CAMERA.mount.pose },
    map: { epoch: "a", voxelSize: 0.05, change: 0 },
  });
  const answer = () => {
    const clocks = sent.splice(0).filter((message) => message.kind === "clock");
    for (const clock of clocks) hear({ kind: "clock", sent: clock.sent, received: 0, replied: 0 });
  };
  const frame = { kind: "depth", sensor: "front", form: "u16", counts: view(), amplitude: null } as const;
  expect(client.observe({ ...frame, sequence: 0 })).toBe(true);
  // What is small goes on; a frame does not.
  expect(client.observe({ kind: "knock", point: [0.2, 0, 0.1] })).toBe(true);
  expect(client.observe({ ...frame, sequence: 1 })).toBe(false);
  expect(client.dropped).toBe(1);
  // Nor does it keep another camera's from being sent.
  expect(client.observe({ ...frame, sensor: "back", sequence: 0 })).toBe(true);
  answer();
  expect(client.observe({ ...frame, sequence: 2 })).toBe(true);
  expect(sent.filter(({ kind }) => kind === "depth")).toMatchObject([{ sensor: "front", sequence: 2 }]);
  client.close();
});
