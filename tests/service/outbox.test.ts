import { beforeEach, describe, expect, test } from "vitest";
import { MapMirror } from "../../src/client/mirror.ts";
import { BlockGrid, blockKey, FREE_BELOW, OCCUPIED_FROM } from "../../src/map/grid.ts";
import { FloorStore } from "../../src/service/sockets/floor-store.ts";
import { MapStore } from "../../src/service/sockets/map-store.ts";
import { Outbox } from "../../src/service/sockets/outbox.ts";
import { encodeClasses, MOST_BLOCK_BYTES, splitBlocks, VOXEL } from "../../src/wire/blocks.ts";
import { decodeFromServer, SharedMessage } from "../../src/wire/codec.ts";
import type { FromServer } from "../../src/wire/messages.ts";
import { seeded } from "../helpers/recordings.ts";

let now = 0;
let map: MapStore;
let sent: FromServer[];
let pings: number[];
let overflows: number;

function outbox(): Outbox {
  return new Outbox(
    {
      send: (data) => sent.push(decodeFromServer(data)!),
      ping: (sequence) => pings.push(sequence),
      backlog: 0,
    },
    {
      form: "binary",
      confirms: false,
      map,
      floor: new FloorStore("a"),
      now: () => now,
      overflow: () => overflows++,
    },
  );
}

const reach = (time: number): SharedMessage =>
  new SharedMessage({
    kind: "reach",
    time,
    until: time + 200_000,
    frame: time,
    state: "clear",
    source: "map",
    first: 0,
    step: 1,
    range: 4000,
    viewMs: null,
    distanceMm: [1],
    what: [5],
    agesMs: null,
    pace: null,
    waiver: null,
  });
const timesOf = (kind: "reach" | "pose"): number[] =>
  sent.filter((message) => message.kind === kind).map((message) => (message as FromServer<"reach">).time);

beforeEach(() => {
  now = 1000;
  map = new MapStore("a", splitBlocks);
  sent = [];
  pings = [];
  overflows = 0;
});

describe("a client that stops reading", () => {
  test("gets three more reaches at most, and the newest first when it reads again", () => {
    const box = outbox();
    box.subscribe("reach", 100);
    for (let frame = 0; frame < 900; frame++) {
      now += 33_333;
      box.offer("reach", reach(now));
    }
    expect(timesOf("reach").length).toBe(3);
    const newest = now;
    now += 10_000;
    box.confirm(pings.at(-1)!);
    expect(timesOf("reach").length).toBe(4);
    expect(timesOf("reach").at(-1)).toBe(newest);
    expect(box.replaced).toBe(896);
  });

  test("costs no memory for notes and replies beyond a limit", () => {
    const box = outbox();
    box.subscribe("notes", 1);
    for (let n = 0; n < 1000; n++) box.note({ kind: "note", time: n, what: "mark", text: "x".repeat(500) });
    const before = sent.length;
    expect(before).toBeLessThanOrEqual(64);
    box.confirm(pings.at(-1)!);
    const first = sent[before] as FromServer<"note">;
    // What was left out in between is counted: 1000 less those sent before, and the 64 that waited.
    expect(first.missed).toBe(1000 - before - 64);
    const big = "x".repeat(20_000);
    for (let n = 0; n < 500; n++) box.reply({ kind: "done", id: n, text: big });
    expect(overflows).toBeGreaterThan(0);
    expect(sent.length).toBeLessThan(200);
  });

  test("is ignored when it confirms a message that was never sent", () => {
    const box = outbox();
    box.subscribe("reach", 100);
    for (let frame = 0; frame < 10; frame++) {
      now += 33_333;
      box.offer("reach", reach(now));
    }
    box.confirm(1e9);
    box.confirm(-5);
    expect(timesOf("reach").length).toBe(3);
  });
});

test("a rate is kept on average, and a frame a little early is not put off to the next", () => {
  const box = outbox();
  box.subscribe("reach", 15);
  for (let frame = 0; frame < 300; frame++) {
    now += frame % 2 === 0 ? 31_000 : 35_666; // 30 Hz with jitter
    const before = sent.length;
    box.offer("reach", reach(now));
    // What goes is the frame that has just come, not one that has waited.
    if (sent.length > before) expect(timesOf("reach").at(-1)).toBe(now);
    const count = sent.length;
    if (pings.length > 0) box.confirm(pings.at(-1)!);
    expect(sent.length).toBe(count);
  }
  expect(timesOf("reach").length).toBeGreaterThan(145);
  expect(timesOf("reach").length).toBeLessThan(155);
});

test("nothing is sent that was not subscribed to, or no longer is", () => {
  const box = outbox();
  box.offer("reach", reach(now));
  box.note({ kind: "note", time: 0, what: "mark", text: "" });
  box.subscribe("reach", 10);
  box.subscribe("reach", 0);
  box.offer("reach", reach(now));
  expect(sent).toEqual([]);
});

test("reach goes before a map that is on its way", () => {
  const values = new Uint8Array(512).map((_, i) => (i % 2 === 0 ? 0 : 100)); // 512 runs: the longest block
  const block = new Uint8Array(MOST_BLOCK_BYTES);
  for (let n = 0; n < 1000; n++)
    map.add(block.slice(0, encodeClasses({ key: n, revision: 1, values }, block, 0)));
  const box = outbox();
  box.subscribe("map", 10);
  const first = sent.length;
  // Half a megabyte waits, but no more than a window of it is on its way.
  expect(first).toBeLessThan(6);
  box.subscribe("reach", 100);
  box.offer("reach", reach(now));
  expect(sent[first]!.kind).toBe("reach");
  for (let i = 0; i < 1000 && pings.length > 0; i++) {
    now += 1000;
    box.confirm(pings.at(-1)!);
  }
  const patches = sent.filter((message) => message.kind === "patch");
  expect(patches.reduce((sum, { count }) => sum + count, 0)).toBe(1000);
  expect(patches.at(-1)!.left).toBe(0);
});

test("the mirror equals the grid voxel by voxel after 10,000 random patches, stalls, drops and reconnects", () => {
  const random = seeded(77);
  const whole = (n: number) => Math.floor(random() * n);
  const grid = new BlockGrid(0.05);
  const values = new Uint8Array(512);
  const out = new Uint8Array(MOST_BLOCK_BYTES);
  let box = outbox();
  let mirror = new MapMirror();
  let read = 0;
  box.subscribe("map", 100);
  const readOn = () => {
    for (; read < sent.length; read++) {
      const message = sent[read]!;
      if (message.kind === "patch") mirror.apply(message);
    }
    if (pings.length > 0) box.confirm(pings.at(-1)!);
  };
  for (let step = 0; step < 10_000; step++) {
    now += 20_000;
    grid.frame++;
    const blocks = whole(4);
    for (let n = 0; n < blocks; n++) {
      const key = blockKey(whole(8) - 4, whole(8) - 4, whole(3));
      const id = grid.findOrAdd(key);
      grid.copyBlock(id, values);
      for (let v = whole(20); v >= 0; v--) values[whole(512)] = whole(113);
      grid.pasteBlock(key, values, grid.frame);
      map.add(out.slice(0, encodeClasses({ key, revision: grid.frame, values }, out, 0)));
    }
    box.pump();
    const what = random();
    if (what < 0.7) readOn();
    else if (what < 0.72) {
      // The connection breaks: what was on its way is lost, the client comes back with what it has.
      box.close();
      [sent, pings, read] = [[], [], 0];
      box = outbox();
      if (random() < 0.2) mirror = new MapMirror(); // a client that was started anew
      box.subscribe("map", 100, mirror.epoch === "" ? null : mirror.have);
    } else if (what < 0.721) {
      grid.clear();
      map.reset(`epoch ${step}`);
    }
  }
  for (let i = 0; i < 100; i++) {
    now += 20_000;
    box.pump();
    readOn();
  }
  expect(mirror.isComplete).toBe(true);
  expect(mirror.blocks.size).toBe(grid.count);
  for (let id = 0; id < grid.count; id++) {
    grid.copyBlock(id, values);
    const block = mirror.blocks.get(grid.keys[id]!)!;
    expect(block.revision).toBe(grid.revision[id]);
    const classes = values.map((v) =>
      v < FREE_BELOW ? VOXEL.free : v >= OCCUPIED_FROM ? VOXEL.occupied : 0,
    );
    expect(Buffer.from(block.classes).equals(Buffer.from(classes))).toBe(true);
  }
});

test("a client that has the map hears nothing until it changes; one with a change of the future starts over", () => {
  const block = new Uint8Array(MOST_BLOCK_BYTES);
  map.add(block.slice(0, encodeClasses({ key: 3, revision: 1, values: new Uint8Array(512) }, block, 0)));
  const box = outbox();
  box.subscribe("map", 10, { epoch: "a", change: map.change });
  expect(sent).toEqual([]);
  const other = outbox();
  other.subscribe("map", 10, { epoch: "a", change: 99 });
  expect(sent).toMatchObject([{ kind: "patch", from: 0, count: 1, left: 0 }]);
});
