import { expect, test } from "vitest";
import { ClearanceField } from "../../src/map/clearance.ts";
import { seeded } from "../helpers/compare.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

test("squared distances around three blocked cells are those worked by hand", () => {
  const field = new ClearanceField(1, 100);
  // (row, column) of a 7 x 9 grid.
  for (const [row, col] of [
    [3, 2],
    [1, 7],
    [6, 6],
  ] as const) {
    field.set(col, row, true);
  }
  field.update();
  const squared = (row: number) => Array.from({ length: 9 }, (_, col) => Math.round(field.at(col, row) ** 2));
  // By hand, and as scipy.ndimage.distance_transform_edt gives them.
  expect(squared(0)).toEqual([13, 10, 9, 10, 10, 5, 2, 1, 2]);
  expect(squared(6)).toEqual([13, 10, 9, 9, 4, 1, 0, 1, 4]);
});

testWith("python", "clearance of random worlds equals scipy's exact distance transform", () => {
  const random = seeded(41);
  const worlds = [
    { rows: 90, cols: 130, share: 0.002, limit: 200 },
    { rows: 130, cols: 90, share: 0.05, limit: 200 },
    { rows: 64, cols: 64, share: 0.0005, limit: 20 },
    { rows: 33, cols: 200, share: 0.5, limit: 40 },
    { rows: 40, cols: 40, share: 0, limit: 40 },
  ].map((world) => ({
    ...world,
    blocked: Array.from({ length: world.rows * world.cols }, () => (random() < world.share ? 1 : 0)),
  }));
  // scipy answers a grid without obstacles with a field that looks right and means nothing.
  const answer = JSON.parse(
    runPython(
      `
import json, sys
import numpy as np
from scipy import ndimage
out = []
for w in json.load(sys.stdin):
    b = np.array(w["blocked"]).reshape(w["rows"], w["cols"])
    d = ndimage.distance_transform_edt(b == 0, sampling=0.05) if b.any() else np.full(b.shape, np.inf)
    d[d > w["limit"] * 0.05 + 1e-9] = np.inf
    out.append([x if np.isfinite(x) else None for x in d.ravel().tolist()])
print(json.dumps(out))`,
      [],
      JSON.stringify(worlds),
    ),
  ) as (number | null)[][];
  worlds.forEach(({ rows, cols, limit, blocked }, n) => {
    const field = new ClearanceField(0.05, limit * 0.05);
    const [left, top] = [-47, -21];
    blocked.forEach((b, i) => {
      field.set(left + (i % cols), top + Math.floor(i / cols), b === 1);
    });
    field.update();
    let wrong = 0;
    for (let i = 0; i < rows * cols; i++) {
      const ours = field.at(left + (i % cols), top + Math.floor(i / cols));
      const theirs = answer[n]![i] ?? Number.POSITIVE_INFINITY;
      if (ours !== theirs && !(Math.abs(ours - theirs) < 1e-12)) wrong++;
    }
    expect(wrong).toBe(0);
  });
});
