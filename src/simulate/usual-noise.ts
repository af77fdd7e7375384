import type { Random } from "./random.ts";
import type { SensorNoise } from "./render.ts";

/**
 * The usual time-of-flight sensor of scores and tests: it just sees a wall of reflectance 0.8, met head on, at `range` metres. An invented
 * sensor, not one of a maker.
 */
export const usualNoise = (range: number, random: Random, more: Partial<SensorNoise> = {}): SensorNoise => ({
  gate: 150,
  seen: { reflectance: 0.8, range },
  frequency: 60e6,
  wrap: false,
  dark: 200,
  contrast: 0.8,
  sun: [],
  saturation: 60000,
  amplitudeUnit: 8,
  shot: true,
  subRays: 3,
  random,
  ...more,
});
