import { expect, test } from "vitest";
import { traverse } from "../../src/map/ray.ts";
import { seeded } from "../helpers/compare.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

/** [ax, ay, az, bx, by, bz] in voxels. */
type Segment = [number, number, number, number, number, number];

const passed = (segment: Segment): number[][] => {
  const out = new Int32Array(3 * 400);
  const count = traverse(out, ...segment);
  return Array.from({ length: count }, (_, n) => [...out.subarray(3 * n, 3 * n + 3)]);
};
const digits = (list: string) => list.split(" ").map((word) => [...word].map(Number));

// Expected lists of the first three tests: computed in rational arithmetic by the script `EXACT` below.
test("a ray in 5 cm voxels passes the fourteen that exact arithmetic lists", () => {
  const segment = [0.01, 0.02, 0.03, 0.43, 0.17, 0.11].map((metres) => metres / 0.05) as Segment;
  expect(passed(segment)).toEqual(digits("000 100 110 210 211 311 411 421 521 621 721 731 732 832"));
});

test("a slanted ray passes the eight voxels that exact arithmetic lists", () => {
  expect(passed([0.5, 0.5, 0.5, 4.25, 2.5, 1.5])).toEqual(digits("000 100 110 210 211 311 321 421"));
});

test("a ray back through zero passes the negative voxels that exact arithmetic lists", () => {
  expect(passed([3.5, 1.5, 0.5, -1.5, -0.75, 0.5])).toEqual([
    [3, 1, 0],
    [2, 1, 0],
    [2, 0, 0],
    [1, 0, 0],
    [0, 0, 0],
    [0, -1, 0],
    [-1, -1, 0],
    [-2, -1, 0],
  ]);
});

/** Voxels whose inside each segment crosses, with the share of its length, in rational arithmetic. */
const EXACT = `
import json, math, sys
from fractions import Fraction as F
def crossed(a, b):
    d = [y - x for x, y in zip(a, b)]
    ts = {F(0), F(1)}
    for x, y, s in zip(a, b, d):
        if s:
            for k in range(math.ceil(min(x, y)), math.floor(max(x, y)) + 1):
                t = (k - x) / s
                if 0 < t < 1: ts.add(t)
    ts = sorted(ts)
    return [([math.floor(x + (t0 + t1) / 2 * s) for x, s in zip(a, d)], t1 - t0) for t0, t1 in zip(ts, ts[1:])]
out = []
for s in json.load(sys.stdin):
    c = [F(x) for x in s]          # a double is a fraction: nothing is rounded
    got = crossed(c[:3], c[3:])
    assert sum(f for _, f in got) == 1
    out.append([v for v, _ in got])
print(json.dumps(out))`;

const exact = (segments: Segment[]): number[][][] =>
  JSON.parse(runPython(EXACT, [], JSON.stringify(segments)));

testWith("python", "600 random rays pass exactly the voxels that rational arithmetic lists", () => {
  const random = seeded(31);
  const segments = Array.from(
    { length: 600 },
    () => Array.from({ length: 6 }, () => 60 * random() - 30) as Segment,
  );
  const answer = exact(segments);
  segments.forEach((segment, n) => {
    expect(passed(segment)).toEqual(answer[n]);
  });
});

testWith(
  "python",
  "rays with many ties pass every voxel whose inside they cross, in order; the others they only touch",
  () => {
    const random = seeded(37);
    // Quarters of a voxel: many rays meet edges and corners exactly.
    const quarter = () => Math.floor(81 * random() - 40) / 4;
    const segments = Array.from({ length: 600 }, () => Array.from({ length: 6 }, quarter) as Segment);
    const answer = exact(segments);
    let touched = 0;
    segments.forEach((segment, n) => {
      const still = segment.slice(0, 3).every((c, axis) => c === segment[axis + 3]);
      if (still) return;
      const list = passed(segment).map(String);
      let at = -1;
      for (const voxel of answer[n]!.map(String)) {
        const next = list.indexOf(voxel, at + 1);
        expect(next, `${segment}: ${voxel} is missing or out of order`).toBeGreaterThan(at);
        touched += next - at - 1;
        at = next;
      }
    });
    expect(touched).toBeGreaterThan(100);
  },
);
