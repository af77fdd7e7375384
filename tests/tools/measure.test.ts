import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { dirname, join } from "node:path";
import { afterAll, afterEach, beforeEach, expect, test, vi } from "vitest";
import { agesBetween, bucketsOf } from "../../tools/measure/ages.ts";
import { readBoardState } from "../../tools/measure/board-state.ts";
import { findingsOf } from "../../tools/measure/findings.ts";
import type { Measured } from "../../tools/measure/frame-cost.ts";
import { main } from "../../tools/measure.ts";
import { CAMERA, LiveHead } from "../helpers/live.ts";

const folder = mkdtempSync(join(tmpdir(), "brinkmap-measure-"));
afterAll(() => rmSync(folder, { recursive: true }));
let said: string[] = [];
beforeEach(() => {
  said = [];
  vi.spyOn(console, "log").mockImplementation((line: string) => void said.push(line));
  vi.spyOn(console, "error").mockImplementation((line: string) => void said.push(line));
});
afterEach(() => void vi.restoreAllMocks());

function put(path: string, text: string): void {
  mkdirSync(dirname(join(folder, path)), { recursive: true });
  writeFileSync(join(folder, path), `${text}\n`);
}

const COOL = { temperature: 45, limit: 80, clock: 1500, highestClock: 1500, governor: "schedutil" };
const optics = { model: "pinhole", width: 640, height: 480, fx: 500, fy: 500, cx: 319.5, cy: 239.5, measures: "z", unit: 0.001, minRange: 0.2, maxRange: 5 } as const; // biome-ignore format: one line

/** Frames that take so many milliseconds at first and at last, on a camera whose images are binned. */
function measured(first: number, last: number, held = 1): Measured {
  const costs = Array.from({ length: 100 }, (_, n) => ({
    binning: 1,
    reach: (n < 50 ? first : last) - 2,
    map: 1,
  }));
  return { costs, camera: optics, worked: { ...optics, width: 213, height: 160 }, held };
}

test("the hottest zone, the trip point that slows it down, and the slowest core are read from the kernel's files", async () => {
  put("class/thermal/thermal_zone0/temp", "41200");
  put("class/thermal/thermal_zone1/temp", "63500");
  for (const [n, [type, temp]] of [
    ["critical", "110000"],
    ["passive", "80000"],
    ["passive", "85000"],
  ].entries()) {
    put(`class/thermal/thermal_zone1/trip_point_${n}_type`, type!);
    put(`class/thermal/thermal_zone1/trip_point_${n}_temp`, temp!);
  }
  for (const [cpu, now] of [
    ["cpu0", "1800000"],
    ["cpu1", "600000"],
  ] as const) {
    put(`devices/system/cpu/${cpu}/cpufreq/scaling_cur_freq`, now);
    put(`devices/system/cpu/${cpu}/cpufreq/cpuinfo_max_freq`, "1800000");
  }
  put("devices/system/cpu/cpu0/cpufreq/scaling_governor", "ondemand");
  expect(await readBoardState(folder)).toEqual({
    temperature: 63.5,
    limit: 80,
    clock: 600,
    highestClock: 1800,
    governor: "ondemand",
  });
  expect(await readBoardState(join(folder, "none"))).toEqual({
    temperature: null,
    limit: null,
    clock: null,
    highestClock: null,
    governor: null,
  });
});

test("a board with time to spare is told to take finer images, a slow one to take fewer or smaller ones", () => {
  const quick = findingsOf(measured(5, 5), 30, COOL, COOL);
  expect(quick.busy).toBeCloseTo(0.15, 6);
  expect(quick.mostRate).toBeCloseTo(200, 6);
  expect(quick.stages.map(({ name, median }) => [name, median])).toEqual([
    ["binning", 1],
    ["to the reach", 3],
    ["mapping", 1],
    ["whole frame", 5],
  ]);
  expect(quick.advice).toEqual([`there is time for finer images: set "mostPixels": ${2 * 213 * 160}`]);
  const slow = findingsOf(measured(40, 40), 30, COOL, COOL);
  expect(slow.busy).toBeCloseTo(1.2, 6);
  // Half of a core: 213 x 160 x 0.5 / 1.2 pixels, or 12.5 frames a second.
  expect(slow.advice).toEqual([
    'the head would map fewer frames: set "mostPixels": 14000, or the camera to 12 frames a second',
  ]);
});

test("a board that gets slower is told to be cooled, unless other programs were the cause", () => {
  expect(findingsOf(measured(10, 13), 20, COOL, COOL).advice.join()).toMatch(/became 30 % slower.*heat sink/);
  const disturbed = findingsOf(measured(10, 13, 0.6), 20, COOL, COOL).advice.join();
  expect(disturbed).toMatch(/other programs had the processor for 40 % of the time/);
  expect(disturbed).not.toMatch(/heat sink/);
  const hot = findingsOf(measured(10, 10), 20, COOL, { ...COOL, temperature: 74, governor: "powersave" });
  expect(hot.advice.join()).toMatch(/74 degrees is near the 80 .*"powersave"/);
});

test("the command measures the camera of a settings file", async () => {
  const small = { ...optics, width: 160, height: 120, fx: 125, fy: 125, cx: 79.5, cy: 59.5 };
  const mount = { on: "head", pose: { rotation: [0.5, -0.5, 0.5, -0.5], position: [0, 0, 0] } };
  writeFileSync(
    join(folder, "head.json"),
    JSON.stringify({ sensors: [{ name: "front", optics: small, mount }], mostPixels: 6000 }),
  );
  const args = ["--settings", join(folder, "head.json"), "--seconds", "1", "--rate", "15"];
  expect(await main(args)).toBe(0);
  const text = said.join("\n");
  expect(text).toMatch(/camera +160 x 120 at 15 a second, binned to 80 x 60; \d+ frames/);
  for (const stage of ["binning", "to the reach", "mapping", "whole frame"])
    expect(text).toMatch(new RegExp(`^${stage} +\\d+\\.\\d\\d +\\d+\\.\\d\\d$`, "m"));
  expect(text).toMatch(/busy +\d+ % of a core at this rate/);
  said = [];
  expect(await main([...args, "--json"])).toBe(0);
  expect(JSON.parse(said.join("\n"))).toMatchObject({
    stages: expect.any(Array),
    frames: expect.any(Number),
  });
  expect(await main([...args, "--sensor", "rear"])).toBe(2);
  expect(await main(["--settings", join(folder, "nothing.json")])).toBe(3);
  expect(await main(["--rate", "0"])).toBe(2);
}, 60_000);

test("ages between two readings of the metrics are those of the time between them", () => {
  const reading = (...counts: number[]) =>
    bucketsOf(
      ["0.004", "0.008", "0.033", "+Inf"]
        .map((le, n) => `brinkmap_reach_age_seconds_bucket{le="${le}"} ${counts[n]}`)
        .join("\n"),
    );
  // 100 reaches between the readings: 60 up to 4 ms, 38 up to 8 ms, 1 up to 33 ms, 1 later. The 500 before do not count.
  const ages = agesBetween(reading(0, 0, 500, 500), reading(60, 98, 599, 600), 60);
  expect(ages).toEqual({ count: 100, seconds: 60, median: { low: 0, high: 4 }, most: { low: 8, high: 33 } });
  expect(agesBetween(reading(1, 1, 1, 1), reading(1, 1, 1, 1), 1)).toMatchObject({ count: 0, median: null });
});

test("a running head tells the ages of its reaches; no head, or no address, is said plainly", async () => {
  const head = await LiveHead.start();
  const address = `http://127.0.0.1:${head.service.port}`;
  try {
    const sensor = await head.open({ role: "sensor", sensors: [CAMERA] });
    const sending = setInterval(() => head.look(sensor), 100);
    expect(await main(["--live", address, "--seconds", "1"])).toBe(0);
    clearInterval(sending);
    expect(said.join("\n")).toMatch(
      /reaches +[1-9]\d* in 1 s\nage, median +\d+ to \d+ ms\nage, 99 % +\d+ to \d+ ms/,
    );
  } finally {
    await head.stop();
  }
  expect(await main(["--live", address, "--seconds", "1"])).toBe(3);
  expect(said.at(-1)).toContain("no head answers at http://127.0.0.1");
  expect(await main(["--live", "4917"])).toBe(2);
}, 30_000);
