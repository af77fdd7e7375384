import { expect, test, vi } from "vitest";
import { main } from "../../tools/compare.ts";
import { type Comparison, compareScores } from "../../tools/tune/comparison.ts";
import type { Score } from "../../tools/tune/job.ts";

const score = (within5cm: number, medianError: number): Score => ({
  agreement: 0.9,
  found: 0.9,
  airFree: 0.9,
  believed: 0.9,
  within5cm,
  medianError,
  answered: 0.9,
  pixels: 1000,
  frameTime: 2,
  mapSize: 2048,
  trajectory: null,
  labels: null,
  truth: null,
  recorded: 1,
  taken: 1,
  hash: "",
});

const named = (rows: readonly Comparison[], names: readonly string[]) =>
  names.map((name) => rows.find((row) => row.name === name));

test("less error is better, more within 5 cm too, and equal cost is not significant", () => {
  const noise = [0, 0.001, -0.001, 0.002, 0.0005, -0.0005];
  const first = noise.map((d) => score(0.8 + 10 * d, 0.02 + d));
  const second = noise.map((d, r) =>
    score(0.9 + 10 * d + noise[(r + 1) % 6]!, 0.01 + d + noise[(r + 2) % 6]! / 10),
  );
  const [within, error, answered, frame, map] = named(compareScores(first, second), [
    "within 5 cm",
    "median error",
    "answered",
    "a frame",
    "map",
  ]);
  expect(within!.difference).toMatchObject({ verdict: "better", mean: expect.closeTo(10, 0) });
  expect(error!.difference).toMatchObject({ verdict: "better", mean: expect.closeTo(-10, 0) });
  // The interval stays in order when the sign turns.
  expect(error!.difference.low).toBeLessThan(error!.difference.mean);
  expect(error!.difference.high).toBeGreaterThan(error!.difference.mean);
  for (const same of [answered, frame, map]) expect(same!.difference.verdict).toBe("not significant");
  expect(named(compareScores(second, first), ["within 5 cm"])[0]!.difference.verdict).toBe("worse");
});

test("labels are compared where every recording has them", () => {
  const marked = (edgesFound: number): Score => ({
    ...score(0.8, 0.01),
    labels: { edgesFound, falseEdges: 0.1, obstaclesFound: null, missed: [] },
  });
  const names = (first: Score[], second: Score[]) => compareScores(first, second).map(({ name }) => name);
  const worse = compareScores([0.9, 0.91, 0.92, 0.9].map(marked), [0.5, 0.52, 0.51, 0.5].map(marked));
  const edges = worse.find(({ name }) => name === "true edges found")!;
  expect(edges.difference).toMatchObject({ verdict: "worse", mean: expect.closeTo(-40, 0) });
  expect(worse.map(({ name }) => name)).not.toContain("obstacles found");
  expect(names([marked(0.9), score(0.8, 0.01)], [marked(0.9), marked(0.9)])).not.toContain(
    "true edges found",
  );
});

test("agreement comes first, and truth is compared where every recording has it", () => {
  const isTrue = (agreement: number, part: number): Score => ({
    ...score(0.8, 0.01),
    agreement,
    truth: { surfaceFound: part, surfaceTrue: part, airFree: part, score: part },
  });
  const rows = compareScores(
    [isTrue(0.9, 0.5), isTrue(0.91, 0.52), isTrue(0.92, 0.51)],
    [isTrue(0.8, 0.7), isTrue(0.82, 0.71), isTrue(0.81, 0.7)],
  );
  expect(rows[0]).toMatchObject({ name: "agreement", difference: { mean: expect.closeTo(-10, 6) } });
  const [truth] = named(rows, ["true map score"]);
  expect(truth!.difference.mean).toBeCloseTo(100 * (2.11 / 3 - 0.51), 6);
  const some = compareScores([score(0.8, 0.01), isTrue(0.9, 0.5)], [isTrue(0.8, 0.7), isTrue(0.8, 0.7)]);
  expect(named(some, ["true map score"])).toEqual([undefined]);
});

test("wrong usage is reported, with its exit code", async () => {
  const errors: string[] = [];
  vi.spyOn(console, "error").mockImplementation((line: string) => void errors.push(line));
  expect(await main([])).toBe(2);
  expect(await main(["none.brk"])).toBe(2);
  expect(await main(["none.brk", "-a", "map.carveEvery=1"])).toBe(3);
  expect(await main(["none.brk", "-b", "map.carveEvery=1", "-w", "two"])).toBe(2);
  expect(errors.join("\n")).toContain("give -a or -b");
  vi.restoreAllMocks();
});
