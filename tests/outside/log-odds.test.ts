import { describe, expect, test } from "vitest";
import { type EvidenceModel, erf, evidenceTable, insideProbability } from "../../src/map/evidence.ts";
import { BlockGrid, FREE_BELOW, NATS_PER_STEP, natsOf, TOP, UNKNOWN } from "../../src/map/grid.ts";
import { traverse } from "../../src/map/ray.ts";
import { seeded } from "../helpers/compare.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

const ask = (script: string, input: unknown) => JSON.parse(runPython(script, [], JSON.stringify(input)));
const steps = (nats: number) => Math.round(nats / NATS_PER_STEP);

describe("evidence adds up by Bayes' rule", () => {
  /** A prior and the readings that follow it, as probabilities of "occupied". */
  const cases: { prior: number; readings: number[] }[] = [
    // Bayes' rule in odds: Thrun, Burgard & Fox 2005, ch. 4 and 9; Elfes 1989.
    { prior: 0.5, readings: [0.75, 0.75, 0.45, 0.45, 0.45] },
    { prior: 0.5, readings: [0.8, 0.6] },
    { prior: 0.2, readings: [0.75, 0.75] },
  ];
  const random = seeded(61);
  for (let n = 0; n < 200; n++) {
    // Few and weak, so that no sum reaches a clamp.
    const readings = Array.from({ length: 1 + Math.floor(3 * random()) }, () => 0.4 + 0.3 * random());
    cases.push({ prior: 0.4 + 0.2 * random(), readings });
  }

  testWith("python", "to within half a step a reading, whatever the prior", () => {
    // The reference multiplies odds in 50 digits and takes the logarithm last, so it shares nothing with adding log-odds.
    const answer = ask(
      `
import json, sys
from mpmath import mp, mpf, log
mp.dps = 50
out = []
for c in json.load(sys.stdin):
    prior = mpf(c["prior"]) / (1 - mpf(c["prior"]))
    odds = prior
    for p in c["readings"]: odds *= mpf(p) / (1 - mpf(p)) / prior
    logits = [float(log(mpf(p) / (1 - mpf(p)))) for p in [c["prior"]] + c["readings"]]
    out.append({"nats": float(log(odds)), "p": float(odds / (1 + odds)), "logits": logits})
print(json.dumps(out))`,
      cases,
    ) as { nats: number; p: number; logits: number[] }[];
    // The reference against values worked by hand: odds of 9 (9/11)^3 : 1, of 6 : 1, and of 36 : 1.
    expect(answer[0]!.p).toBeCloseTo(0.83134820071, 11);
    expect(answer[1]!.p).toBeCloseTo(6 / 7, 12);
    expect(answer[2]!.p).toBeCloseTo(36 / 37, 12);
    answer.forEach(({ nats, logits }, n) => {
      const [prior, ...readings] = logits as [number, ...number[]];
      const grid = new BlockGrid(0.05);
      grid.setValue(-1, 2, -3, UNKNOWN + steps(prior));
      for (const logit of readings) grid.add(-1, 2, -3, steps(logit - prior));
      const error = Math.abs(natsOf(grid.valueAt(-1, 2, -3)) - nats);
      expect(error, JSON.stringify(cases[n])).toBeLessThanOrEqual(
        ((1 + readings.length) / 2) * NATS_PER_STEP,
      );
    });
  });

  test("along a ray: three passes through and three hits at the end", () => {
    const grid = new BlockGrid(0.05);
    const voxels = new Int32Array(60);
    const [hit, miss] = [steps(Math.log(0.75 / 0.25)), steps(Math.log(0.45 / 0.55))];
    const segment = [0.01, 0.02, 0.03, 0.43, 0.17, 0.11].map((c) => c / 0.05);
    const count = traverse(voxels, ...(segment as [number, number, number, number, number, number]));
    for (let frame = 0; frame < 3; frame++) {
      for (let n = 0; n < count; n++) {
        const [i, j, k] = [voxels[3 * n]!, voxels[3 * n + 1]!, voxels[3 * n + 2]!];
        grid.add(i, j, k, n === count - 1 ? hit : miss);
      }
    }
    // By hand: 3 logit(0.75) and 3 logit(0.45), each reading rounded by up to half a step.
    expect(Math.abs(natsOf(grid.valueAt(8, 3, 2)) - 3.295837)).toBeLessThanOrEqual(1.5 * NATS_PER_STEP);
    expect(Math.abs(natsOf(grid.valueAt(7, 3, 1)) + 0.602012)).toBeLessThanOrEqual(1.5 * NATS_PER_STEP);
    expect(grid.valueAt(8, 3, 1)).toBe(UNKNOWN);
  });
});

testWith("python", "the clamps are odds of 90:1 for occupied and 12:1 for free", () => {
  const odds = ask(
    "import json, sys\nfrom mpmath import exp\nprint(json.dumps([float(exp(x)) for x in json.load(sys.stdin)]))",
    [natsOf(TOP), -natsOf(0)],
  ) as number[];
  expect(Math.round(odds[0]!)).toBe(90);
  expect(Math.round(odds[1]!)).toBe(12);
});

test("clamping lets the map forget: a wall seen a hundred times clears as fast as one seen ten times", () => {
  const misses = (hits: number) => {
    const grid = new BlockGrid(0.05);
    for (let n = 0; n < hits; n++) grid.add(0, 0, 0, 18); // p = 0.75: 17.6 steps
    let count = 0;
    for (; grid.valueAt(0, 0, 0) >= UNKNOWN; count++) grid.add(0, 0, 0, -3); // p = 0.45: 3.2 steps
    return count;
  };
  // By hand: 112 - 3 n < 40 from n = 25 on. Unclamped, the hundred would take (100 * 18) / 3 misses and one.
  expect([misses(10), misses(100)]).toEqual([25, 25]);
});

testWith("python", "erf stays within the error bound of its source", () => {
  const x = Array.from({ length: 2001 }, (_, n) => (n - 1000) / 160);
  const answer = ask(
    "import json, sys\nfrom scipy.special import erf\nprint(json.dumps(erf(json.load(sys.stdin)).tolist()))",
    x,
  ) as number[];
  const worst = Math.max(...x.map((at, n) => Math.abs(erf(at) - answer[n]!)));
  expect(worst).toBeLessThanOrEqual(1.5e-7); // Abramowitz & Stegun 1964, 7.1.26
});

/** P(0 <= s + e <= side) averaged over s by quadrature, e Gaussian: the definition, not the closed form. */
const INSIDE = `
import json, sys, math
from scipy.integrate import quad
from scipy.stats import norm
def inside(sigma, side):
    f = lambda s: norm.cdf((side - s) / sigma) - norm.cdf(-s / sigma)
    # Near the voxel's faces the integrand bends within a few sigma.
    at = sorted({0.0, side, *[x for x in (4 * sigma, side - 4 * sigma) if 0 < x < side]})
    return sum(quad(f, a, b, epsabs=1e-12)[0] for a, b in zip(at, at[1:])) / side
`;

testWith("python", "the chance that a return stays in its voxel equals numeric integration", () => {
  const cases = [0.0005, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.4].flatMap((sigma) =>
    [0.02, 0.05, 0.1].map((side) => [sigma, side] as const),
  );
  const answer = ask(
    `${INSIDE}\nprint(json.dumps([inside(*c) for c in json.load(sys.stdin)]))`,
    cases,
  ) as number[];
  cases.forEach(([sigma, side], n) => {
    // erf is good to 1.5e-7.
    expect(Math.abs(insideProbability(sigma, side) - answer[n]!)).toBeLessThanOrEqual(2e-7);
  });
  expect(insideProbability(0, 0.05)).toBe(1);
});

describe("the evidence of a frame", () => {
  const model: EvidenceModel = {
    sigma0: 0.006,
    sigma2: 0.0022,
    outlierShare: 0.02,
    independence: 0.7,
    framesToClear: 14,
  };

  testWith("python", "is the log-odds that the noise model gives, by numeric integration", () => {
    const { bucket, hit } = evidenceTable(model, 0.05, 6, 2);
    const ranges = Array.from(hit, (_, n) => (n + 0.5) * bucket);
    const answer = ask(
      `${INSIDE}
d = json.load(sys.stdin)
out = []
for r in d["ranges"]:
    p = inside(d["sigma0"] + d["sigma2"] * r * r, 0.05)
    out.append(d["independence"] * math.log(p / (d["outlierShare"] + (1 - p) / 2)))
print(json.dumps(out))`,
      { ...model, ranges },
    ) as number[];
    expect(hit.length).toBe(24);
    answer.forEach((nats, n) => {
      const exact = Math.min(TOP / 2, Math.max(2, nats / NATS_PER_STEP));
      expect(Math.abs(hit[n]! - exact)).toBeLessThanOrEqual(0.5 + 1e-4);
    });
  });

  test("never grows with distance, noise or outliers, and is always positive for a hit", () => {
    const tables = [model, { ...model, sigma2: 0.006 }, { ...model, outlierShare: 0.2 }].map(
      (m) => evidenceTable(m, 0.05, 8, 2).hit,
    );
    for (const hit of tables) {
      for (let n = 0; n < hit.length; n++) {
        expect(hit[n]).toBeGreaterThan(0);
        expect(hit[n]).toBeLessThanOrEqual(hit[Math.max(0, n - 1)]!);
        expect(hit[n]).toBeLessThanOrEqual(tables[0]![n]!);
      }
    }
    expect(tables[0]![0]).toBeGreaterThan(tables[0]!.at(-1)!);
    expect(tables[1]![8]).toBeLessThan(tables[0]![8]!);
  });

  test("clears a saturated voxel within `framesToClear` frames at any look-at interval", () => {
    for (const framesToClear of [6, 14, 40]) {
      for (const every of [1, 2, 3]) {
        const { free } = evidenceTable({ ...model, framesToClear }, 0.05, 4, every);
        const grid = new BlockGrid(0.05);
        grid.setValue(0, 0, 0, TOP);
        for (let frame = every; frame <= framesToClear; frame += every) grid.add(0, 0, 0, -free[0]!);
        expect(grid.valueAt(0, 0, 0)).toBeLessThan(FREE_BELOW);
      }
    }
  });
});
