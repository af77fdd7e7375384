import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, beforeAll, describe, expect, test, vi } from "vitest";
import type { PinholeOptics, Pose } from "../../src/geometry/optics.ts";
import { Head } from "../../src/head/head.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { createRecording, openRecording } from "../../src/record/file.ts";
import { RecordingReader } from "../../src/record/reader.ts";
import type { Setup } from "../../src/sense/events.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { OutputDigest } from "../../tools/replay/digest.ts";
import { digestMap, replayRecording, settingsOf } from "../../tools/replay/run.ts";
import { readAhead } from "../../tools/replay/source.ts";
import { main } from "../../tools/replay.ts";

const folder = mkdtempSync(join(tmpdir(), "brinkmap-replay-"));
const path = join(folder, "yard.brk");
afterAll(() => rmSync(folder, { recursive: true }));

beforeAll(async () => {
  // The furnished room, a few seconds of it.
  const text = readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8");
  const scenario = loadScenario(JSON.parse(text));
  const header = { setup: scenario.setup, settings: {}, about: "test", software: "test" };
  const recording = await createRecording(path, header);
  for (const event of simulateEvents(scenario)) {
    recording.write(event);
    if (event.time > 4e6) break;
  }
  await recording.close();
});

describe("a replay", () => {
  test("gives the same hash twice, and another one with other settings", async () => {
    const first = await replayRecording(path);
    const second = await replayRecording(path);
    const other = await replayRecording(path, { settings: { "map.carveEvery": 1 } });
    expect(first.summary.frames).toBeGreaterThan(40);
    expect(second.summary.hash).toBe(first.summary.hash);
    expect(other.summary.hash).not.toBe(first.summary.hash);
  });

  test("gives the same map whatever the size of the pieces that the recording is read in", async () => {
    const bytes = readFileSync(path);
    const maps = [1021, 65_537, bytes.length].map((size) => {
      const reader = new RecordingReader();
      let head: Head | null = null;
      const take = () => {
        for (let event = reader.next(); event !== null; event = reader.next()) {
          head ??= new Head(reader.header!.setup, resolveSettings(settingsOf(reader.header!)));
          head.take(event);
        }
      };
      for (let at = 0; at < bytes.length; at += size) {
        reader.push(bytes.subarray(at, at + size));
        take();
      }
      reader.finish();
      take();
      const blocks: string[] = [];
      digestMap(head!.grid, (block) => blocks.push(Buffer.from(block).toString("base64")));
      return blocks;
    });
    expect(maps[0]!.length).toBeGreaterThan(100);
    expect(maps[1]).toEqual(maps[0]);
    expect(maps[2]).toEqual(maps[0]);
  });

  test("read ahead by another thread gives the same, from a damaged file and with frames of any size, too", async () => {
    const hurt = join(folder, "hurt.brk");
    const bytes = readFileSync(path);
    for (const at of [0.3, 0.6])
      bytes.fill(0xa5, Math.floor(at * bytes.length), Math.floor(at * bytes.length) + 9);
    writeFileSync(hurt, bytes);
    for (const file of [path, hurt]) {
      const here = (await replayRecording(file)).summary;
      const ahead = (await replayRecording(file, { isAhead: true })).summary;
      expect(ahead.hash).toBe(here.hash);
      expect(ahead.events).toBe(here.events);
      expect(ahead.damage).toBe(here.damage);
      expect(here.damage).toBe(file === hurt ? 2 : 0);
    }
    // Each frame larger than the memory of a batch.
    const large = join(folder, "large.brk");
    const [width, height] = [1200, 1000];
    const optics: PinholeOptics = {
      model: "pinhole",
      width,
      height,
      fx: 900,
      fy: 900,
      cx: 600,
      cy: 500,
      measures: "z",
      unit: 0.001,
      minRange: 0.1,
      maxRange: 5,
    };
    const level: Pose = { rotation: [0, 0, 0, 1], position: [0, 0, 0] };
    const mount = { on: "head", pose: level } as const;
    const setup: Setup = {
      baseFromHead: level,
      headFromImu: level,
      sensors: [{ name: "large", optics, mount }],
    };
    const copy = await createRecording(large, { setup, settings: {}, about: "test", software: "test" });
    for (let n = 0; n < 7; n++) {
      copy.write({ kind: "reference", time: n * 100_000, of: "base", sensor: 0, pose: level });
      const counts = new Uint16Array(width * height).fill(1000 + n);
      copy.write({ kind: "depth", time: n * 100_000, sensor: 0, sequence: n, counts, amplitude: counts });
    }
    await copy.close();
    const seen: number[] = [];
    for await (const { events } of readAhead(large)) {
      for (const event of events)
        if (event.kind === "depth") seen.push(event.counts[7]!, event.amplitude!.at(-1)!);
    }
    expect(seen).toEqual([0, 1, 2, 3, 4, 5, 6].flatMap((n) => [1000 + n, 1000 + n]));
  });

  test("a file that cannot be read ends reading ahead with the error, not with a wait", async () => {
    const read = async () => {
      for await (const _ of readAhead(join(folder, "none.brk"))) throw new Error("there is nothing to read");
    };
    await expect(read()).rejects.toThrow(/ENOENT/);
  });

  test("the digest differs for any changed bit or place, and takes texts and lists of any length", () => {
    const of = (value: unknown) => {
      const digest = new OutputDigest();
      digest.add(value);
      return digest.finish();
    };
    const values = [
      ...[0, -0, Number.NaN, Number.POSITIVE_INFINITY, 0.1, 0.1 + Number.EPSILON / 8, null, true, false],
      ...["", "a", "ä", "a".repeat(100_000), [], [[]], {}, [{}], { a: 1 }, { b: 1 }, { a: [1] }],
      ...[
        [1, 2],
        [2, 1],
        new Array(20_000).fill(3),
        new Array(20_001).fill(3),
        { a: 1, b: 2 },
        { a: 1, c: 2 },
      ],
    ];
    expect(new Set(values.map(of)).size).toBe(values.length);
    expect(of(structuredClone(values))).toBe(of(values));
    expect(() => of({ a: undefined })).toThrow(/undefined/);
  });

  test("predicts held-out frames, and a map with a wrong offset does it worse", async () => {
    const good = await replayRecording(path, { holdOut: true });
    expect(good.summary.heldOut!.frames).toBeGreaterThan(15);
    expect(good.summary.heldOut!.medianError).toBeLessThan(0.02);
    // The same recording with every depth 10 cm too long in the frames that are mapped.
    const bent = join(folder, "bent.brk");
    const source = await openRecording(path);
    const copy = await createRecording(bent, source.header);
    let n = 0;
    for (const event of source.events()) {
      if (event.kind === "depth" && n++ % 2 === 0) {
        copy.write({ ...event, counts: event.counts.map((count) => (count === 0 ? 0 : count + 100)) });
      } else {
        copy.write(event);
      }
    }
    source.close();
    await copy.close();
    const bad = await replayRecording(bent, { holdOut: true });
    expect(bad.summary.heldOut!.medianError).toBeGreaterThan(2 * good.summary.heldOut!.medianError);
    expect(bad.summary.heldOut!.within5cm).toBeLessThan(good.summary.heldOut!.within5cm);
  });

  test("prints the error of odometry against the recording's reference", async () => {
    const { summary } = await replayRecording(path, { settings: { "pose.source": "odometry" } });
    expect(summary.frames).toBeGreaterThan(30);
    expect(summary.trajectoryError!.aligned.rmse).toBeLessThan(0.2);
  });
});

describe("the command", () => {
  async function run(...args: string[]) {
    const out = vi.spyOn(console, "log").mockImplementation(() => {});
    const error = vi.spyOn(console, "error").mockImplementation(() => {});
    try {
      const code = await main(args);
      const text = (spy: typeof out) => spy.mock.calls.flat().join("\n");
      return { code, out: text(out), error: text(error) };
    } finally {
      out.mockRestore();
      error.mockRestore();
    }
  }

  test("prints a summary, as lines or as JSON", async () => {
    const lines = await run(path);
    expect(lines.code).toBe(0);
    expect(lines.out).toMatch(/times real time/);
    const json = JSON.parse((await run("--json", path)).out);
    expect(json.hash).toHaveLength(64);
    expect(lines.out).toContain(json.hash);
  });

  test.each([
    [[], 2, /expected one recording/],
    [["--set", "map.voxelSize", "x.brk"], 2, /--set takes name=value/],
    [["--set", "map.voxelSize=9", path], 2, /map.voxelSize must be a number from 0.001 to 0.5 m/],
    [["--nothing"], 2, /there is no option --nothing/],
    [[join(folder, "absent.brk")], 3, /absent.brk/],
  ])("with %o ends with %i and says why in a line", async (args, code, message) => {
    const result = await run(...args);
    expect(result.code).toBe(code);
    expect(result.error).toMatch(message);
  });

  test("a file that is no recording is an unreadable recording", async () => {
    const other = join(folder, "other.brk");
    writeFileSync(other, "not a recording at all, whatever its name");
    expect((await run(other)).code).toBe(3);
  });

  test("lists every setting with bounds and meaning", async () => {
    const { out } = await run("--set", "help");
    expect(out).toMatch(/map\.voxelSize\s+0\.05\s+0\.001 to 0\.5 m/);
  });
});
