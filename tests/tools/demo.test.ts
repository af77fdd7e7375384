import {
  existsSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  rmSync,
  truncateSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { decode } from "fast-png";
import { afterAll, afterEach, beforeEach, describe, expect, test, vi } from "vitest";
import { openRecording } from "../../src/record/file.ts";
import { main } from "../../tools/demo.ts";

const folder = mkdtempSync(join(tmpdir(), "brinkmap-demo-"));
afterAll(() => rmSync(folder, { recursive: true }));

/** The furnished room for less than a second, so that a demo is rendered in no time. */
function scenario(name: string, changes: Record<string, unknown> = {}): string {
  const room = JSON.parse(
    readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8"),
  ) as Record<string, unknown>;
  const path = join(folder, name);
  writeFileSync(path, JSON.stringify({ ...room, duration: 0.8, ...changes }));
  return path;
}
const ROOM = scenario("room.json");

let printed: string[] = [];
let trouble: string[] = [];
let progress: string[] = [];
let onProgress = () => {};
beforeEach(() => {
  [printed, trouble, progress] = [[], [], []];
  onProgress = () => {};
  vi.spyOn(console, "log").mockImplementation((line: string) => void printed.push(line));
  vi.spyOn(console, "error").mockImplementation((line: string) => void trouble.push(line));
  vi.spyOn(process.stderr, "write").mockImplementation((text) => {
    progress.push(String(text));
    onProgress();
    return true;
  });
});
afterEach(() => void vi.restoreAllMocks());

const demo = (out: string, path = ROOM): Promise<number> =>
  main(["--scenario", path, "-o", join(folder, out)]);
const rendered = (): boolean => printed.some((line) => line.startsWith("Rendering"));

describe("demo", () => {
  test("makes the demo, prints its figures and what they mean, and writes the pictures and the voxels", async () => {
    expect(await demo("new")).toBe(0);
    expect(readdirSync(join(folder, "new")).sort()).toEqual(
      ["demo-floor.png", "demo-map.png", "demo-side.png", "demo-voxels.ply", "demo.brk"].sort(),
    );
    const all = printed.join("\n");
    for (const figure of ["recording", "speed", "map", "floor", "hash"]) {
      // Once with the figure, once with its meaning.
      expect(all.match(new RegExp(`^ *${figure} {2,}`, "gm")), figure).toHaveLength(2);
    }
    for (const file of ["demo-map.png", "demo-floor.png", "demo-side.png", "demo-voxels.ply"]) {
      expect(all).toContain(join(folder, "new", file));
    }
    expect(printed.at(-1)).toContain("not a safety device");
  });

  test("draws more than one thing in each picture, and none wider than a page", async () => {
    await demo("new");
    for (const file of ["demo-map.png", "demo-floor.png", "demo-side.png"]) {
      const { width, height, data, channels } = decode(readFileSync(join(folder, "new", file)));
      expect(width, file).toBeLessThanOrEqual(1200);
      const colors = new Set<string>();
      for (let i = 0; i < width * height; i++) {
        colors.add(data.subarray(channels * i, channels * (i + 1)).join());
      }
      expect(colors.size, file).toBeGreaterThanOrEqual(4);
    }
  });

  test("prints progress as plain lines where there is no terminal", async () => {
    await demo("lines");
    // On a slow machine a line ends with an estimate, "about 1 s left".
    const lines = progress.map((line) => line.replace(/, about .* left\n$/, "\n"));
    expect(lines.filter((line) => line.startsWith("rendering"))).toEqual([
      "rendering: 25 %\n",
      "rendering: 50 %\n",
      "rendering: 75 %\n",
      "rendering: 100 %\n",
    ]);
    expect(progress.at(-1)).toBe("mapping: 100 %\n");
  });

  test("takes a demo that is there as it is", async () => {
    await demo("again");
    printed = [];
    expect(await demo("again")).toBe(0);
    expect(rendered()).toBe(false);
  });

  test("has no demo under its name until the last frame of it is written", async () => {
    const seen: boolean[] = [];
    onProgress = () => {
      if (progress.at(-1)?.startsWith("rendering"))
        seen.push(existsSync(join(folder, "stopped", "demo.brk")));
    };
    await demo("stopped");
    expect(seen).toEqual([false, false, false, false]);
  });

  test("renders a truncated demo again, with the same bytes", async () => {
    await demo("cut");
    const path = join(folder, "cut", "demo.brk");
    const whole = readFileSync(path);
    truncateSync(path, Math.floor(whole.length * 0.6));
    printed = [];
    expect(await demo("cut")).toBe(0);
    expect(rendered()).toBe(true);
    expect(readFileSync(path).equals(whole)).toBe(true);
  });

  test.each([
    ["empty", ""],
    ["something else", "this is not a recording"],
  ])("makes a demo anew that is %s", async (name, text) => {
    await demo(name);
    writeFileSync(join(folder, name, "demo.brk"), text);
    printed = [];
    expect(await demo(name)).toBe(0);
    expect(rendered()).toBe(true);
  });

  test("renders the demo again for another scenario", async () => {
    await demo("other");
    printed = [];
    expect(await demo("other", scenario("other.json", { seed: 5 }))).toBe(0);
    expect(rendered()).toBe(true);
    const recording = await openRecording(join(folder, "other", "demo.brk"));
    expect(recording.header.settings).toMatchObject({ seed: 5 });
    recording.close();
  });

  test("gives the same hash each time", async () => {
    await demo("hash-1");
    await demo("hash-2");
    const hashes = printed.join("\n").match(/^hash +[0-9a-f]{64}$/gm);
    expect(hashes).toHaveLength(2);
    expect(hashes![0]).toBe(hashes![1]);
  });

  test("--help says what it does and its exit codes", async () => {
    expect(await main(["--help"])).toBe(0);
    expect(printed.join()).toMatch(/Usage: brinkmap demo[\s\S]*Exit codes/);
  });

  test.each([
    [["surplus"], 2, /"surplus" is not expected/],
    [["--wrong"], 2, /--wrong/],
    [["--scenario", join(folder, "nowhere.json")], 3, /nowhere\.json/],
    [["--scenario", scenario("unfit.json", { duration: -1 })], 3, /unfit\.json: duration/],
    [["--scenario", ROOM, "-o", ROOM], 4, /room\.json/],
    [["--scenario", ROOM, "-o", join(ROOM, "below")], 4, /room\.json/],
  ])("%j ends with code %i and one line", async (args, code, why) => {
    expect(await main(args)).toBe(code);
    expect(trouble).toHaveLength(1);
    expect(trouble[0]).toMatch(why);
    expect(trouble[0]).not.toContain("\n");
  });
});
