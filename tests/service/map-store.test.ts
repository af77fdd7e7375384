import { expect, test } from "vitest";
import { MapStore } from "../../src/service/sockets/map-store.ts";
import { encodeClasses, MOST_BLOCK_BYTES, splitBlocks } from "../../src/wire/blocks.ts";
import { seeded } from "../helpers/compare.ts";

const voxels = new Uint8Array(512);
const room = new Uint8Array(MOST_BLOCK_BYTES);

/** A block's bytes, as on the wire: its key first, its revision second. */
const block = (key: number, revision: number) =>
  room.slice(0, encodeClasses({ key, revision, values: voxels }, room, 0));

const keysIn = (bytes: Uint8Array, count: number) => {
  const size = bytes.length / Math.max(1, count); // all alike here
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  return Array.from({ length: count }, (_, n) => view.getInt32(n * size, true));
};

test("whatever a client has, it gets each block that changed since, once, oldest change first, in slices that fit", () => {
  const random = seeded(4);
  const store = new MapStore("a", splitBlocks);
  /** Of each block, its newest change. */
  const newest = new Map<number, number>();
  let change = 0;
  for (let step = 0; step < 3000; step++) {
    const keys = Array.from({ length: 1 + Math.floor(4 * random()) }, () => Math.floor(200 * random()));
    store.add(Uint8Array.from(keys.flatMap((key) => [...block(key, step)])));
    for (const key of keys) newest.set(key, ++change);
    if (step % 10 > 0) continue;
    let have = Math.floor(change * random());
    const expected = [...newest].filter(([, at]) => at > have).sort(([, a], [, b]) => a - b);
    const got: number[] = [];
    for (let left = -1; left !== 0; ) {
      const changes = store.since(have, 20 * block(0, 0).length);
      got.push(...keysIn(changes.bytes, changes.count));
      expect(changes.count).toBe(Math.min(20, expected.length - got.length + changes.count));
      expect(changes.left).toBe(expected.length - got.length);
      ({ left, to: have } = changes);
    }
    expect(got).toEqual(expected.map(([key]) => key));
    expect(have).toBe(change);
    expect(store.count).toBe(newest.size);
    expect(store.parts).toHaveLength(newest.size);
  }
  expect(store.size).toBe(newest.size * block(0, 0).length);
});
