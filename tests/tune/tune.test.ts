import { mkdtempSync, readFileSync, rmSync, truncateSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, afterEach, beforeAll, describe, expect, test, vi } from "vitest";
import { createRecording } from "../../src/record/file.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { replayRecording } from "../../tools/replay/run.ts";
import { draw, grid, parseTry } from "../../tools/tune/candidates.ts";
import { labelsPath } from "../../tools/tune/labels.ts";
import type { Report } from "../../tools/tune/report.ts";
import { openEntries, runAll } from "../../tools/tune/runs.ts";
import { main } from "../../tools/tune.ts";

const folder = mkdtempSync(join(tmpdir(), "brinkmap-tune-"));
const recordings = [1, 2, 3].map((seed) => join(folder, `yard${seed}.brk`));
afterAll(() => rmSync(folder, { recursive: true }));
afterEach(() => {
  vi.restoreAllMocks();
});

beforeAll(async () => {
  // The furnished room, a second of it, with other noise each time.
  const text = readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8");
  for (const [n, path] of recordings.entries()) {
    const scenario = loadScenario({ ...JSON.parse(text), seed: n + 1 });
    const settings = { scenario: scenario.name, set: [`seed=${n + 1}`] };
    const header = { setup: scenario.setup, settings, about: "test", software: "test" };
    const recording = await createRecording(path, header);
    for (const event of simulateEvents(scenario)) {
      recording.write(event);
      if (event.time > 1.5e6) break;
    }
    await recording.close();
  }
});

/** Runs the command; what it printed. */
async function run(...args: string[]): Promise<{ code: number; out: string; errors: string }> {
  const out: string[] = [];
  const errors: string[] = [];
  vi.spyOn(console, "log").mockImplementation((line: string) => void out.push(line));
  vi.spyOn(console, "error").mockImplementation((line: string) => void errors.push(line));
  vi.spyOn(process.stderr, "write").mockReturnValue(true);
  const code = await main(args);
  vi.restoreAllMocks();
  return { code, out: out.join("\n"), errors: errors.join("\n") };
}

describe("tune", () => {
  const results = join(folder, "kept.jsonl");
  const broken = ["--set", "evidence.sigma0=0.4"];
  const command = [
    ...recordings,
    ...broken,
    "--try",
    "evidence.sigma0=0.4,0.01,0.2",
    "-r",
    results,
    "--json",
  ];

  test("calls better settings better, and continues from its results", async () => {
    const first = await run(...command);
    expect(first.errors).toBe("");
    expect(first.code).toBe(0);
    const report = JSON.parse(first.out) as Report & { replayed: number; kept: number };
    // The baseline is among the values to try, and no candidate.
    expect(report.lines.map(({ settings }) => settings["evidence.sigma0"])).toHaveLength(2);
    expect(report.lines[0]).toMatchObject({
      settings: { "evidence.sigma0": 0.01 },
      verdict: { verdict: "better" },
    });
    expect(report.lines[0]!.within5cm).toBeGreaterThan(report.baseline.within5cm);
    expect([report.replayed, report.kept]).toEqual([9, 0]);

    const page = join(folder, "report.html");
    const reported = await run(...command, "--report", page);
    expect(reported.code).toBe(0);
    expect(JSON.parse(readFileSync(join(folder, "report.json"), "utf8"))).toEqual(JSON.parse(reported.out));
    // The maps of the baseline and of the best, and where they differ.
    expect(readFileSync(page, "utf8").match(/<img /g)).toHaveLength(3);

    // A killed writer's half line is done again, and nothing else.
    const before = readFileSync(results, "utf8").trimEnd().split("\n");
    truncateSync(results, readFileSync(results).length - 20);
    const second = JSON.parse((await run(...command)).out) as typeof report;
    expect([second.replayed, second.kept]).toEqual([1, 8]);
    const hashes = (lines: string[]) => lines.map((line) => JSON.parse(line).score.hash as string).sort();
    expect(hashes(readFileSync(results, "utf8").trimEnd().split("\n"))).toEqual(hashes(before));
    expect(second.lines.map(({ verdict }) => verdict)).toEqual(report.lines.map(({ verdict }) => verdict));
  });

  test("scores as replay does", async () => {
    const { summary } = await replayRecording(recordings[0]!, {
      settings: { "evidence.sigma0": 0.2 },
      holdOut: true,
    });
    const rows = readFileSync(results, "utf8")
      .trimEnd()
      .split("\n")
      .map((line) => JSON.parse(line));
    const row = rows.find(
      ({ recording, settings }) => recording === recordings[0] && settings["evidence.sigma0"] === 0.2,
    );
    expect(row.score.within5cm).toBe(summary.heldOut!.within5cm);
    expect(row.score.medianError).toBe(summary.heldOut!.medianError);
    expect(row.score.pixels).toBe(summary.heldOut!.pixels);
    expect(row.score.mapSize).toBe(summary.map.size);
  });

  test("with ground truth the report has its rank correlation with held-out scores", async () => {
    const yard = fileURLToPath(new URL("../../datasets/yard-room.json", import.meta.url));
    const page = join(folder, "truth.html");
    const words = ["--try", "evidence.sigma0=0.02,0.05,0.1,0.4", "-r", join(folder, "truth.jsonl")];
    const { code, out, errors } = await run(recordings[0]!, ...words, "--truth", yard, "--report", page);
    expect(errors).toBe("");
    expect(code).toBe(0);
    expect(out).toMatch(/ranks by the true map score agree with those by agreement -?[01]\.\d\d, within/);
    const report = JSON.parse(readFileSync(join(folder, "truth.json"), "utf8")) as Report;
    for (const { truth } of report.lines) expect(truth).toBeGreaterThan(0.3);
    expect(Object.keys(report.ranks.true!)).toEqual(["agreement", "within", "error"]);
    // A chart of the two, and a column.
    expect(readFileSync(page, "utf8")).toContain("Gain against the true map score");
    // Without the truth these are other scores, and nothing is said of it.
    const plain = await run(recordings[0]!, ...words, "--json");
    expect(JSON.parse(plain.out)).toMatchObject({
      replayed: 5,
      ranks: { true: null },
      baseline: { truth: null },
    });
    const other = fileURLToPath(new URL("../../datasets/three-rooms.json", import.meta.url));
    const refused = await run(recordings[0]!, ...words, "--truth", other);
    expect(refused.code).toBe(1);
    expect(refused.errors).toContain('the recording is of "yard room", not of "three rooms"');
    expect((await run(recordings[0]!, ...words, "--truth", join(folder, "none.json"))).code).toBe(3);
  });

  test("labels beside a recording are scored, and changed labels are scored again", async () => {
    const name = labelsPath(recordings[0]!);
    const outline = [[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5]]; // biome-ignore format: one line
    const marked = async (value: unknown) => {
      writeFileSync(name, JSON.stringify(value));
      try {
        return await run(recordings[0]!, "--try", "evidence.sigma0=0.02", "-r", results, "--json");
      } finally {
        rmSync(name);
      }
    };
    // Where the base itself starts nothing stands.
    const first = await marked({ obstacles: [{ name: "none", outline }] });
    expect(first.errors).toBe("");
    const report = JSON.parse(first.out) as Report & { replayed: number };
    expect(report.baseline.labels).toMatchObject({ edgesFound: null, obstaclesFound: 0 });
    expect(report.replayed).toBe(2);
    const again = JSON.parse((await marked({ obstacles: [{ name: "none", outline }] })).out);
    expect(again.replayed).toBe(0);
    const second = JSON.parse((await marked({ edges: [{ name: "a", drop: 0.1, line: [[0, 9], [1, 9]] }] })).out); // biome-ignore format: one line
    expect(second.replayed).toBe(2);
    expect(second.baseline.labels).toMatchObject({ edgesFound: 0, obstaclesFound: null });
    const wrong = await marked({ edges: [{}] });
    expect(wrong.code).toBe(3);
    expect(wrong.errors).toContain("edges.0.name");
  });

  test("a run that is stopped keeps what is done", async () => {
    const entries = await openEntries([recordings[0]!]);
    const settings = [1, 2, 3, 4, 5, 6, 7, 8].map((value) => ({ "map.carveEvery": value }));
    const file = join(folder, "stopped.jsonl");
    const lines = () => readFileSync(file, "utf8").split("\n").length - 1;
    const controller = new AbortController();
    const timer = setInterval(() => {
      try {
        if (lines() >= 2) controller.abort();
      } catch {} // not there yet
    }, 1);
    vi.spyOn(process.stderr, "write").mockReturnValue(true);
    const first = await runAll(entries, settings, {
      results: file,
      workers: 1,
      signal: controller.signal,
      what: "test",
    });
    clearInterval(timer);
    expect(first.left).toBeGreaterThan(0);
    expect(lines()).toBe(first.done);
    const { signal } = new AbortController();
    const second = await runAll(entries, settings, { results: file, workers: 2, signal, what: "test" });
    expect([second.kept, second.done, second.left]).toEqual([first.done, first.left, 0]);
  });

  test("settings that are scored on other pixels are not compared", async () => {
    const { code, out } = await run(
      ...recordings,
      "--try",
      "map.maxRange=1.5",
      "-r",
      join(folder, "range.jsonl"),
    );
    expect(code).toBe(0);
    expect(out).toContain("other pixels");
    expect(out).toContain("0 significantly better");
  });

  test("a setting that cannot be run is named, and the others are still compared", async () => {
    const file = join(folder, "unfit.jsonl");
    const words = ["--try", "map.voxelSize=0.001,0.06", "-r", file];
    const { code, out, errors } = await run(recordings[0]!, ...words);
    expect(code).toBe(1);
    expect(errors).toContain("map.voxelSize=0.001");
    expect(out).toContain("map.voxelSize=0.06");
    expect(out).toContain("one recording is too few");
  });

  test("wrong usage is reported, with its exit code", async () => {
    const one = recordings[0]!;
    expect((await run("--help")).code).toBe(0);
    expect((await run(one)).errors).toContain("nothing to try");
    expect((await run(one, "--try", "map.voxel=1")).errors).toContain('no setting "map.voxel"');
    expect((await run(one, "--try", "map.carveEvery=1..4")).errors).toContain("needs --random");
    expect((await run(one, "--try", "map.carveEvery=2")).errors).toContain("is the baseline itself");
    expect((await run(one, one, "--try", "map.carveEvery=1")).errors).toContain("given twice");
    expect((await run(one, "--try", "map.carveEvery=1", "-w", "0")).code).toBe(2);
    expect((await run(join(folder, "none.brk"), "--try", "map.carveEvery=1")).code).toBe(3);
    const wrong = join(folder, "wrong.jsonl");
    writeFileSync(wrong, "something else\n");
    const { code, errors } = await run(one, "--try", "map.carveEvery=1", "-r", wrong);
    expect(code).toBe(4);
    expect(errors).toContain("line 1");
    expect(readFileSync(wrong, "utf8")).toBe("something else\n");
  });
});

describe("settings to try", () => {
  test("a grid has all combinations", () => {
    const given = grid(["map.carveEvery=1,2", "pose.source=odometry,tracked"].map(parseTry));
    expect(given).toHaveLength(4);
    expect(given[1]).toEqual({ "map.carveEvery": 1, "pose.source": "tracked" });
  });

  test("random ones stay in bounds, are the same for the same seed, and wide ranges are even by their logarithm", () => {
    const ranges = ["evidence.sigma2=0.0001..0.1", "map.carveEvery=1..4", "floor.band=0.2,0.4"].map(parseTry);
    const given = draw(ranges, 2000, 3);
    expect(draw(ranges, 5, 3)).toEqual(given.slice(0, 5));
    expect(draw(ranges, 5, 4)).not.toEqual(given.slice(0, 5));
    const sigma = given.map((one) => Number(one["evidence.sigma2"]));
    expect(Math.min(...sigma)).toBeGreaterThanOrEqual(0.0001);
    expect(Math.max(...sigma)).toBeLessThanOrEqual(0.1);
    // Half of them below the geometric middle, within four sigma of a fair coin.
    expect(Math.abs(sigma.filter((value) => value < 0.00316).length - 1000)).toBeLessThan(90);
    expect(new Set(given.map((one) => one["map.carveEvery"]))).toEqual(new Set([1, 2, 3, 4]));
  });

  test("what cannot be tried is refused", () => {
    expect(() => parseTry("map.carveEvery")).toThrow("name=a,b,c");
    expect(() => parseTry("map.carveEvery=1,99")).toThrow("from 1 to 8");
    expect(() => parseTry("floor.band=2..1")).toThrow("less than the second");
    expect(() => parseTry("body.footprint=0,0 1,0 1,1")).toThrow("is a text");
  });
});
