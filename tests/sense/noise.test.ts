import { describe, expect, test } from "vitest";
import { floorAmplitude, floorHorizon, rangeSigma, type TimeOfFlightNoise } from "../../src/sense/noise.ts";
import { expectClose } from "../helpers/compare.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

const sensor: TimeOfFlightNoise = {
  kind: "time-of-flight",
  frequency: 60e6,
  gain: 1,
  contrast: 1,
  ambient: 200,
  floor: 0,
  amplitudeAtOneMetre: 800,
};

describe("range noise", () => {
  test("four-phase shot noise at 60 MHz, amplitude 200 of a mean of 400 electrons", () => {
    // c / (4 pi f) sqrt(B / 2) / A by hand.
    expect(Math.abs(rangeSigma(sensor, 1, 200) - 0.028115)).toBeLessThan(1e-6);
  });

  testWith("python", "it is what a simulated four-phase sensor shows", () => {
    const measured = JSON.parse(
      runPython(`
import json, numpy as np
rng = np.random.default_rng(5); c = 299792458.0; out = []
for f, d, A, B in ((60e6, 1.0, 200, 400), (20e6, 1.0, 200, 400), (100e6, 0.7, 200, 1000)):
    phi = 4 * np.pi * f * d / c
    C = [rng.poisson(B + A * np.cos(phi + k * np.pi / 2), 400000) for k in range(4)]
    e = (np.arctan2(C[3] - C[1], C[0] - C[2]) - phi + np.pi) % (2 * np.pi) - np.pi
    out.append([f, A, B, e.std() * c / (4 * np.pi * f)])
print(json.dumps(out))`),
    );
    for (const [frequency, amplitude, mean, sigma] of measured) {
      const model = { ...sensor, frequency, ambient: mean - amplitude };
      expect(Math.abs(rangeSigma(model, 1, amplitude) / sigma - 1)).toBeLessThan(0.01);
    }
  });

  test("units of amplitude do not matter, and some noise is left in the brightest light", () => {
    const scaled = { ...sensor, gain: 0.1 };
    expectClose([rangeSigma(scaled, 1, 2000)], [rangeSigma(sensor, 1, 200)], 1e-15);
    expectClose([rangeSigma({ ...sensor, floor: 0.004 }, 1, 1e12)], [0.004], 1e-6);
  });

  test("without an amplitude a bright wall at that range is assumed", () => {
    expectClose([rangeSigma(sensor, 2, null)], [rangeSigma(sensor, 2, 200)], 0);
    // A quarter of the light: twice the noise where the signal's own shot noise rules, four times where ambient does.
    const ratio = (ambient: number) =>
      rangeSigma({ ...sensor, ambient }, 4, null) / rangeSigma({ ...sensor, ambient }, 2, null);
    expectClose([ratio(0), ratio(1e9)], [2, 4], 1e-5);
  });

  test("no light at all is a large number, not infinity", () => {
    expect(Number.isFinite(rangeSigma(sensor, 1, 0))).toBe(true);
  });

  test("structured light grows with the square of the distance", () => {
    // Nguyen, Izadi & Lovell 2012, axial, facing surfaces.
    const at = (z: number) => rangeSigma({ kind: "structured-light" }, z, null);
    expectClose([at(1), at(2), at(3)], [0.001884, 0.006064, 0.014044], 1e-6);
  });
});

describe("floor signal", () => {
  test("a dark floor against a bright wall at one metre", () => {
    // S = rho h / r^3, by hand: reflectance 0.05 seen from 0.3 m, relative to a wall of 0.8.
    const ratios = [0.3, 0.5, 1, 1.5, 2].map((x) => floorAmplitude(0.05 / 0.8, 0.3, Math.hypot(x, 0.3)));
    const expected = [0.24552, 0.09458, 0.01648, 0.00524, 0.00227];
    ratios.forEach((ratio, i) => {
      expect(Math.abs(ratio - expected[i]!)).toBeLessThan(5e-6 + 1e-4 * ratio);
    });
  });

  test("how far each floor is seen by a sensor that just sees a bright wall at 4 m", () => {
    // x = sqrt((rho h R^2 / 0.8)^(2/3) - h^2), R 4 m, h 0.30 m.
    const gate = 0.8 / 16;
    const seen = [0.02, 0.05, 0.1, 0.2, 0.4, 0.8].map((rho) => floorHorizon(rho, 0.3, gate));
    expectClose(seen, [0.3915, 0.5984, 0.7883, 1.0194, 1.3048, 1.66], 1e-4);
    expect(floorHorizon(0.001, 0.3, gate)).toBe(0);
  });
});
