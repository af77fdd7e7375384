import { describe, expect, test } from "vitest";
import {
  holm,
  judge,
  leaveOneOut,
  pairedDifference,
  signFlip,
  spearman,
} from "../../tools/tune/statistics.ts";
import { expectClose, seededNormal } from "../helpers/compare.ts";
import { slowTest } from "../helpers/slow.ts";

describe("adjusting for many candidates", () => {
  test("gives what is worked out by hand", () => {
    // 4 x 0.005, 3 x 0.01, 2 x 0.03, and never less than the one before.
    expectClose(holm([0.01, 0.04, 0.03, 0.005]), [0.03, 0.06, 0.06, 0.02], 1e-12);
  });

  test("equals closed testing with Bonferroni's bound over all sets (Marcus, Peritz & Gabriel 1976)", () => {
    const values = [0.2, 0.004, 0.011, 0.9, 0.011, 0.03];
    const closed = values.map((_, i) => {
      let worst = 0;
      for (let set = 1; set < 2 ** values.length; set++) {
        if ((set & (1 << i)) === 0) continue;
        const members = values.filter((_, k) => (set & (1 << k)) !== 0);
        worst = Math.max(worst, Math.min(1, members.length * Math.min(...members)));
      }
      return worst;
    });
    expectClose(holm(values), closed, 1e-12);
  });
});

describe("of settings that differ by chance alone", () => {
  // One baseline, shared by all candidates as in a real run, and recordings that differ more than settings do.
  for (const [recordings, candidates] of [
    [3, 10],
    [5, 40],
    [8, 5],
    [12, 40],
  ] as const) {
    slowTest(
      `at most 5 % of runs call one better: ${recordings} recordings, ${candidates} candidates`,
      () => {
        const normal = seededNormal(100 * recordings + candidates);
        const runs = 600;
        let called = 0;
        for (let run = 0; run < runs; run++) {
          const baseline = Array.from({ length: recordings }, normal);
          const gains = Array.from({ length: candidates }, () => baseline.map((value) => normal() - value));
          if (judge(gains).some(({ verdict }) => verdict === "better")) called++;
        }
        console.log(`${called} of ${runs} runs call a setting better`);
        expect(called / runs).toBeLessThanOrEqual(0.05);
      },
    );
  }

  test("the best of them is seen to be over-fitted", () => {
    const normal = seededNormal(5);
    let [chosenOn, leftOut] = [0, 0];
    for (let run = 0; run < 200; run++) {
      const fit = leaveOneOut(Array.from({ length: 20 }, () => Array.from({ length: 6 }, normal)))!;
      chosenOn += fit.chosenOn / 200;
      leftOut += fit.leftOut / 200;
    }
    expect(chosenOn).toBeGreaterThan(0.5);
    expect(Math.abs(leftOut)).toBeLessThan(0.1);
  });
});

describe("of settings that do differ", () => {
  test("they are called better and worse, the rest not", () => {
    const normal = seededNormal(9);
    const gains = [2, 0, -2].map((shift) => Array.from({ length: 12 }, () => shift + 0.3 * normal()));
    expect(judge(gains).map(({ verdict }) => verdict)).toEqual(["better", "not significant", "worse"]);
  });

  test("with fewer than three recordings nothing is significant, however equal the differences are", () => {
    expect(judge([[1, 1]])[0]).toMatchObject({ verdict: "not significant", mean: 1 });
    expect(judge([[1]])[0]!.low).toBeNaN();
  });

  test("what holds on one recording only is found out by leaving it out", () => {
    expect(leaveOneOut([[9, 0, 0, -1]])).toEqual({ chosenOn: (0 + 8 / 3 + 8 / 3 + 3) / 4, leftOut: -0.25 });
    expect(leaveOneOut([[1]])).toBeNull();
  });
});

test("ties, constants and lengths that differ", () => {
  expect(spearman([1, 2, 3], [5, 7, 9])).toBe(1);
  expect(spearman([1, 2, 3], [4, 4, 4])).toBeNaN();
  expect(() => spearman([1], [1, 2])).toThrow("1 and 2 values");
  // All of one sign: 2 of 2^4 choices of signs are as far out.
  expect(signFlip([1, 1, 1, 1])).toBe(2 / 16);
  expect(() => signFlip(new Array(21).fill(1))).toThrow(RangeError);
  expect(pairedDifference([0, 0, 0]).student).toBe(1);
});
