import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, afterEach, beforeEach, expect, test, vi } from "vitest";
import { openRecording } from "../../src/record/file.ts";
import { main } from "../../tools/simulate.ts";

const folder = mkdtempSync(join(tmpdir(), "simulate-"));
afterAll(() => rmSync(folder, { recursive: true }));
const STUDIO = fileURLToPath(new URL("../../datasets/pottery-studio.json", import.meta.url));
const out = (name: string): string => join(folder, name);

let trouble: string[] = [];
beforeEach(() => {
  trouble = [];
  vi.spyOn(console, "error").mockImplementation((line: string) => void trouble.push(line));
  vi.spyOn(console, "log").mockImplementation(() => {});
});
afterEach(() => void vi.restoreAllMocks());

test("a scenario becomes a recording that holds its setup, its frames and the truth", async () => {
  expect(await main([STUDIO, out("a.brk"), "-s", "duration=1.5", "-s", "sensors.0.rate=4"])).toBe(0);
  const recording = await openRecording(out("a.brk"));
  expect(recording.header.setup.sensors[0]?.optics.width).toBe(160);
  expect(recording.header.settings).toMatchObject({
    noise: [{ gate: 150, amplitudeUnit: 8 }],
    seed: 20261125,
  });
  const kinds: Record<string, number> = {};
  for (const event of recording.events()) kinds[event.kind] = (kinds[event.kind] ?? 0) + 1;
  await recording.close();
  expect(kinds).toMatchObject({
    depth: 6,
    reference: 6,
    inertial: 150,
    orientation: 151,
    motion: 31,
    mark: 1,
  });
});

test("the same scenario gives the same file, byte for byte", async () => {
  const args = ["-s", "duration=0.5", "-s", "sensors.0.rate=4"];
  await main([STUDIO, out("b.brk"), ...args]);
  await main([STUDIO, out("c.brk"), ...args]);
  expect(readFileSync(out("b.brk")).equals(readFileSync(out("c.brk")))).toBe(true);
});

test("an existing recording is kept unless --force is given", async () => {
  writeFileSync(out("kept.brk"), "mine");
  expect(await main([STUDIO, out("kept.brk"), "-s", "duration=0.1"])).toBe(4);
  expect(readFileSync(out("kept.brk"), "utf8")).toBe("mine");
  expect(trouble.join()).toContain("--force");
  expect(await main([STUDIO, out("kept.brk"), "-s", "duration=0.1", "--force"])).toBe(0);
});

test.each([
  [[], 2, /expected a scenario and a recording/],
  [["--repeat", "x", "a", "b"], 2, /--repeat must be a whole number/],
  [["--wrong", "a", "b"], 2, /wrong/],
  [["-s", "nonsense", STUDIO, "b"], 2, /give field=value/],
  [["-s", "name=studio", STUDIO, "b"], 2, /not JSON/],
  [["-s", "sensors.9.rate=2", STUDIO, "b"], 2, /has no "sensors\.9"/],
  [["-s", "__proto__=2", STUDIO, "b"], 2, /has no/],
  [["-s", "sensors.0.rate=0", STUDIO, "b"], 3, /sensors\[0\]\.rate: got 0; give a number/],
  [["/nowhere/scenario.json", "b"], 3, /there is no such file or folder/],
  [[STUDIO, "/nowhere/b.brk"], 4, /\/nowhere\/b\.brk: there is no such file or folder/],
  [[STUDIO.replace("pottery-studio.json", ""), "b"], 3, /is a folder; a file is needed/],
] as [string[], number, RegExp][])(
  "%j ends with code %d and one line that says why",
  async (args, code, why) => {
    expect(await main(args)).toBe(code);
    expect(trouble).toHaveLength(1);
    expect(trouble[0]).toMatch(why);
  },
);

test("a file that is not JSON is named", async () => {
  writeFileSync(out("bad.json"), "{ name: ");
  expect(await main([out("bad.json"), out("d.brk")])).toBe(3);
  expect(trouble[0]).toMatch(/bad\.json: not JSON/);
});
