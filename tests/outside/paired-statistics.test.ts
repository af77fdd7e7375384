import { expect } from "vitest";
import { pairedDifference, signFlip, spearman, studentQuantile } from "../../tools/tune/statistics.ts";
import { expectClose, seededNormal } from "../helpers/compare.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

interface Answer {
  readonly p: number;
  readonly low: number;
  readonly high: number;
  readonly flips: number;
  readonly rho: number;
}

testWith("python", "paired tests, intervals and rank correlation agree with scipy.stats", () => {
  const normal = seededNormal(11);
  const samples = [3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 12, 12].map((count, n) => {
    const shift = (n % 4) / 2;
    // Every third sample is rounded to a coarse step, so that ranks and sums have ties.
    const step = n % 3 === 0 ? 0.5 : 1e-9;
    const value = (by: number) => step * Math.round((normal() + by) / step);
    return {
      a: Array.from({ length: count }, () => value(0)),
      b: Array.from({ length: count }, () => value(shift)),
    };
  });
  const answers = JSON.parse(
    runPython(
      `
import json, sys
import numpy as np
from scipy import stats
out = []
for s in json.load(sys.stdin):
    a, b = np.array(s["a"]), np.array(s["b"])
    d = b - a
    low, high = stats.t.interval(0.95, len(d) - 1, loc=d.mean(), scale=stats.sem(d))
    flips = stats.permutation_test((d,), np.mean, permutation_type="samples", n_resamples=np.inf).pvalue
    out.append(dict(p=stats.ttest_rel(b, a).pvalue, low=low, high=high, flips=flips, rho=stats.spearmanr(a, b).statistic))
print(json.dumps(out))`,
      [],
      JSON.stringify(samples),
    ),
  ) as Answer[];
  samples.forEach(({ a, b }, n) => {
    const d = b.map((value, i) => value - a[i]!);
    const { student, low, high } = pairedDifference(d);
    const { p, flips, rho, ...interval } = answers[n]!;
    expectClose([student, signFlip(d), spearman(a, b)], [p, flips, rho], 1e-9);
    // scipy 1.10's quantile is off by 4e-11 itself, so intervals agree to 4e-10. The next test has 30 digits.
    expectClose([low, high], [interval.low, interval.high], 1e-8);
  });
  expect(answers.some(({ flips }) => flips < 0.05)).toBe(true);
  expect(answers.some(({ flips }) => flips > 0.05)).toBe(true);
});

testWith("python", "quantiles of Student's t agree with the incomplete beta function of mpmath", () => {
  const cases = [0.5, 0.9, 0.95, 0.999].flatMap((confidence) =>
    [1, 2, 3, 4, 5, 10, 31, 200].map((freedom) => [confidence, freedom] as const),
  );
  const quantiles = cases.map(([confidence, freedom]) => studentQuantile(confidence, freedom));
  const within = JSON.parse(
    runPython(
      `
import json, sys
from mpmath import mp, mpf, betainc
mp.dps = 30
def within(t, f):
    return 1 - betainc(mpf(f) / 2, mpf(1) / 2, 0, f / (f + mpf(t) ** 2), regularized=True)
print(json.dumps([float(within(t, f)) for t, f in json.load(sys.stdin)]))`,
      [],
      JSON.stringify(cases.map(([, freedom], n) => [quantiles[n], freedom])),
    ),
  ) as number[];
  expectClose(
    within,
    cases.map(([confidence]) => confidence),
    1e-13,
  );
});
