import { expect, test } from "vitest";
import { Random } from "../../tools/simulate/random.ts";
import { corrected, pairedDifference, spearman } from "../../tools/tune/statistics.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

testWith("python", "paired differences and rank correlation are SciPy's, ties included", () => {
  const random = new Random(7);
  const cases = [2, 3, 4, 5, 8, 21, 40].map((n) => {
    const first = Array.from({ length: n }, () => Math.round(4 * random.gauss()) + 0.5 * (n % 2));
    return { first, second: first.map((x, i) => x / 2 + (i % 3) + random.gauss()) };
  });
  const script = `
import json, sys
from scipy import stats
from scipy.optimize import brentq
out = []
for c in json.load(sys.stdin):
    a, b = c["first"], c["second"]
    d = [y - x for x, y in zip(a, b)]; nu = len(d) - 1
    # SciPy 1.10 finds t.ppf to about 1e-8 only; its t.cdf is exact, so that is what is inverted.
    q = brentq(lambda t: stats.t.cdf(t, nu) - 0.975, 1, 20, xtol=1e-15, rtol=1e-14)
    mean = sum(d) / len(d); half = q * stats.sem(d)
    out.append([stats.ttest_rel(b, a).pvalue, mean - half, mean + half, stats.spearmanr(a, b)[0]])
print(json.dumps(out))`;
  const expected: number[][] = JSON.parse(runPython(script, [], JSON.stringify(cases)));
  cases.forEach(({ first, second }, i) => {
    const { p, low, high } = pairedDifference(first, second);
    [p, low, high, spearman(first, second)].forEach((value, k) => {
      expect(value).toBeCloseTo(expected[i]![k]!, 9);
    });
  });
});

test("of 40 settings that differ by chance alone, one is called better in at most 5 % of experiments", () => {
  const random = new Random(11);
  const experiments = 600;
  let wrong = 0;
  let uncorrected = 0;
  for (let n = 0; n < experiments; n++) {
    const scores = (): number[] => Array.from({ length: 8 }, () => random.gauss());
    const standard = scores();
    const pValues = Array.from({ length: 40 }, () => pairedDifference(standard, scores()).p);
    if (Math.min(...corrected(pValues)) < 0.05) wrong++;
    if (Math.min(...pValues) < 0.05) uncorrected++;
  }
  expect(wrong / experiments).toBeLessThanOrEqual(0.05);
  expect(uncorrected / experiments).toBeGreaterThan(0.5); // or the experiment would prove nothing
});

test("Holm's correction, by hand", () => {
  // 4 * 0.005, 3 * 0.01, 2 * 0.03, then 0.04 may not fall below the one before it.
  const expected = [0.03, 0.06, 0.06, 0.02];
  corrected([0.01, 0.04, 0.03, 0.005]).forEach((p, i) => {
    expect(p).toBeCloseTo(expected[i]!, 12);
  });
});

test("one recording, unequal counts and a failed score are refused", () => {
  expect(() => pairedDifference([1], [2])).toThrow("two pairs");
  expect(() => pairedDifference([1, 2], [2])).toThrow("two pairs");
  expect(() => pairedDifference([1, Number.NaN], [2, 3])).toThrow("finite");
});
