import { afterEach, expect, test, vi } from "vitest";
import type { Row } from "../../tools/lab/score-floor/drive-job.ts";
import { report } from "../../tools/lab/score-floor/report.ts";
import { main } from "../../tools/lab/score-floor.ts";

afterEach(() => {
  vi.restoreAllMocks();
});

test("--help explains and exits with 0; invalid options exit with 2 and are named", async () => {
  const said: string[] = [];
  vi.spyOn(console, "log").mockImplementation((line: string) => void said.push(line));
  vi.spyOn(console, "error").mockImplementation((line: string) => void said.push(line));
  expect(await main(["--help"])).toBe(0);
  expect(said.join("\n")).toMatch(/Usage: npm run lab -- score-floor/);
  expect(await main(["--approaches", "many"])).toBe(2);
  expect(said.at(-1)).toMatch(/--approaches must be a whole number.*"many"/);
  expect(await main(["--nonsense"])).toBe(2);
});

const row = (job: Row["job"], more: Partial<Row["outcome"]> = {}, gap = 0.1): Row => ({
  job,
  outcome: {
    isMiss: false,
    stopped: true,
    still: 2,
    stops: 0,
    time: 60,
    way: 1,
    at: [0, 0, 0],
    limit: "brink",
    brinks: 3,
    marks: [1, 3],
    cost: 1,
    frames: 10,
    ...more,
  },
  head: { height: 0.3, pitch: 20, speed: 0.5 },
  reflectance: 0.4,
  gap,
  error: 0.01,
  seen: [],
  ideal: 57,
});

test("the report counts misses among those that moved, and bounds both rates", () => {
  const lines = report([
    ...Array.from({ length: 98 }, (_, n) => row({ kind: "approach", seed: n, drop: "100" })),
    row({ kind: "approach", seed: 98, drop: "100" }, { isMiss: true }, -0.2),
    row({ kind: "approach", seed: 99, drop: "100" }, { way: 0 }),
    row({ kind: "cruise", seed: 1, floor: "plain" }, { stops: 1 }),
    row({ kind: "trap", seed: 1, trap: "drop in the curve" }),
  ]).join("\n");
  expect(lines).toMatch(/100 mm +100 +99 +1/);
  // Clopper & Pearson 1934 for 1 of 99; scipy.stats.beta gives 0.000255703 to 0.054996823.
  expect(lines).toMatch(/1 misses in 99 approaches; 95 % interval 0\.026 % to 5\.500 %/);
  expect(lines).toMatch(/1 more never set out/);
  expect(lines).toMatch(/1 false stops in 0\.02 h/);
  expect(lines).toMatch(/plain +1 +1\.0 +1 +3 +95 %/);
  expect(lines).toMatch(/drop in the curve +1 +1 +0 +1/);
});
