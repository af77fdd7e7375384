import { readFileSync } from "node:fs";
import { describe, expect, test } from "vitest";
import type { Pose } from "../../src/geometry/optics.ts";
import { fromYawPitchRoll, IDENTITY, OPTICAL_IN_BODY } from "../../src/geometry/rigid.ts";
import { Head } from "../../src/head/head.ts";
import type { FrameOutput, HeadOutput, ReachOutput } from "../../src/head/outputs.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { classOf } from "../../src/map/grid.ts";
import { COLUMN } from "../../src/map/layers.ts";
import type { DepthEvent, HeadEvent, Setup } from "../../src/sense/events.ts";
import { REASON } from "../../src/sense/mask.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario, type Scenario } from "../../src/simulate/scenario.ts";
import type { TrackNote } from "../../src/track/frame.ts";

const WIDTH = 64;
const HEIGHT = 48;
const FOCAL = 50;
const LENS_HEIGHT = 0.5;
/** Metres from the lens to a wall across its view. */
const WALL = 2;

/** A camera looking straight ahead, half a metre above the floor. */
const setup: Setup = {
  sensors: [
    {
      name: "depth",
      optics: {
        model: "pinhole",
        width: WIDTH,
        height: HEIGHT,
        fx: FOCAL,
        fy: FOCAL,
        cx: (WIDTH - 1) / 2,
        cy: (HEIGHT - 1) / 2,
        measures: "z",
        unit: 0.001,
        minRange: 0.1,
        maxRange: 5,
      },
      mount: { on: "head", pose: { rotation: OPTICAL_IN_BODY, position: [0, 0, 0] } },
    },
  ],
  baseFromHead: { rotation: [0, 0, 0, 1], position: [0, 0, LENS_HEIGHT] },
  headFromImu: IDENTITY,
};

/** Floor as far as the wall, then the wall, as that camera sees them. */
function view(): Uint16Array {
  const counts = new Uint16Array(WIDTH * HEIGHT);
  for (let v = 0; v < HEIGHT; v++) {
    const down = (v - (HEIGHT - 1) / 2) / FOCAL;
    const floor = down > 0 ? LENS_HEIGHT / down : Number.POSITIVE_INFINITY;
    counts.fill(Math.round(1000 * Math.min(WALL, floor)), v * WIDTH, (v + 1) * WIDTH);
  }
  return counts;
}

const depth = (time: number, sequence: number, counts = view(), sensor = 0): DepthEvent => ({
  kind: "depth",
  time,
  sensor,
  sequence,
  counts,
  amplitude: null,
});
const reference = (time: number, pose: Pose = IDENTITY): HeadEvent => ({
  kind: "reference",
  time,
  of: "base",
  sensor: 0,
  pose,
});

/** What followed for the map; tests/head/guard.test.ts looks at the rest. */
function feed(head: Head, events: readonly HeadEvent[]): HeadOutput[] {
  const all = events.flatMap((event) => [...head.take(event)]);
  return all.filter(({ kind }) => kind === "frame" || kind === "skipped" || kind === "layers");
}
const frames = (outputs: readonly HeadOutput[]): FrameOutput[] =>
  outputs.filter((output): output is FrameOutput => output.kind === "frame");

describe("frames and their poses", () => {
  test("a frame with a reference pose of its own stamp is mapped at once, a wall and the floor where they are", () => {
    const head = new Head(setup, resolveSettings());
    const seen = [1, 2, 3, 4].flatMap((n) => [reference(n * 1e5), depth(n * 1e5, n)]);
    expect(frames(feed(head, seen)).map((frame) => frame.revision)).toEqual([1, 2, 3, 4]);
    head.finish();
    // The wall is 2 m ahead: voxel 40 of 5 cm, or the one before, as it lies on their boundary.
    const wall = [39, 40].map((i) => classOf(head.grid.valueAt(i, 0, 10)));
    expect(wall).toContain("occupied");
    expect(classOf(head.grid.valueAt(20, 0, 10))).toBe("free");
    // Depth is in whole millimetres, so the floor between 1.1 and 2 m is right to about one.
    const columns = Array.from({ length: 18 }, (_, n) => 22 + n).filter((i) => head.floor.at(i, 0) !== null);
    expect(columns.length).toBeGreaterThan(2);
    for (const i of columns) expect(Math.abs(head.floor.heightAt(i, 0))).toBeLessThan(0.002);
    expect(columns.filter((i) => i < 38).map((i) => head.layers.kindAt(i, 0))).toContain(COLUMN.clear);
    // Free space was seen there, but no floor: below the camera's view.
    expect(head.floor.at(10, 0)).toBeNull();
    expect(head.layers.kindAt(10, 0)).toBe(COLUMN.open);
    expect(wall[0] === "occupied" ? head.layers.kindAt(39, 0) : head.layers.kindAt(40, 0)).toBe(
      COLUMN.blocked,
    );
  });

  test("the distance to what blocks is exact and the column under the lens is as far as the wall", () => {
    const head = new Head(setup, resolveSettings({ "body.clearanceLimit": 3 }));
    feed(
      head,
      [1, 2, 3].flatMap((n) => [reference(n), depth(n, n)]),
    );
    head.finish();
    const nearest = [39, 40].find((i) => head.layers.kindAt(i, 0) === COLUMN.blocked)!;
    expect(head.layers.clearanceAt(30, 0)).toBeCloseTo((nearest - 30) * 0.05, 6);
  });

  test("a frame between two poses waits for the later one and is placed between them", () => {
    const head = new Head(setup, resolveSettings());
    const ahead: Pose = { ...IDENTITY, position: [1, 0, 0] };
    expect(feed(head, [reference(0), depth(50_000, 0)])).toEqual([]);
    const [frame] = frames(feed(head, [reference(100_000, ahead)]));
    expect(frame!.worldFromBase.position[0]).toBeCloseTo(0.5, 9);
    expect(frame!.time).toBe(50_000);
  });

  test("a frame whose pose does not come in time is left out and counted, and the next one is mapped", () => {
    const head = new Head(setup, resolveSettings({ "pose.maxWait": 0.1 }));
    const mark = { kind: "mark", time: 400_000, text: "time goes on" } as const;
    const late = feed(head, [reference(0), depth(50_000, 0), mark]);
    expect(late).toMatchObject([{ kind: "skipped", why: "no pose", sequence: 0 }]);
    expect(frames(feed(head, [reference(500_000), depth(500_000, 1)]))).toHaveLength(1);
  });

  test("a newer frame takes the place of one that still waits", () => {
    const head = new Head(setup, resolveSettings());
    const outputs = feed(head, [depth(10_000, 0), depth(20_000, 1), reference(20_000)]);
    expect(outputs).toMatchObject([
      { kind: "skipped", why: "overtaken", sequence: 0 },
      { kind: "frame", sequence: 1 },
    ]);
  });

  test("poses too far apart in time are not interpolated between", () => {
    const head = new Head(setup, resolveSettings({ "pose.maxGap": 0.5 }));
    const outputs = feed(head, [reference(0), depth(1e6, 0), reference(2e6)]);
    expect(outputs).toMatchObject([{ kind: "skipped", why: "no pose", detail: "gap" }]);
  });

  test("with odometry, place comes from the wheels and tilt from the orientation", () => {
    const head = new Head(setup, resolveSettings({ "pose.source": "odometry" }));
    const tilt = fromYawPitchRoll(2, 0.1, -0.05); // its yaw is not used
    const [frame] = frames(
      feed(head, [
        { kind: "motion", time: 0, pose: [1, 2, 0.3], speed: null },
        { kind: "orientation", time: 0, rotation: tilt },
        depth(0, 0),
      ]),
    );
    const expected = fromYawPitchRoll(0.3, 0.1, -0.05);
    for (let k = 0; k < 4; k++) expect(frame!.worldFromBase.rotation[k]).toBeCloseTo(expected[k]!, 9);
    expect(frame!.worldFromBase.position).toEqual([1, 2, 0]);
  });

  test("raw inertial samples stand in for a fused orientation", () => {
    const head = new Head(setup, resolveSettings({ "pose.source": "odometry" }));
    const events: HeadEvent[] = [{ kind: "motion", time: 0, pose: [0, 0, 0], speed: null }];
    for (let n = 0; n <= 100; n++) {
      // At rest, nose down by 0.2 rad: specific force is +g along up, seen in the imu frame.
      const accel = [-Math.sin(0.2) * 9.81, 0, Math.cos(0.2) * 9.81] as const;
      events.push({ kind: "inertial", time: n * 10_000, gyro: [0, 0, 0], accel, mag: null });
    }
    events.push({ kind: "motion", time: 1e6, pose: [0, 0, 0], speed: null }, depth(1e6, 0));
    const [frame] = frames(feed(head, events));
    const expected = fromYawPitchRoll(0, 0.2, 0);
    for (let k = 0; k < 4; k++) expect(frame!.worldFromBase.rotation[k]).toBeCloseTo(expected[k]!, 3);
  });

  test("a neck that turns turns the lens with it", () => {
    const head = new Head(setup, resolveSettings());
    const left: Pose = { rotation: fromYawPitchRoll(Math.PI / 2, 0, 0), position: [0, 0, LENS_HEIGHT] };
    feed(head, [
      { kind: "mount", time: 0, sensor: null, pose: left },
      ...[1, 2, 3].flatMap((n) => [reference(n), depth(n, n)]),
    ]);
    const wall = [39, 40].map((j) => classOf(head.grid.valueAt(0, j, 10)));
    expect(wall).toContain("occupied");
  });
});

describe("what does not fit", () => {
  test("a frame of an unknown sensor, or of the wrong size, is refused by name, and the head keeps working", () => {
    const head = new Head(setup, resolveSettings());
    const outputs = feed(head, [
      reference(0),
      depth(0, 0, view(), 3),
      depth(0, 1, new Uint16Array(10)),
      depth(0, 2),
    ]);
    expect(outputs).toMatchObject([
      { why: "unfit", detail: "sensor 3 is not one of the 1 in the setup" },
      { why: "unfit", detail: `10 pixels, the sensor has ${WIDTH * HEIGHT}` },
      { kind: "frame", sequence: 2 },
    ]);
  });

  test("frames that never arrived show in the sequence", () => {
    const head = new Head(setup, resolveSettings());
    const outputs = frames(feed(head, [reference(0), depth(0, 4), depth(0, 9)]));
    expect(outputs.map((frame) => frame.missed)).toEqual([0, 4]);
  });

  test("a frame without a single return is judged and changes no voxel", () => {
    const head = new Head(setup, resolveSettings());
    const [frame] = frames(feed(head, [reference(0), depth(0, 0, new Uint16Array(WIDTH * HEIGHT))]));
    expect(frame!.tally[REASON.noReturn]).toBe(WIDTH * HEIGHT);
    expect(head.grid.count).toBe(0);
  });

  test("a head that sheds load maps one frame in 2^level, and locates them all", () => {
    const head = new Head(setup, resolveSettings());
    const shed = (level: number): HeadEvent => ({ kind: "shed", time: 0, level });
    const sequence = (from: number) => Array.from({ length: 8 }, (_, n) => depth(0, from + n));
    const events = [reference(0), ...sequence(0), shed(2), ...sequence(8), shed(2), ...sequence(16), shed(0)];
    const outputs = frames(feed(head, [...events, ...sequence(24)]));
    expect(outputs.map(({ sequence }) => sequence)).toEqual(Array.from({ length: 32 }, (_, n) => n));
    const mapped = outputs.filter(({ revision }) => revision > 0).map(({ sequence }) => sequence);
    // All; one in four, and the level said again changes nothing; all.
    expect(mapped).toEqual([0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 25, 26, 27, 28, 29, 30, 31]);
    expect(outputs[9]).toMatchObject({ revision: 0, points: 0 });
  });

  test.each([
    [{ "map.voxelsize": 0.05 }, /there is no setting "map.voxelsize"; did you mean map.voxelSize/],
    [{ "map.voxelSize": 7 }, /map.voxelSize must be a number from 0.001 to 0.5 m, got 7/],
    [{ "map.carveEvery": 1.5 }, /map.carveEvery must be a whole number from 1 to 8 frames, got 1.5/],
    [{ "pose.source": "stars" }, /pose.source must be one of reference, odometry, tracked, got "stars"/],
    [{ "body.height": Number.NaN }, /body.height must be a number/],
    [{ "body.height": "" }, /body.height must be a number/],
  ])("a wrong setting %o says which and what it allows", (given, message) => {
    expect(() => resolveSettings(given)).toThrow(message);
  });

  test("numbers from a command line are taken as numbers", () => {
    expect(resolveSettings({ "map.voxelSize": "0.1" })["map.voxelSize"]).toBe(0.1);
  });

  test("a range of too many voxels is refused with what to do", () => {
    expect(() => new Head(setup, resolveSettings({ "map.voxelSize": 0.005 }))).toThrow(
      /maximum range 5 m is 1000 voxels of 0.005 m; at most 500: take larger voxels or a shorter range/,
    );
  });
});

describe("changes while it runs", () => {
  const events = [1, 2, 3, 4, 5, 6].flatMap((n) => [reference(n * 1e5), depth(n * 1e5, n)]);
  const wall = (head: Head): number[] => [39, 40].map((i) => head.layers.kindAt(i, 0));

  test("other settings keep the map, and what is in the way stays in the way at once", () => {
    const head = new Head(setup, resolveSettings());
    feed(head, events);
    const blocks = head.grid.count;
    expect(wall(head)).toContain(COLUMN.blocked);
    head.change(resolveSettings({ "body.height": 0.9 }));
    expect(head.settings["body.height"]).toBe(0.9);
    expect(head.grid.count).toBe(blocks);
    expect(wall(head)).toContain(COLUMN.blocked);
    const [frame] = frames(feed(head, [reference(7e5), depth(7e5, 7)]));
    expect(frame).toMatchObject({ revision: 7, missed: 0 });
  });

  test("what the map was made with cannot change, and a body that makes no sense changes nothing", () => {
    const head = new Head(setup, resolveSettings());
    feed(head, events);
    expect(() => head.change(resolveSettings({ "map.voxelSize": 0.1 }))).toThrow(/map.voxelSize/);
    expect(() => head.change(resolveSettings({ "body.height": 0.05, "body.groundClearance": 0.2 }))).toThrow(
      /body/,
    );
    expect(head.settings).toEqual(resolveSettings());
    expect(wall(head)).toContain(COLUMN.blocked);
  });

  test("clearing discards the map but not the count of frames, and mapping continues", () => {
    const head = new Head(setup, resolveSettings());
    feed(head, events);
    head.clear();
    expect(head.grid.count).toBe(0);
    expect(wall(head)).toEqual([COLUMN.unseen, COLUMN.unseen]);
    const [frame] = frames(feed(head, [reference(7e5), depth(7e5, 7)]));
    expect(frame!.revision).toBe(7);
    expect(head.grid.count).toBeGreaterThan(0);
  });

  test("a cleared map comes back as it was, in place of what was mapped since, in a later revision", () => {
    const contents = (head: Head) => {
      const { grid, floor, footing } = head;
      const voxels = new Uint8Array(512);
      const blocks = Array.from({ length: grid.count }, (_, id) => {
        grid.copyBlock(id, voxels);
        return `${grid.keyOf(id)} ${grid.revisionOf(id)} ${Buffer.from(voxels).toString("hex")}`;
      });
      const cells: string[] = [];
      footing.visit((i, j, kind) => cells.push(`${i} ${j} ${kind}`));
      return { blocks, cells, floor: floor.at(24, 0), wall: wall(head) };
    };
    const head = new Head(setup, resolveSettings());
    feed(head, events);
    const before = contents(head);
    expect(before.wall).toContain(COLUMN.blocked);
    const cleared = head.clear();
    feed(head, [reference(7e5), depth(7e5, 7)]);
    expect(contents(head).blocks).not.toEqual(before.blocks);
    head.restore(cleared);
    expect(contents(head)).toEqual(before);
    expect(head.grid.frame).toBe(8);
    // And it is mapped on.
    const [frame] = frames(feed(head, [reference(8e5), depth(8e5, 8)]));
    expect(frame!.revision).toBe(9);
  });
});

describe("tracked poses", () => {
  const text = readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8");
  /** The first seconds of the furnished room, with the noise of its sensors; orientation stamps come 12 ms late. */
  const make = (change: (json: Record<string, unknown>) => void = () => {}) => {
    const json = JSON.parse(text) as Record<string, unknown>;
    json["orientation"] = { yawDrift: 2, noise: 0.3, late: 0.012 };
    json["duration"] = 8;
    change(json);
    return loadScenario(json);
  };
  const settings = resolveSettings({ "pose.source": "tracked", "orientation.lateness": 0.012 });

  const run = (scenario: Scenario, use: (event: HeadEvent) => boolean = () => true) => {
    const head = new Head(scenario.setup, settings);
    const frames: { output: FrameOutput; error: number }[] = [];
    const notes: TrackNote["what"][] = [];
    for (const event of simulateEvents(scenario)) {
      if (event.kind === "reference" || !use(event)) continue;
      for (const output of head.take(event)) {
        if (output.kind === "track") notes.push(output.note.what);
        if (output.kind !== "frame") continue;
        const [x, y, z] = scenario.drive.poseAt(output.time / 1e6).position;
        const [a, b, c] = output.worldFromBase.position;
        frames.push({ output, error: Math.hypot(a - x, b - y, c - z) });
      }
    }
    return { head, frames, notes };
  };

  test("from depth and orientation alone the base is found to 3 cm, and most of its frames are mapped", () => {
    const { frames, head } = run(make(), ({ kind }) => kind !== "motion");
    expect(frames.length).toBeGreaterThan(70);
    expect(Math.max(...frames.map(({ error }) => error))).toBeLessThan(0.03);
    expect(frames.filter(({ output }) => output.revision > 0).length).toBeGreaterThan(0.6 * frames.length);
    expect(frames.every(({ output }) => output.track !== null)).toBe(true);
    expect(head.grid.count).toBeGreaterThan(100);
  });

  test("without depth it is lost within half a second, and maps nothing until it is found", () => {
    const isGap = (time: number) => time > 5e6 && time < 7e6;
    const scenario = make();
    const head = new Head(scenario.setup, settings);
    let lostAt = 0;
    let isLost = false;
    const whileLost: ReachOutput[] = [];
    for (const event of simulateEvents(scenario)) {
      if (event.kind === "motion" || event.kind === "reference") continue;
      if (event.kind === "depth" && isGap(event.time)) continue;
      for (const output of head.take(event)) {
        if (output.kind === "track" && output.note.what === "lost") lostAt ||= output.time;
        if (output.kind === "track")
          isLost = output.note.what === "lost" || (isLost && output.note.what !== "found");
        if (output.kind === "reach" && isLost) whileLost.push(output);
        if (output.kind === "frame" && output.track!.hold === "lost") expect(output.revision).toBe(0);
      }
    }
    expect(lostAt / 1e6).toBeGreaterThan(5);
    expect(lostAt / 1e6).toBeLessThan(5.6);
    // It turns and goes back by memory alone, and memory is of a place: neither is permitted.
    expect(whileLost.length).toBeGreaterThan(0);
    for (const { source, pace } of whileLost) {
      expect(source).toBe("frame");
      expect(
        [pace.backward, pace.left, pace.right, ...pace.arcsForward, ...pace.arcsBackward].some(
          (one) => one > 0,
        ),
      ).toBe(false);
    }
  });
});
