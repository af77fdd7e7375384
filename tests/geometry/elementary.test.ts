import { readFileSync } from "node:fs";
import { describe, expect, test } from "vitest";
import { portSource } from "../../build/elementary.mjs";
import * as elementary from "../../src/geometry/elementary.ts";
import { Random } from "../../src/simulate/random.ts";
import { slowTest } from "../helpers/slow.ts";

const { sinOf, cosOf, tanOf, asinOf, acosOf, atanOf, atan2Of, expOf, logOf, log1pOf, log2Of, powOf, cbrtOf } =
  elementary;

/** Units in the last place between two numbers of the same sign. */
function ulps(a: number, b: number): number {
  if (Object.is(a, b) || a === b) return 0;
  const bits = new BigInt64Array(Float64Array.of(a, b).buffer);
  return Number(bits[0]! > bits[1]! ? bits[0]! - bits[1]! : bits[1]! - bits[0]!);
}

describe("each elementary function", () => {
  // Both are below one unit in the last place of the true value, so they differ by one at most; tan's kernel reaches two.
  const between = (low: number, high: number) => (random: Random) => low + (high - low) * random.uniform();
  test.each([
    ["sin", sinOf, Math.sin, between(-50, 50), 1],
    ["cos", cosOf, Math.cos, between(-50, 50), 1],
    ["tan", tanOf, Math.tan, between(-1.5, 1.5), 2],
    ["asin", asinOf, Math.asin, between(-1, 1), 1],
    ["acos", acosOf, Math.acos, between(-1, 1), 1],
    ["atan", atanOf, Math.atan, between(-20, 20), 1],
    ["exp", expOf, Math.exp, between(-30, 30), 1],
    ["log", logOf, Math.log, between(1e-6, 1e6), 1],
    ["log1p", log1pOf, Math.log1p, between(-0.9, 10), 1],
    ["log2", log2Of, Math.log2, between(1e-6, 1e6), 2],
    ["cbrt", cbrtOf, Math.cbrt, between(-1e3, 1e3), 1],
  ] as const)("%s agrees with the runtime's within the last bits", (_, ours, theirs, draw, most) => {
    const random = new Random(7);
    let worst = 0;
    for (let n = 0; n < 20_000; n++) {
      const x = draw(random);
      worst = Math.max(worst, ulps(ours(x), theirs(x)));
    }
    expect(worst).toBeLessThanOrEqual(most);
  });

  slowTest("of two numbers agrees with the runtime's within the last bits", () => {
    const random = new Random(9);
    for (let n = 0; n < 20_000; n++) {
      const [y, x, p] = [random.gauss(), random.gauss(), 3 * random.gauss()];
      expect(ulps(atan2Of(y, x), Math.atan2(y, x))).toBeLessThanOrEqual(2);
      expect(ulps(powOf(Math.abs(x), p), Math.abs(x) ** p)).toBeLessThanOrEqual(1);
    }
  });

  test("has the values that are exact", () => {
    expect([sinOf(0), cosOf(0), tanOf(0), expOf(0), logOf(1), log1pOf(0), cbrtOf(27)]).toEqual([
      0, 1, 0, 1, 0, 0, 3,
    ]);
    expect([atan2Of(0, -1), atan2Of(1, 0), atan2Of(-0, 1)]).toEqual([Math.PI, Math.PI / 2, -0]);
    for (let n = -40; n <= 40; n++) {
      expect(log2Of(2 ** n)).toBe(n);
      expect(powOf(2, n)).toBe(2 ** n);
    }
    expect([logOf(0), expOf(-1000), asinOf(1.1), logOf(-1), powOf(2, 0.5)]).toEqual([
      Number.NEGATIVE_INFINITY,
      0,
      Number.NaN,
      Number.NaN,
      Math.SQRT2,
    ]);
  });

  // Values with 21 digits. Source: Abramowitz & Stegun 1964, tables 1.1, 4.6 and 4.7.
  test.each([
    [expOf(1), "2.71828182845904523536"],
    [logOf(10), "2.30258509299404568402"],
    [logOf(2), "0.69314718055994530942"],
    [atanOf(1), "0.78539816339744830962"],
    [sinOf(1), "0.84147098480789650665"],
    [cosOf(1), "0.54030230586813971740"],
  ])("%s is the published value %s within the last bit", (ours, published) => {
    expect(ulps(ours, Number(published))).toBeLessThanOrEqual(1);
  });
});

test("lengths are square roots of sums, which are exact by the language's standard", () => {
  expect(elementary.hypot2(3, -4)).toBe(5);
  expect(elementary.hypot3(2, -3, 6)).toBe(7);
  expect(elementary.lengthOf([1, 1, 1, -1])).toBe(2);
  expect([elementary.square(-3), elementary.cube(-3)]).toEqual([9, -27]);
});

test("the module in the repository is the one that the packages make", async () => {
  const committed = readFileSync(new URL("../../src/geometry/elementary-port.ts", import.meta.url), "utf8");
  expect(await portSource()).toBe(committed);
});
