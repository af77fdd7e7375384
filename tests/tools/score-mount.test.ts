import { appendFileSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, afterEach, expect, test, vi } from "vitest";
import { type Job, KeptRows, main, type Quantity, type Row } from "../../tools/lab/score-mount.ts";
import { mountDrive } from "../../tools/mount/drives.ts";

const folder = mkdtempSync(join(tmpdir(), "brinkmap-score-mount-"));
const file = join(folder, "mount-score.jsonl");
afterAll(() => rmSync(folder, { recursive: true }));
afterEach(() => {
  vi.restoreAllMocks();
});

const QUANTITIES: readonly Quantity[] = [
  "height",
  "pitch",
  "roll",
  "yaw",
  "forward",
  "sideways",
  "lateness",
  "imu tilt x",
  "imu tilt y",
  "imu heading",
  "wheels' lateness",
  "wheels' radius",
  "wheels' track",
];
/** A row as if it had been driven: each error is a tenth of the doubt. */
function rowOf(job: Job): Row {
  const misses = Object.fromEntries(QUANTITIES.map((name) => [name, { error: 0.01, sigma: 0.1 }]));
  return { job, inertial: "fused", misses: misses as Row["misses"] };
}

/** Runs the command; what it printed. */
async function run(...args: string[]): Promise<{ code: number; out: string; errors: string }> {
  const out: string[] = [];
  const errors: string[] = [];
  vi.spyOn(console, "log").mockImplementation((line: string) => void out.push(line));
  vi.spyOn(console, "error").mockImplementation((line: string) => void errors.push(line));
  const code = await main(args);
  vi.restoreAllMocks();
  return { code, out: out.join("\n"), errors: errors.join("\n") };
}

test("drives that are scored already are not driven again, and both sensors are kept separate", async () => {
  const kept = new KeptRows(file);
  for (const sensor of ["milder", "harsher"] as const) {
    for (const seed of [1000, 1001]) kept.add(rowOf({ seed, kind: "whole", sensor }));
  }
  const before = readFileSync(file, "utf8");
  const words = ["--sensor", "both", "--drives", "2", "--refusals", "0", "--out", folder];
  const { code, out } = await run(...words);
  expect(code).toBe(0);
  expect(out).toContain("milder sensor: just sees a white wall at 5.5 to 6.5 m");
  expect(out).toContain("harsher sensor: just sees a white wall at 4.5 to 6 m");
  expect(out.match(/26 of 26, 100.0 %/g)).toHaveLength(2);
  expect(readFileSync(file, "utf8")).toBe(before);
});

test("half a line of a killed run is forgotten, another program's rows are not taken, other files are refused", () => {
  const job: Job = { seed: 1000, kind: "whole", sensor: "milder" };
  const [line] = readFileSync(file, "utf8").split("\n");
  appendFileSync(file, line!.slice(0, 40));
  expect(new KeptRows(file).of(job)).toEqual(rowOf(job));
  expect(readFileSync(file, "utf8").endsWith("}\n")).toBe(true);
  writeFileSync(file, `${line!.replace(/"program":"./, '"program":"-')}\n`);
  expect(new KeptRows(file).of(job)).toBeNull();
  writeFileSync(file, `${line}\nsomething else\n`);
  expect(() => new KeptRows(file)).toThrow("line 2 is no scored drive");
});

test("the sensors drive the same way, and see it with other noise", () => {
  const [milder, harsher] = (["milder", "harsher"] as const).map((kind) => mountDrive(7, "whole", kind));
  expect(harsher!.truth).toEqual(milder!.truth);
  const frames = [milder!, harsher!].map(({ events }) => {
    for (const event of events) if (event.kind === "depth") return event;
    throw new Error("no frame");
  });
  expect(frames[1]!.time).toBe(frames[0]!.time);
  const lost = frames.map(({ counts }) => counts.filter((count) => count === 0).length);
  expect(frames[1]!.counts).not.toEqual(frames[0]!.counts);
  expect(lost[1]).toBeGreaterThanOrEqual(lost[0]!);
});

test("wrong usage is reported", async () => {
  expect((await run("--sensor", "middling")).errors).toContain("milder, harsher or both");
  expect((await run("--drives", "0", "--refusals", "0")).errors).toContain("no drives");
  expect((await run("--drives", "many")).code).toBe(2);
});
