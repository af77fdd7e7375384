import { createHash } from "node:crypto";
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, test } from "vitest";
import { crc32c } from "../../src/coding/crc32c.ts";
import type { Pose, Vec3 } from "../../src/geometry/optics.ts";
import { FloorLayer } from "../../src/map/floor.ts";
import {
  BLOCK_SIDE,
  BLOCK_VOXELS,
  BlockGrid,
  type GridView,
  keyZ,
  OCCUPIED_FROM,
  UNKNOWN,
} from "../../src/map/grid.ts";
import { decodeSnapshot, encodeSnapshot } from "../../src/map/snapshot.ts";
import { createRecording, openRecording } from "../../src/record/file.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { Random } from "../../src/simulate/random.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { BareHead, replayBare } from "../../tools/replay/bare.ts";
import { Caster, frameName, HoldOut, type Question, scoreHeldOut } from "../../tools/replay/held-out.ts";
import { type Prepared, prepare, resolvedOf, Shelf } from "../../tools/replay/prepared.ts";
import { replayRecording } from "../../tools/replay/run.ts";

const folder = mkdtempSync(join(tmpdir(), "brinkmap-bare-"));
const path = join(folder, "yard.brk");
/** The same with a floor like a mirror in one half. */
const mirror = join(folder, "mirror.brk");
afterAll(() => rmSync(folder, { recursive: true }));

beforeAll(async () => {
  const text = readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8");
  const scenario = loadScenario({ ...JSON.parse(text), seed: 7 });
  const header = { setup: scenario.setup, settings: {}, about: "test", software: "test" };
  const recording = await createRecording(path, header);
  let frames = 0;
  for (const event of simulateEvents(scenario)) {
    if (event.kind === "depth" && ++frames % 9 === 0) {
      // A hand over the lens: everything 22 cm away.
      recording.write({ ...event, counts: event.counts.map(() => 220) });
    } else recording.write(event);
    if (event.time > 3e6) break;
  }
  await recording.close();
});

beforeAll(async () => {
  const json = JSON.parse(readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8"));
  const materials = { ...json.materials, sealed: { reflectance: 0.04, mirror: 0.8, glint: 4 } };
  const scene = json.scene.map((solid: Record<string, unknown>) =>
    solid["shape"] === "floor"
      ? { ...solid, inlays: [{ rect: [0.8, -9, 9, 9], material: "sealed" }] }
      : solid,
  );
  const scenario = loadScenario({ ...json, materials, scene, seed: 7 });
  const recording = await createRecording(mirror, {
    setup: scenario.setup,
    settings: {},
    about: "test",
    software: "test",
  });
  for (const event of simulateEvents(scenario)) {
    recording.write(event);
    if (event.time > 4e6) break;
  }
  await recording.close();
});

/** Prepared anew and seen anew, or taken off a shelf. */
async function bare(given: Record<string, unknown>, shelf: Shelf | null = null, of = path) {
  const recording = await openRecording(of);
  try {
    const settings = resolvedOf(recording, given);
    const { setup } = recording.header;
    if (shelf === null) return replayBare(setup, settings, prepare(recording, settings));
    return replayBare(setup, settings, shelf.open(of, recording, settings), shelf.foundOf(of, settings));
  } finally {
    recording.close();
  }
}

/** SHA-256 over a map. */
const sha = (grid: GridView): string =>
  createHash("sha256").update(encodeSnapshot(grid, crc32c)).digest("hex");

/** Occupied voxels more than 10 cm below the floor. */
function below(grid: GridView): number {
  const values = new Uint8Array(BLOCK_VOXELS);
  let count = 0;
  for (let id = 0; id < grid.count; id++) {
    grid.copyBlock(id, values);
    const layer = BLOCK_SIDE * BLOCK_SIDE;
    for (let n = 0; n < BLOCK_VOXELS; n++) {
      const z = (keyZ(grid.keyOf(id)) * BLOCK_SIDE + Math.floor(n / layer) + 1) * grid.voxelSize;
      if (z < -0.1 && values[n]! >= OCCUPIED_FROM) count++;
    }
  }
  return count;
}

async function withoutAmplitudes(given: Record<string, unknown>): Promise<GridView> {
  const recording = await openRecording(mirror);
  const head = new BareHead(recording.header.setup, resolvedOf(recording, given));
  for (const one of prepare(recording, head.settings)) {
    head.take("event" in one ? { ...one, event: { ...one.event, amplitude: null } } : one);
  }
  recording.close();
  return head.grid;
}

describe("a bare replay", () => {
  test.each([
    ["given poses", { "pose.source": "reference" }],
    ["tracked poses", { "pose.source": "tracked" }],
    ["another mask", { "pose.source": "reference", "mask.grazing": 20, "map.maxRange": 3 }],
  ])("makes the map and the scores of a whole one: %s", async (_, given) => {
    const whole = await replayRecording(path, { settings: given, holdOut: true });
    const { head, heldOut, trajectory } = await bare(given);
    expect(heldOut).toEqual(whole.summary.heldOut);
    expect(heldOut.frames).toBeGreaterThan(5);
    expect(head.grid.byteSize).toBe(whole.summary.map.size);
    expect(head.grid.count).toBe(whole.head.grid.count);
    expect(trajectory).toEqual(whole.summary.trajectoryError);
  });

  test.each(["reference", "odometry", "tracked"])(
    "takes images in a mirror-like floor out of the map, as a whole one does: %s",
    async (source) => {
      const given = { "pose.source": source };
      const whole = await replayRecording(mirror, { settings: given, holdOut: true });
      const shelf = new Shelf();
      const [anew, first, again] = [
        await bare(given, null, mirror),
        await bare(given, shelf, mirror),
        await bare(given, shelf, mirror),
      ];
      expect(anew.heldOut).toEqual(whole.summary.heldOut);
      expect(sha(anew.head.grid)).toBe(sha(whole.head.grid));
      expect([first.hash, again.hash]).toEqual([anew.hash, anew.hash]);
      expect(shelf.foundOf(mirror, anew.head.settings).sights.isWhole).toBe(true);
      // Without amplitudes images cannot be told from depths: many are mapped.
      expect(below(anew.head.grid)).toBeLessThan(0.1 * below(await withoutAmplitudes(given)));
    },
  );

  test("covered frames are distinguished from clear ones", async () => {
    const recording = await openRecording(path);
    const settings = resolvedOf(recording, { "pose.source": "reference" });
    const head = new BareHead(recording.header.setup, settings);
    const shown: boolean[] = [];
    for (const one of prepare(recording, settings)) {
      for (const { frame } of head.take(one)) shown.push(frame.showsRoom);
    }
    recording.close();
    expect(shown.filter((isShown) => !isShown).length).toBe(Math.floor(shown.length / 9));
  });

  test("is the same from the cache, with and without room, and after another mask", async () => {
    const given = { "pose.source": "reference", "evidence.sigma0": 0.03 };
    const { hash, heldOut } = await bare(given);
    const [wide, narrow] = [new Shelf(), new Shelf(100_000)];
    await bare({ "pose.source": "reference" }, wide);
    for (const shelf of [wide, narrow, wide, narrow]) {
      expect(await bare(given, shelf)).toMatchObject({ hash, heldOut });
    }
    await bare({ ...given, "mask.grazing": 20 }, wide);
    expect((await bare(given, wide)).hash).toBe(hash);
  });

  test("a recording with room is read once for settings that leave the mask alone", async () => {
    const recording = await openRecording(path);
    const shelf = new Shelf();
    const take = (given: Record<string, unknown>): Prepared[] =>
      Array.from(shelf.open(path, recording, resolvedOf(recording, given)));
    const first = take({ "evidence.sigma0": 0.03 });
    const second = take({ "evidence.sigma0": 0.09, "map.voxelSize": 0.1 });
    recording.close();
    // From the closed file nothing could be read.
    const third = take({ "evidence.sigma0": 0.01 });
    expect(second.length).toBe(first.length);
    expect(third.length).toBe(first.length);
  });
});

describe("agreement of a map with frames that it has not seen", () => {
  /** A recording's own map, changed afterwards, asked for its held-out frames. */
  async function agreement(
    change: (grid: BlockGrid) => void = () => {},
    ask = (questions: Question[]): Question[] => questions,
  ) {
    const recording = await openRecording(path);
    const settings = resolvedOf(recording, { "pose.source": "reference" });
    const { setup } = recording.header;
    const head = new BareHead(setup, settings);
    const held = new Map<string, Pose>();
    const questions: Question[] = [];
    for (const one of prepare(recording, settings)) {
      if ("event" in one && one.question !== null) questions.push(one.question);
      for (const { frame, placed } of head.take(one))
        held.set(frameName(frame.sensor, frame.sequence), placed.worldFromLens);
    }
    recording.close();
    const grid = decodeSnapshot(encodeSnapshot(head.grid, crc32c), crc32c);
    change(grid);
    return scoreHeldOut({ setup, grid, floor: head.floor }, ask(questions), held);
  }
  const eachVoxel = (grid: BlockGrid, visit: (value: number) => number) => {
    const values = new Uint8Array(512);
    for (let id = 0; id < grid.count; id++) {
      grid.copyBlock(id, values);
      grid.pasteBlock(grid.keys[id]!, values.map(visit), grid.frame);
    }
  };

  test("falls with each kind of error, by its own share", async () => {
    const good = await agreement();
    expect(good.agreement).toBeCloseTo((good.found + good.airFree + good.believed) / 3, 12);
    // Surfaces are missing: the air is as free as it was.
    const thin = await agreement((grid) => eachVoxel(grid, (v) => (v >= OCCUPIED_FROM ? UNKNOWN : v)));
    expect(thin.found).toBeLessThan(good.found - 0.1);
    expect(thin.airFree).toBe(good.airFree);
    // The air is not known to be free.
    const shy = await agreement((grid) => eachVoxel(grid, (v) => Math.max(v, UNKNOWN)));
    expect(shy.airFree).toBe(0);
    expect(shy.found).toBe(good.found);
    // Surfaces where there are none stop the rays too early.
    const thick = await agreement((grid) => eachVoxel(grid, (v) => (v < UNKNOWN ? OCCUPIED_FROM : v)));
    expect(thick.believed).toBeLessThan(good.believed - 0.2);
    for (const worse of [thin, shy, thick]) expect(worse.agreement).toBeLessThan(good.agreement);
  });

  test("places count once, however often they are seen", async () => {
    const once = await agreement();
    const often = await agreement(undefined, (questions) => [...questions, ...questions, ...questions]);
    expect(often.pixels).toBe(3 * once.pixels);
    expect([often.found, often.airFree, often.believed]).toEqual([once.found, once.airFree, once.believed]);
  });

  test("ends of rays where the map has air cost surface found, not air free", async () => {
    const first = (questions: Question[]) => questions.slice(0, 1);
    // The same rays, 30 cm shorter: most of them end in the air before the others.
    const shorter = ({ rays, ...one }: Question): Question => ({
      ...one,
      rays: rays.map((value, n) => (n % 4 === 3 ? Math.max(0.2, value - 0.3) : value)),
    });
    const own = await agreement(undefined, first);
    const both = await agreement(undefined, (questions) => [
      ...first(questions),
      ...first(questions).map(shorter),
    ]);
    // Their ends are no surface, but the air that is asked for stays as free.
    expect(both.found).toBeLessThan(own.found - 0.2);
    expect(both.airFree).toBeGreaterThan(own.airFree - 0.02);
  });
});

test("every second frame of each sensor is held out, however they alternate", () => {
  const holdOut = new HoldOut();
  const sensors = [0, 1, 0, 1, 0, 0, 1, 1];
  expect(sensors.map((sensor) => holdOut.isHeldOut(sensor))).toEqual([
    ...[false, false, true, true, false, true, false, true],
  ]);
});

describe("a cast ray", () => {
  const SIZE = 0.05;

  /** The same by walking in steps of a hundredth of a voxel, without bricks. */
  function walk(grid: BlockGrid, from: Vec3, along: Vec3, most: number): number {
    const step = SIZE / 100;
    for (let t = 0; t <= most; t += step) {
      const [i, j, k] = from.map((at, axis) => Math.floor((at + t * along[axis]!) / SIZE)) as [
        number,
        number,
        number,
      ];
      if (grid.valueAt(i, j, k) >= OCCUPIED_FROM) {
        const start = t;
        const isInside = (at: number) =>
          from.every((x, axis) => Math.floor((x + at * along[axis]!) / SIZE) === [i, j, k][axis]);
        let end = t;
        while (end < most && isInside(end)) end += step;
        return (start + end) / 2;
      }
    }
    return Number.POSITIVE_INFINITY;
  }

  test("meets what small steps meet", () => {
    const random = new Random(5);
    const grid = new BlockGrid(SIZE);
    grid.frame = 1;
    for (let n = 0; n < 3000; n++) {
      const at = () => Math.floor(-40 + 80 * random.uniform());
      grid.setValue(at(), at(), at(), random.uniform() < 0.3 ? 100 : 10);
    }
    const floor = new FloorLayer(SIZE, { band: 0.3, slope: 0.3 });
    const caster = new Caster({ grid, floor });
    let met = 0;
    for (let n = 0; n < 200; n++) {
      const from = [random.uniform() - 0.5, random.uniform() - 0.5, random.uniform() - 0.5] as const;
      const way = [random.uniform() - 0.5, random.uniform() - 0.5, random.uniform() - 0.5] as const;
      const length = Math.hypot(...way);
      const along: Vec3 = [way[0] / length, way[1] / length, way[2] / length];
      const expected = walk(grid, from, along, 3);
      const found = caster.cast(from, along, 3);
      // A voxel whose corner is cut by less than a step may be missed by the steps.
      if (Math.abs(found - expected) < 0.002 || found === expected) met++;
    }
    expect(met).toBeGreaterThanOrEqual(196);
  });
});
