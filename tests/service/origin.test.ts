import { createSocket, type Socket } from "node:dgram";
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, afterEach, beforeAll, beforeEach, expect, test } from "vitest";
import { readPlayed } from "../../src/service/playing/recordings-folder.ts";
import type { ServiceParts } from "../../src/service/service.ts";
import { recordScenario } from "../../src/simulate/record.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { decodeGlance, type Glance } from "../../src/wire/datagram.ts";
import { playScenario } from "../../tools/serve/player.ts";

import { event, LiveHead, PATIENT, RawClient, until } from "../helpers/live.ts";
import { MotorBoard } from "../helpers/motor-board.ts";

// What a recording or a simulation says must never move a robot.

const YARD = fileURLToPath(new URL("../../datasets/yard-room.json", import.meta.url));
const folder = mkdtempSync(join(tmpdir(), "brinkmap-origin-"));
const path = join(folder, "room.brk");
let heads: LiveHead[] = [];
let socket: Socket;
let datagrams: { bytes: Uint8Array; glance: Glance }[];

beforeAll(async () => {
  const room = JSON.parse(readFileSync(YARD, "utf8"));
  await recordScenario(loadScenario({ ...room, duration: 1 }), path, {});
});
afterAll(() => rmSync(folder, { recursive: true }));
beforeEach(async () => {
  datagrams = [];
  socket = createSocket("udp4");
  socket.on("message", (message) => {
    const bytes = new Uint8Array(message);
    datagrams.push({ bytes, glance: decodeGlance(bytes) });
  });
  await new Promise<void>((resolve) => socket.bind(0, "127.0.0.1", resolve));
});
afterEach(async () => {
  socket.close();
  await Promise.all(heads.map((head) => head.stop()));
  heads = [];
});

const ORIGINS: Readonly<Record<"recording" | "simulated", () => Promise<Partial<ServiceParts>>>> = {
  recording: async () => ({ played: await readPlayed(path) }),
  simulated: async () => ({ player: await playScenario(YARD) }),
};

async function start(origin: keyof typeof ORIGINS, settings: object = {}): Promise<LiveHead> {
  const head = await LiveHead.start({ sensors: [], ...PATIENT, ...settings }, await ORIGINS[origin]());
  heads.push(head);
  return head;
}
const glance = (more: object = {}) => ({
  glance: { host: "127.0.0.1", port: socket.address().port, ...more },
});

for (const origin of ["recording", "simulated"] as const) {
  test(`${origin}: a base is let in only when it says that it rehearses, and welcome says what it is`, async () => {
    const head = await start(origin);
    const watcher = await head.open();
    expect(watcher.welcome?.origin).toBe(origin);
    const base = await new RawClient(head.service.url).opened();
    base.say({ kind: "hello", role: "base" });
    await until(() => base.closed !== null);
    expect(base.of("error")[0]).toMatchObject({ code: "origin", about: "hello" });
    expect(base.of("error")[0]!.message).toContain("rehearse: true");
    expect(base.closed!.code).toBe(1008); // RFC 6455, 7.4.1: it must not come back unchanged
    const rehearsing = await head.open({ role: "base", rehearse: true, topics: { reach: 100 } });
    expect(rehearsing.welcome?.origin).toBe(origin);
    await event(rehearsing, "reach");
  });

  test(`${origin}: no datagram goes out by itself; asked for, each is one that the documented receiver refuses`, async () => {
    const quiet = await start(origin, glance());
    let reaches = 0;
    (await quiet.open({ topics: { reach: 100 } })).on("reach", () => reaches++);
    await until(() => reaches > 5, "reaches");
    expect(datagrams).toEqual([]);
    await start(origin, glance({ rehearse: true }));
    await until(() => datagrams.some(({ glance }) => (glance.pace?.forward ?? 0) > 0), "a pace");
    const board = new MotorBoard();
    for (const { bytes, glance } of datagrams) {
      expect(glance.isLive).toBe(false);
      board.onDatagram(bytes, 0);
      expect([board.limitForward, board.limitBackward]).toEqual([0, 0]);
    }
  });
}

test("a base that rehearses is informed once that its odometry is ignored, and stays connected", async () => {
  const head = await start("recording");
  const base = await head.open({ role: "base", rehearse: true });
  const errors: string[] = [];
  base.on("error", ({ code, message }) => errors.push(`${code} ${message}`));
  for (let n = 0; n < 300; n++) base.observe({ kind: "motion", pose: [n, 0, 0], speed: null });
  await base.settings();
  expect(errors).toEqual(["origin motion: this head plays a recording"]);
});

test("a live head accepts a base, and `welcome` says that it is live", async () => {
  const head = await LiveHead.start(glance());
  heads.push(head);
  const base = await head.open({ role: "base" });
  expect(base.welcome?.origin).toBe("live");
  await until(() => datagrams.length > 0, "a datagram");
  expect(datagrams[0]!.glance.isLive).toBe(true);
});
