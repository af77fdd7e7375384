import { describe, expect, test } from "vitest";
import {
  floorBrightness,
  missByRatio,
  missChance,
  missEvidence,
  sequentialBounds,
  sequentialSteps,
} from "../../src/guard/budget.ts";
import { floorAmplitude, floorHorizon } from "../../src/sense/noise.ts";

// A sensor that just sees reflectance 0.8, met squarely, at 4 m; amplitude 1 for a white wall at 1 m.
const GATE = 0.8 / 16;
const HEIGHT = 0.3;

describe("the signal of a floor", () => {
  // Source: Lambert's cosine law and the inverse square, S = rho h / r^3, against a 0.8 wall at 1 m.
  test.each([
    [0.3, 0.24552],
    [0.5, 0.09458],
    [1, 0.01648],
    [1.5, 0.00524],
    [2, 0.00227],
  ])("a 5 %% floor %d m ahead returns %d of what a wall returns at 1 m", (x, expected) => {
    const signal = floorAmplitude(0.05, HEIGHT, Math.hypot(HEIGHT, x)) / 0.8;
    expect(Math.abs(signal - expected)).toBeLessThan(6e-6); // five digits are printed
  });

  // Source: x = sqrt((rho h R^2 / 0.8)^(2/3) - h^2).
  test.each([
    [0.02, 0.3915],
    [0.05, 0.5984],
    [0.1, 0.7883],
    [0.2, 1.0194],
    [0.4, 1.3048],
    [0.8, 1.66],
  ])("a floor of reflectance %d gives its last return %d m ahead", (rho, expected) => {
    expect(Math.abs(floorHorizon(rho, HEIGHT, GATE) - expected)).toBeLessThan(5e-5);
  });

  test("the last return of a dark floor moves with the lens, an edge stays; a circle against a line", () => {
    // Source: geometry; lens at 0, 0.1, 0.2 m and bearings of 0, 20, 40 degrees.
    const horizon = floorHorizon(0.05, HEIGHT, GATE);
    const expected = [0.598, 0.698, 0.798];
    [0, 0.1, 0.2].forEach((lens, n) => {
      expect(lens + horizon).toBeCloseTo(expected[n]!, 3);
    });
    [0.5984, 0.5624, 0.4584].forEach((forward, n) => {
      expect(horizon * Math.cos((20 * n * Math.PI) / 180)).toBeCloseTo(forward, 3);
    });
    // An edge 0.65 m away on a 0.4 floor has 6.54 times the gate to spare.
    expect(floorAmplitude(0.4, HEIGHT, Math.hypot(HEIGHT, 0.65)) / GATE).toBeCloseTo(6.54, 2);
  });

  test("brightness from one return predicts the amplitude of another place", () => {
    const near = floorAmplitude(0.4, HEIGHT, 0.5);
    expect(floorAmplitude(floorBrightness(near, HEIGHT, 0.5), HEIGHT, 1.1)).toBeCloseTo(
      floorAmplitude(0.4, HEIGHT, 1.1),
      12,
    );
  });
});

describe("what a missing return says", () => {
  test("with signal to spare it says nearly as much as it can; at the gate little, below it nothing", () => {
    expect(missEvidence(6.54 * GATE, GATE)).toBeGreaterThan(2.5);
    expect(missEvidence(GATE, GATE)).toBeLessThan(Math.log(2));
    expect(missEvidence(0.4 * GATE, GATE)).toBeLessThan(0.1);
    expect(missEvidence(0, GATE)).toBe(0);
    for (let due = 0.1; due < 8; due += 0.1) {
      expect(missEvidence(due + 0.1, 1)).toBeGreaterThanOrEqual(missEvidence(due, 1));
    }
  });

  test("scaling amplitude and gate together changes nothing", () => {
    for (const due of [0.3, 1, 2.5]) expect(missChance(7 * due, 7)).toBeCloseTo(missChance(due, 1), 12);
  });

  test("the table says the same as the formula", () => {
    for (const ratio of [0, 0.4, 1, 1.7, 5]) {
      expect(Math.abs(missByRatio(ratio) - missEvidence(ratio, 1))).toBeLessThan(0.05);
    }
    expect(missByRatio(1000)).toBeCloseTo(missEvidence(8, 1), 2);
  });
});

describe("deciding in sequence", () => {
  // Source: Wald 1947.
  test("bounds for one false alarm in a thousand and one miss in a hundred", () => {
    const { yes, no } = sequentialBounds(0.001, 0.01);
    expect(yes).toBeCloseTo(6.897705, 6);
    expect(no).toBeCloseTo(-4.60417, 5);
  });
  test("with chances 0.1 and 0.8 four events in a row decide, and so do four without", () => {
    const { yes, no } = sequentialBounds(0.001, 0.01);
    const { event, none } = sequentialSteps(0.1, 0.8);
    expect([3 * event < yes, 4 * event >= yes]).toEqual([true, true]);
    expect([3 * none > no, 4 * none <= no]).toEqual([true, true]);
  });
});
