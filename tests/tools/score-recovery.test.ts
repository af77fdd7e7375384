import { fileURLToPath } from "node:url";
import { afterEach, expect, test, vi } from "vitest";
import { main } from "../../tools/lab/score-recovery.ts";

const yard = fileURLToPath(new URL("../../datasets/yard-room.json", import.meta.url));

afterEach(() => {
  vi.restoreAllMocks();
});

async function run(...args: string[]): Promise<{ code: number; out: string; errors: string }> {
  const out: string[] = [];
  const errors: string[] = [];
  vi.spyOn(console, "log").mockImplementation((line: string) => void out.push(line));
  vi.spyOn(console, "error").mockImplementation((line: string) => void errors.push(line));
  vi.spyOn(process.stderr, "write").mockReturnValue(true);
  const code = await main(args);
  return { code, out: out.join("\n"), errors: errors.join("\n") };
}

test("tuning mends three broken settings to within 1 % of the best known, on a recording it has not seen", async () => {
  const { code, out, errors } = await run(
    yard,
    "--set",
    "duration=2",
    "-n",
    "14",
    "-k",
    "16",
    "--recordings",
    "2",
  );
  expect(errors).toBe("");
  const percent = (name: string) => Number(new RegExp(`^${name} +([\\d.]+) %`, "m").exec(out)![1]);
  expect(percent("chosen")).toBeGreaterThanOrEqual(0.99 * percent("best known"));
  // They were broken: by far more than the bar.
  expect(percent("broken")).toBeLessThan(0.95 * percent("best known"));
  expect(code).toBe(0);
}, 120_000);

test("too few tries miss the bar, and the exit code says so", async () => {
  const { code, out } = await run(
    yard,
    "--set",
    "duration=1",
    "-n",
    "1",
    "-k",
    "8",
    "--recordings",
    "1",
    "-s",
    "3",
  );
  expect(out).toContain("MISSED");
  expect(code).toBe(1);
}, 120_000);

test("wrong usage is reported, with its exit code", async () => {
  expect((await run("--help")).code).toBe(0);
  expect((await run()).code).toBe(2);
  expect((await run(yard, "-n", "none")).errors).toContain("--tries");
  expect((await run("none.json")).code).toBe(3);
});
