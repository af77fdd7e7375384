import { expect, test } from "vitest";
import { MapMirror } from "../../src/client/mirror.ts";
import { BaselineMap } from "../../src/viewer/baseline-map.ts";
import { encodeClasses, MOST_BLOCK_BYTES, packKey } from "../../src/wire/blocks.ts";
import type { FromServer } from "../../src/wire/messages.ts";

const playing = (change: number, over: Partial<FromServer<"playing">> = {}): FromServer<"playing"> => ({
  ...{
    kind: "playing",
    sequence: 1,
    time: 0,
    at: 0,
    frame: 7,
    speed: 0,
    repeat: true,
    goal: null,
    share: 1,
    moved: null,
  },
  map: { epoch: "a", change },
  ...over,
});

/** A patch with one block. */
function patch(change: number, left = 0): FromServer<"patch"> {
  const out = new Uint8Array(MOST_BLOCK_BYTES);
  const block = { key: packKey(change, 0, 0), revision: change, values: new Uint8Array(512).fill(255) };
  const blocks = out.slice(0, encodeClasses(block, out, 0));
  return { kind: "patch", sequence: 1, epoch: "a", from: 0, to: change, count: 1, left, blocks };
}

/** A connection, the wishes that were sent by it, and the calls that say whether the map is awaited. */
function made() {
  const mirror = new MapMirror();
  const wishes: object[] = [];
  const waits: boolean[] = [];
  const resume = async (speed: number) => void wishes.push({ speed });
  const player = { mirror, pause: () => resume(0), resume };
  return { mirror, wishes, waits, player, map: new BaselineMap((isAwaited) => waits.push(isAwaited)) };
}
const turn = () => new Promise((resolve) => setTimeout(resolve, 5));

test("a setting is changed only after the last patch of the baseline's map has come", async () => {
  const { mirror, waits, player, map } = made();
  mirror.apply(patch(1));
  map.setPlaying(playing(3));
  let isChanged = false;
  const done = map.changing(player, 0.05, async () => {
    isChanged = true;
  });
  await turn();
  expect([isChanged, waits]).toEqual([false, [true]]);
  mirror.apply(patch(2, 1));
  map.mapChanged();
  await turn();
  expect(isChanged).toBe(false);
  mirror.apply(patch(3));
  map.mapChanged();
  await done;
  expect([isChanged, waits]).toEqual([true, [true, false]]);
  expect(map.taken).toMatchObject({ frame: 7, voxelSize: 0.05 });
  expect(map.taken!.blocks.size).toBe(3);
  // Later patches belong to the changed settings.
  mirror.apply(patch(4));
  expect(map.taken!.blocks.size).toBe(3);
});

test("a recording that plays is paused for the map, and plays on after the change", async () => {
  const { mirror, wishes, player, map } = made();
  mirror.apply(patch(1));
  map.setPlaying(playing(1, { speed: 2 }));
  const done = map.changing(player, 0.05, async () => void wishes.push({ changed: true }));
  await turn();
  map.setPlaying(playing(2, { goal: 5 }));
  await turn();
  expect(wishes).toEqual([{ speed: 0 }]);
  map.setPlaying(playing(2));
  mirror.apply(patch(2));
  map.mapChanged();
  await done;
  expect(wishes).toEqual([{ speed: 0 }, { changed: true }, { speed: 2 }]);
});

test("the map of the first of two changes is the baseline's, and a refused change leaves none", async () => {
  const { mirror, player, map } = made();
  mirror.apply(patch(1));
  map.setPlaying(playing(1));
  const refused = map.changing(player, 0.05, () => Promise.reject(new Error("no")));
  await expect(refused).rejects.toThrow("no");
  const first = map.changing(player, 0.05, async () => void mirror.apply(patch(2)));
  await Promise.all([first, map.changing(player, 0.1, async () => {})]);
  expect(map.taken).toMatchObject({ voxelSize: 0.05 });
  expect(map.taken!.blocks.size).toBe(1);
  map.setCompared(true);
  map.setCompared(false);
  expect(map.taken).toBeNull();
});

test("without a recording nothing is awaited, and after the longest wait there is no map", async () => {
  const { player } = made();
  const live = new BaselineMap(() => {});
  expect(await live.changing(player, 0.05, async () => 5)).toBe(5);
  const short = new BaselineMap(() => {}, 10);
  short.setPlaying(playing(9));
  expect(await short.changing(player, 0.05, async () => 6)).toBe(6);
  expect(short.taken).toBeNull();
});
