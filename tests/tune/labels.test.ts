import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, describe, expect, test } from "vitest";
import type { Head } from "../../src/head/head.ts";
import type { Brink } from "../../src/map/brink-lines.ts";
import { COLUMN } from "../../src/map/layers.ts";
import { LabelsError, labelsPath, parseLabels, readLabels, scoreLabels } from "../../tools/tune/labels.ts";

const folder = mkdtempSync(join(tmpdir(), "brinkmap-labels-"));
afterAll(() => rmSync(folder, { recursive: true }));

/** A map of 4 x 4 m in voxels of 5 cm, with these edges and these blocked columns. */
function mapOf(edges: readonly Brink["points"][], blocked: readonly (readonly [number, number])[]): Head {
  const brinks = edges.map((points): Brink => ({ points, drop: 0.2, confidence: 1, error: 0.01 }));
  const keys = new Set(blocked.map(String));
  return {
    footing: { brinks: () => brinks },
    layers: {
      bounds: () => ({ col: 0, row: 0, columns: 80, rows: 80 }),
      kindAt: (i: number, j: number) => (keys.has(`${i},${j}`) ? COLUMN.blocked : COLUMN.clear),
    },
    grid: { voxelSize: 0.05 },
  } as unknown as Head;
}

/** Points every 5 cm along y = `y`. */
const along = (y: number, from: number, to: number): [number, number][] =>
  Array.from({ length: Math.round((to - from) / 0.05) }, (_, n) => [from + 0.05 * (n + 0.5), y]);

const labels = parseLabels({
  tolerance: 0.1,
  edges: [{ name: "stair", drop: 0.2, line: [[1, 2], [3, 2]] }], // biome-ignore format: one line
  obstacles: [
    { name: "shelf", outline: [[1, 0.5], [2, 0.5], [2, 1], [1, 1]] }, // biome-ignore format: one line
    { name: "leg", outline: [[3.51, 0.51], [3.53, 0.51], [3.53, 0.53], [3.51, 0.53]] }, // biome-ignore format: one line
  ],
});

describe("labels", () => {
  /** Columns of which any part is within 5 cm of the shelf's outline (1, 0.5) to (2, 1). */
  const shelf = Array.from({ length: 22 * 12 }, (_, n) => [19 + (n % 22), 9 + Math.floor(n / 22)] as const);

  test("an edge found all along, and obstacles that block all round, are found", () => {
    const map = mapOf([along(2.05, 1, 3)], [...shelf, [70, 10]]);
    expect(scoreLabels(labels, map)).toEqual({ edgesFound: 1, falseEdges: 0, obstaclesFound: 1, missed: [] });
  });

  test("half an edge is half found; what is farther off than the tolerance is false", () => {
    const { edgesFound, falseEdges } = scoreLabels(labels, mapOf([along(2.05, 1, 2), along(2.5, 1, 2)], []));
    // 40 places, of which those up to x = 2 and sqrt(0.1^2 - 0.05^2) = 0.087 m past the last point at 1.975 are near.
    expect(edgesFound).toBeCloseTo(21 / 40, 6);
    expect(falseEdges).toBeCloseTo(1, 6);
  });

  test("an obstacle of which one side was seen is found by that side's share, a leg beside it not at all", () => {
    // South of y = 0.51: 1 m of 3 m, and of each end the one place of ten (every 5 cm) that is within 5 cm of y = 0.5.
    const { obstaclesFound } = scoreLabels(
      labels,
      mapOf(
        [],
        shelf.filter(([, row]) => row < 10),
      ),
    );
    expect(obstaclesFound).toBeCloseTo(22 / 60 / 2, 6);
  });

  test("a thin leg counts as much as a shelf, and what blocks 10 cm away is not it", () => {
    expect(scoreLabels(labels, mapOf([], [[70, 10]])).obstaclesFound).toBe(0.5); // biome-ignore format: one line
    expect(scoreLabels(labels, mapOf([], [[73, 10]])).obstaclesFound).toBe(0); // biome-ignore format: one line
  });

  test("what is missed is named", () => {
    const { missed, obstaclesFound, edgesFound } = scoreLabels(labels, mapOf([along(2, 1, 1.5)], shelf));
    expect(missed).toEqual(["stair", "leg"]);
    expect(obstaclesFound).toBe(0.5);
    expect(edgesFound).toBeLessThan(0.5);
  });

  test("without obstacles there is no score for them", () => {
    const only = parseLabels({ edges: [{ name: "a", drop: 0.1, line: [[0, 0], [1, 0]] }] }); // biome-ignore format: one line
    expect(scoreLabels(only, mapOf([], [])).obstaclesFound).toBeNull();
  });

  test.each([
    [[], "it must be"],
    [{}, "label an edge or an obstacle at least"],
    [{ edges: [{ name: "a", drop: 0, line: [[0, 0], [1, 0]] }] }, "edges.0.drop must be a finite number from 0.005 up to 100, got 0"], // biome-ignore format: one line
    [{ edges: [{ name: "a", drop: 1, line: [[0, 0]] }] }, "edges.0.line must be a list of length from 2"],
    [{ edges: [{ name: "a", drop: 1, line: [[0, 0], [1, "x"]] }] }, 'edges.0.line.1.1 must be a finite number from -100000 up to 100000, got "x"'], // biome-ignore format: one line
    [{ obstacles: [{ name: "a", outlines: [] }] }, "obstacles.0.outline is missing"],
    [{ edges: [], obstacle: [] }, "obstacle is not a known field"],
  ])("a file that is wrong names the field: %j", (value, message) => {
    const recording = join(folder, "one.brk");
    writeFileSync(labelsPath(recording), JSON.stringify(value));
    expect(() => readLabels(recording)).toThrow(LabelsError);
    expect(() => readLabels(recording)).toThrow(message);
    expect(() => readLabels(recording)).toThrow(labelsPath(recording));
  });

  test("a file that is no JSON names itself; none is no labels", () => {
    const recording = join(folder, "two.brk");
    expect(readLabels(recording)).toBeNull();
    writeFileSync(labelsPath(recording), "{");
    expect(() => readLabels(recording)).toThrow(LabelsError);
  });
});
