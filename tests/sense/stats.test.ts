import { describe, expect, test } from "vitest";
import { StampUnwrapper } from "../../src/sense/clock.ts";
import { binomialInterval, RunningStats } from "../../src/sense/stats.ts";
import { allanDeviation } from "../helpers/allan.ts";
import { expectClose } from "../helpers/compare.ts";

describe("running statistics", () => {
  test("a small spread on a large number is not lost", () => {
    // Welford 1962's point: exact variance 30.
    const stats = new RunningStats();
    expect([stats.mean, stats.variance]).toEqual([Number.NaN, Number.NaN]);
    for (const value of [4, 7, 13, 16]) stats.push(1e9 + value);
    expect([stats.count, stats.mean, stats.variance]).toEqual([4, 1e9 + 10, 30]);
  });
});

describe("rates", () => {
  test("an observed rate gets its exact interval", () => {
    // Clopper & Pearson 1934; the numbers from scipy.stats.beta.
    expectClose(binomialInterval(97, 100), [0.914824, 0.99377], 1e-6);
    // No miss in 299 approaches bounds the miss rate by 1 % (one-sided 95 %): 1 - 0.05^(1/299).
    expectClose(binomialInterval(0, 299, 0.9), [0, 0.009969], 1e-6);
    expect(binomialInterval(5, 5)[1]).toBe(1);
  });

  test("what is no count of events is refused", () => {
    expect(() => binomialInterval(3, 2)).toThrow(RangeError);
    expect(() => binomialInterval(0, 0)).toThrow(RangeError);
    expect(() => binomialInterval(1, 2, 1)).toThrow(/confidence/);
  });
});

describe("32-bit stamps", () => {
  test("the counter starting over is a step of 11 microseconds, not back by 71 minutes", () => {
    const clock = new StampUnwrapper();
    const first = clock.unwrap(4294967290);
    expect(clock.unwrap(5) - first).toBe(11);
    expect(clock.unwrap(4294967295) - first).toBe(5); // one that came out of order
    expect(clock.unwrap(2000) - first).toBe(2006);
  });

  test("it keeps counting over many turns", () => {
    const clock = new StampUnwrapper();
    let time = 7;
    clock.unwrap(time);
    for (let k = 0; k < 100; k++) {
      time += 2e9;
      expect(clock.unwrap(time % 2 ** 32)).toBe(time);
    }
  });

  test("what is no 32-bit count is refused", () => {
    for (const stamp of [-1, 2 ** 32, 0.5, Number.NaN]) {
      expect(() => new StampUnwrapper().unwrap(stamp)).toThrow(RangeError);
    }
  });
});

test("the Allan deviation of the handbook's 1000 points", () => {
  // Riley, NIST SP 1065 (values from memory; they come out digit for digit).
  const points: number[] = [];
  for (let n = 1234567890; points.length < 1000; n = (16807 * n) % 2147483647) points.push(n / 2147483647);
  const at = (overlapping: boolean) => [1, 10, 100].map((tau) => allanDeviation(points, tau, overlapping));
  expectClose(at(false), [0.2922319, 0.09965736, 0.03897804], 1e-7);
  expectClose(at(true), [0.2922319, 0.09159953, 0.03241343], 1e-7);
});
