import { describe, expect, test } from "vitest";
import { crc32c } from "../../src/coding/crc32c.ts";
import { DecodeError } from "../../src/coding/decode-error.ts";
import { Head } from "../../src/head/head.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { floorSettings } from "../../src/head/stage-settings.ts";
import { classOf, type GridView } from "../../src/map/grid.ts";
import { SnapshotError } from "../../src/map/snapshot.ts";
import { decodePlace, encodePlace, KEYFRAME_BYTES } from "../../src/place/place-file.ts";
import { generateHome } from "../../src/simulate/home.ts";
import { Random } from "../../src/simulate/random.ts";
import { FOOTING } from "../../src/terms/safety.ts";
import { ahead, errorOf, lookAround, type Run, run } from "../helpers/known-place.ts";

const DEGREE = Math.PI / 180;
const saved = ({ head }: Run): Uint8Array => encodePlace(head.memory(KEYFRAME_BYTES)!);
const loaded = (bytes: Uint8Array) => decodePlace(bytes, floorSettings(resolveSettings()));
const foundAt = ({ notes }: Run): number =>
  notes.find(({ what }) => what === "place found")?.time ?? Number.POSITIVE_INFINITY;

/** Surfaces of the map, as keys of their voxels. */
function surfacesOf(grid: GridView): Set<string> {
  const found = new Set<string>();
  const voxels = new Uint8Array(512);
  for (let id = 0; id < grid.count; id++) {
    grid.copyBlock(id, voxels);
    voxels.forEach((value, n) => {
      if (classOf(value) === "occupied") found.add(`${grid.keyOf(id)} ${n}`);
    });
  }
  return found;
}

const goneCells = ({ head }: Run): number => {
  let gone = 0;
  head.footing.visit((_i, _j, footing) => {
    if (footing === FOOTING.gone) gone++;
  });
  return gone;
};

describe("a place of an earlier run", () => {
  // Both runs are in one room of a home, look through its doors, and down into a sunken room.
  const { json } = generateHome(21);
  const first = run(json, [lookAround([0.95, -0.9]), ahead([0.95, -0.9], 0)]);
  const bytes = saved(first);
  const second = run(
    json,
    [lookAround([0.75, -1], 130), ahead([0.75, -1], 130), ahead([0.75, -1], 40)],
    loaded(bytes),
    78,
  );

  test("is recognised from another spot and heading by looking around, within 5 cm and 1 degree, and stays held", () => {
    expect(foundAt(second)).toBeLessThan(10);
    const after = second.frames.filter(({ time }) => time > foundAt(second));
    const errors = after.map((frame) => errorOf(frame, first));
    console.log(
      `found after ${foundAt(second).toFixed(1)} s; then ${(1000 * Math.max(...errors.map(({ off }) => off))).toFixed(0)} mm and ${(Math.max(...errors.map(({ yaw }) => yaw)) / DEGREE).toFixed(2)} degrees off at most`,
    );
    expect(after.length).toBeGreaterThan(20);
    expect(Math.max(...errors.map(({ off }) => off))).toBeLessThan(0.05);
    expect(Math.max(...errors.map(({ yaw }) => yaw))).toBeLessThan(1 * DEGREE);
    expect(after.filter(({ hold }) => hold === "lost")).toEqual([]);
  });

  test("brings its map, its edges and what this run has seen into one", () => {
    const [before, now] = [surfacesOf(first.head.grid), surfacesOf(second.head.grid)];
    const kept = [...before].filter((voxel) => now.has(voxel)).length;
    console.log(
      `${before.size} voxels of surfaces before, ${kept} of them still there, ${now.size} in all; ` +
        `${goneCells(first)} cells of drops before, ${goneCells(second)} after`,
    );
    // Less what noise and this run's own views have changed at the surfaces' sides.
    expect(kept).toBeGreaterThan(0.9 * before.size);
    expect(goneCells(first)).toBeGreaterThan(50);
    expect(goneCells(second)).toBeGreaterThan(0.8 * goneCells(first));
  });

  test("is saved again with what both runs know", () => {
    const again = loaded(saved(second));
    const { frames, maps } = again.known;
    expect(frames.length).toBeGreaterThan(loaded(bytes).known.frames.length);
    expect(maps.fine.count).toBeGreaterThan(0.9 * loaded(bytes).known.maps.fine.count);
    expect(frames.map(({ id }) => id)).toEqual([...frames.map(({ id }) => id)].sort((a, b) => a - b));
  });

  test("is looked for until that is given up, and not with other voxels or poses", () => {
    const head = new Head(second.head.setup, resolveSettings({ "pose.source": "tracked" }));
    head.seek(loaded(bytes));
    expect(head.isSeeking).toBe(true);
    head.giveUpSeeking();
    expect(head.isSeeking).toBe(false);
    const coarse = new Head(
      second.head.setup,
      resolveSettings({ "pose.source": "tracked", "map.voxelSize": 0.1 }),
    );
    expect(() => coarse.seek(loaded(bytes))).toThrow(/0\.05 and .* the head's 0\.1/);
    const given = new Head(second.head.setup, resolveSettings({ "pose.source": "reference" }));
    expect(() => given.seek(loaded(bytes))).toThrow(/pose\.source/);
  });

  test("is refused by name when its file is damaged, cut off or of another version", () => {
    expect(() => loaded(bytes.slice(0, 100))).toThrow(/says it has \d+ bytes, there are 100/);
    expect(() => loaded(bytes.slice(0, 12))).toThrow(/cut off/);
    expect(() => loaded(new Uint8Array(50))).toThrow(/no place file/);
    const other = bytes.slice();
    other[8] = 9;
    expect(() => loaded(other)).toThrow(/version 9/);
    const damaged = bytes.slice();
    damaged[bytes.length >> 1]! ^= 1;
    expect(() => loaded(damaged)).toThrow(/checksum/);
  });

  test("whatever its bytes say, with a checksum that matches, it is read or refused by name", () => {
    const random = new Random(5, 1);
    let refused = 0;
    for (let n = 0; n < 60; n++) {
      const hostile = bytes.slice();
      // Near the start and the end are the lengths of most parts.
      const at = 16 + Math.floor(random.uniform() ** 4 * (bytes.length - 40));
      hostile[n % 2 === 0 ? at : bytes.length - 4 - (at - 15)] = Math.floor(256 * random.uniform());
      new DataView(hostile.buffer).setUint32(
        bytes.length - 4,
        crc32c(hostile.subarray(0, bytes.length - 4)),
        true,
      );
      try {
        loaded(hostile);
      } catch (error) {
        expect(error instanceof DecodeError || error instanceof SnapshotError).toBe(true);
        refused++;
      }
    }
    expect(refused).toBeGreaterThan(5);
  });
});

test("a room that is not on the map is not taken for one that is", () => {
  const { json } = generateHome(1);
  const first = run(json, [lookAround([0, 0]), ahead([0, 0], 0)]);
  // Behind a wall and a door: walls of the same kind, at other distances.
  const second = run(json, [lookAround([-0.8, 3.5], 20), ahead([-0.8, 3.5], 20)], loaded(saved(first)), 5);
  expect(second.notes.filter(({ what }) => what === "place found")).toEqual([]);
  expect(second.head.isSeeking).toBe(true);
});

test("of three rooms that look alike none is taken for another", () => {
  const { json } = generateHome(8);
  const box = (x: number, y: number, w: number, d: number, top: number) => ({
    shape: "box",
    material: "wall",
    at: [x, y],
    base: 0,
    size: [w, d, top],
  });
  /** A room of 3 x 3 m around (x, 0) with its furniture, and a door to the south. */
  const room = (x: number) => [
    box(x - 1.55, 0, 0.1, 3, 2.4),
    box(x + 1.55, 0, 0.1, 3, 2.4),
    box(x, 1.55, 3.2, 0.1, 2.4),
    box(x - 1, -1.55, 1.2, 0.1, 2.4),
    box(x + 1, -1.55, 1.2, 0.1, 2.4),
    box(x - 1.2, 1.2, 0.5, 0.4, 1.1),
    box(x + 1, -1, 0.6, 0.6, 0.6),
  ];
  const scene = [
    { shape: "box", material: "wall", at: [0, 0], base: -0.2, size: [40, 8, 0.2] },
    ...[-4, 0, 4].flatMap(room),
    box(0, -3, 40, 0.1, 2.4),
  ];
  const alike = {
    ...json,
    materials: { wall: { reflectance: 0.7 } },
    kits: {},
    scene,
    moving: [],
    odometry: { scale: 0.01, noise: 0.003 },
  };
  const to = (x: number) => [{ at: [x, -2.2] }, lookAround([x, 0])];
  const out = (x: number) => ({ at: [x, -2.2] });
  const first = run(alike, [...to(-4), out(-4), ...to(0), out(0), ...to(4), ahead([4, 0], 90)]);
  const second = run(alike, [lookAround([0, 0.2], 200), ahead([0, 0.2], 200)], loaded(saved(first)), 9);
  const believed = second.frames.filter(({ time }) => time > foundAt(second));
  console.log(`three rooms alike: ${believed.length > 0 ? "found" : "none believed"}`);
  for (const frame of believed) expect(errorOf(frame, first).off).toBeLessThan(0.1);
});
