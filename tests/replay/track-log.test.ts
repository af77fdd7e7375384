import { createHash } from "node:crypto";
import { mkdtempSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, afterEach, beforeAll, describe, expect, test, vi } from "vitest";
import type { Head } from "../../src/head/head.ts";
import { MapRemake } from "../../src/head/remake.ts";
import { resolveSettings, SETTINGS, type SettingName } from "../../src/head/settings.ts";
import { createRecording, openRecording } from "../../src/record/file.ts";
import type { HeadEvent } from "../../src/sense/events.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { Tracker } from "../../src/track/tracker.ts";
import { replayBare } from "../../tools/replay/bare.ts";
import { preparationOf, prepare, resolvedOf, Shelf } from "../../tools/replay/prepared.ts";
import { replayRecording } from "../../tools/replay/run.ts";
import { TrackLog } from "../../tools/replay/track-log.ts";

const folder = mkdtempSync(join(tmpdir(), "brinkmap-track-log-"));
const stopped = join(folder, "stopped.brk");
const round = join(folder, "round.brk");
const TRACKED = { "pose.source": "tracked" };
/** Poses that are bent enough for a loop to move them. */
const BENT = { ...TRACKED, "track.voxelSize": 0.1 };
/** Settings of the map alone, each at another value than its own. */
const OF_THE_MAP = {
  "evidence.sigma0": 0.03,
  "evidence.sigma2": 0.005,
  "evidence.outlierShare": 0.1,
  "evidence.independence": 0.4,
  "evidence.framesToClear": 5,
  "floor.band": 0.2,
  "floor.slope": 8,
  "floor.stride": 2,
  "map.voxelSize": 0.08,
  "map.carveEvery": 3,
  "map.layersEvery": 2,
};

type Json = Record<string, unknown>;
const datasetOf = (name: string): Json =>
  JSON.parse(readFileSync(new URL(`../../datasets/${name}.json`, import.meta.url), "utf8")) as Json;

async function record(
  path: string,
  json: Json,
  until: number,
  isKept: (event: HeadEvent) => boolean = () => true,
): Promise<void> {
  const scenario = loadScenario(json);
  const header = { setup: scenario.setup, settings: {}, about: "test", software: "test" };
  const recording = await createRecording(path, header);
  for (const event of simulateEvents(scenario)) {
    if (event.time > 1e6 * until) break;
    if (isKept(event)) recording.write(event);
  }
  await recording.close();
}

beforeAll(async () => {
  // Without odometry, a laser besides, and too long without any frame for accelerations to bridge.
  const yard = datasetOf("yard-room");
  const laser = {
    name: "laser",
    rate: 10,
    mount: { on: "base", position: [0.1, 0, 0.25] },
    optics: { model: "scan", width: 91, firstAngle: -90, step: 2, minRange: 0.05, maxRange: 8 },
  };
  const sensors = [...(yard["sensors"] as unknown[]), laser];
  await record(stopped, { ...yard, sensors, odometry: null }, 8, ({ kind, time }) => {
    return kind !== "depth" || time < 4e6 || time > 6.5e6;
  });
  // Round and round a room without odometry, seen coarsely and seldom, with an orientation far noisier than tracking is told. With this
  // seed a closed loop moves the map by 2.9 cm.
  const [front] = yard["sensors"] as [Json];
  const coarse = { ...front, rate: 4, optics: { ...(front["optics"] as Json), width: 64, height: 48 } };
  const orientation = { rate: 100, yawDrift: 60, noise: 2 };
  await record(round, { ...yard, seed: 5, sensors: [coarse], orientation, odometry: null, repeat: 15 }, 290);
});
afterAll(() => rmSync(folder, { recursive: true }));
afterEach(() => {
  vi.restoreAllMocks();
});

/** What a replay comes to, to the last bit; with poses found before if the shelf has them. */
async function replay(path: string, given: Record<string, unknown>, shelf: Shelf) {
  const recording = await openRecording(path);
  try {
    const settings = resolvedOf(recording, given);
    const { head, heldOut, trajectory, hash } = replayBare(
      recording.header.setup,
      settings,
      shelf.open(path, recording, settings),
      shelf.foundOf(path, settings),
    );
    return { heldOut, trajectory, hash, floor: floorOf(head) };
  } finally {
    recording.close();
  }
}

/** SHA-256 over the floor's heights. */
function floorOf({ layers, floor }: Pick<Head, "layers" | "floor">): string {
  const hash = createHash("sha256");
  const { col, row, columns, rows } = layers.bounds()!;
  for (let j = row; j < row + rows; j++) {
    hash.update(Float64Array.from({ length: columns }, (_, n) => floor.heightAt(col + n, j)));
  }
  return hash.digest("hex");
}

/** What tracking noticed. */
const notesOf = async (path: string, given: Record<string, unknown>) =>
  (await replayRecording(path, { settings: given })).summary.notes.map(({ note }) => note);

describe("poses that were found before", () => {
  test("serve settings of the map alone, which score bit for bit as with newly found poses", async () => {
    expect((await notesOf(stopped, TRACKED)).map(({ what }) => what)).toEqual(["lost"]);
    const shelf = new Shelf();
    const track = vi.spyOn(Tracker.prototype, "track");
    const first = await replay(stopped, TRACKED, shelf);
    const tracked = track.mock.calls.length;
    expect(tracked).toBeGreaterThan(40);
    expect(await replay(stopped, TRACKED, shelf)).toEqual(first);
    expect(track).toHaveBeenCalledTimes(tracked);
    for (const [name, value] of Object.entries(OF_THE_MAP)) {
      const given = { ...TRACKED, [name]: value };
      track.mockClear();
      const told = await replay(stopped, given, shelf);
      expect(track, name).not.toHaveBeenCalled();
      const anew = await replay(stopped, given, new Shelf());
      expect(told, name).toEqual(anew);
      expect(anew.trajectory, name).toEqual(first.trajectory);
    }
  });

  test("contain the keyframes from which a map is rebuilt when a loop is closed", async () => {
    const closed = (await notesOf(round, BENT)).filter((note) => note.what === "loop closed");
    expect(Math.max(...closed.map(({ distance }) => distance))).toBeGreaterThan(0.01);
    const shelf = new Shelf();
    const step = vi.spyOn(MapRemake.prototype, "step");
    await replay(round, BENT, shelf);
    // The new map was put in the old one's place.
    expect(step.mock.results.filter(({ value }) => value === true).length).toBeGreaterThan(0);
    const track = vi.spyOn(Tracker.prototype, "track");
    for (const name of ["map.voxelSize", "evidence.framesToClear"] as const) {
      const given = { ...BENT, [name]: OF_THE_MAP[name] };
      const told = await replay(round, given, shelf);
      expect(track).not.toHaveBeenCalled();
      expect(told).toEqual(await replay(round, given, new Shelf()));
      track.mockClear();
    }
  });

  test("do not serve settings of tracking, for which poses are found again", async () => {
    const shelf = new Shelf();
    const track = vi.spyOn(Tracker.prototype, "track");
    const given = { ...TRACKED, "track.samples": 400 };
    for (const settings of [TRACKED, given, TRACKED]) {
      track.mockClear();
      const scores = await replay(stopped, settings, shelf);
      expect(track.mock.calls.length).toBeGreaterThan(40);
      expect(scores).toEqual(await replay(stopped, settings, new Shelf()));
    }
  });

  test("are shared only by settings with the same poses: any setting outside the map separates them", () => {
    const base = resolveSettings(TRACKED);
    const own = preparationOf(base);
    for (const name of Object.keys(SETTINGS) as SettingName[]) {
      const row = SETTINGS[name];
      let value: unknown = "0.3,0.2 0.3,-0.2 -0.3,0";
      if (row.type === "choice") value = row.choices.find((choice) => choice !== base[name]);
      else if (row.type !== "text") value = base[name] === row.max ? row.min : row.max;
      const other = preparationOf({ ...base, [name]: value });
      const isAlike = other.frames === own.frames && other.poses === own.poses;
      expect(isAlike, name).toBe(Object.hasOwn(OF_THE_MAP, name));
    }
  });

  test("where poses are given, settings of tracking tell nothing apart", () => {
    const [one, other] = [{}, { "track.samples": 400 }].map((given) => preparationOf(resolveSettings(given)));
    expect(one).toEqual(other);
    expect(one!.poses).toBe("");
  });
});

describe("a log of tracking", () => {
  async function replayWith(path: string, log: TrackLog): Promise<string> {
    const recording = await openRecording(path);
    try {
      const settings = resolvedOf(recording, TRACKED);
      return replayBare(recording.header.setup, settings, prepare(recording, settings), { poses: log }).hash;
    } finally {
      recording.close();
    }
  }

  test("that has no room for all of it is not said again", async () => {
    const log = new TrackLog(20_000);
    const hash = await replayWith(stopped, log);
    expect(log.isWhole).toBe(false);
    const wide = new TrackLog();
    expect(await replayWith(stopped, wide)).toBe(hash);
    expect(wide.isWhole).toBe(true);
    expect(await replayWith(stopped, wide)).toBe(hash);
  });

  test("of a bare replay serves a whole one, with the same outputs to the last bit", async () => {
    const log = new TrackLog();
    await replayWith(stopped, log);
    const { summary } = await replayRecording(stopped, { settings: TRACKED });
    const track = vi.spyOn(Tracker.prototype, "track");
    const told = await replayRecording(stopped, { settings: TRACKED, openTracking: log.open.bind(log) });
    expect(track).not.toHaveBeenCalled();
    expect(told.summary.hash).toBe(summary.hash);
  });

  test("is not said of other frames", async () => {
    const log = new TrackLog();
    await replayWith(round, log);
    await expect(replayWith(stopped, log)).rejects.toThrow(/found with other settings or another recording/);
  });
});
