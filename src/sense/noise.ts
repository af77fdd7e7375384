import { cbrtOf, cube, hypot2, square } from "../geometry/elementary.ts";

const LIGHT_SPEED = 299_792_458;

/** Amplitude-modulated time of flight with four phase samples. */
export interface TimeOfFlightNoise {
  readonly kind: "time-of-flight";
  /** Modulation frequency, hertz. */
  readonly frequency: number;
  /** Electrons (counts of a Poisson process) per unit of the sensor's amplitude. */
  readonly gain: number;
  /** Modulation contrast: amplitude over mean of the sensor's own light, 0 to 1. */
  readonly contrast: number;
  /** Electrons per phase sample from ambient light and dark current. */
  readonly ambient: number;
  /** Noise floor, metres, independent of the light. */
  readonly floor: number;
  /** Amplitude of a bright wall at 1 m, in the sensor's unit; the default if the sensor gives no amplitude. */
  readonly amplitudeAtOneMetre: number;
}

/** Triangulation with a projected pattern. */
export interface StructuredLightNoise {
  readonly kind: "structured-light";
}

export type RangeNoise = TimeOfFlightNoise | StructuredLightNoise;

/** A small 60 MHz sensor that sees a bright wall out to 4.5 m: 3000 electrons at 1 m, eight per unit of amplitude. */
export const DEFAULT_RANGE_NOISE: TimeOfFlightNoise = {
  kind: "time-of-flight",
  frequency: 60e6,
  gain: 8,
  contrast: 0.8,
  ambient: 200,
  floor: 0.002,
  amplitudeAtOneMetre: 380,
};

/** @throws {RangeError} naming the field that is not valid */
export function checkRangeNoise(noise: RangeNoise): void {
  if (noise.kind === "structured-light") return;
  if (noise.kind !== "time-of-flight") {
    throw new RangeError(
      `noise.kind is ${JSON.stringify((noise as { kind?: unknown }).kind)}; it must be "time-of-flight" or "structured-light"`,
    );
  }
  for (const field of ["frequency", "gain", "contrast", "ambient", "floor", "amplitudeAtOneMetre"] as const) {
    const value = noise[field];
    const isZeroAllowed = field === "ambient" || field === "floor";
    if (
      !(
        Number.isFinite(value) &&
        (value > 0 || (isZeroAllowed && value === 0)) &&
        (field !== "contrast" || value <= 1)
      )
    ) {
      throw new RangeError(
        `noise.${field} is ${value}; it must be above 0${field === "contrast" ? ", at most 1" : ""}`,
      );
    }
  }
}

/**
 * Standard deviation of a depth reading, metres.
 *
 * @param range     metres: along the ray for time of flight, along the axis for structured light
 * @param amplitude as the sensor gives it, or null; structured light ignores it
 * Sources: time of flight: shot noise of four phase samples, sigma = c / (4 pi f) * sqrt(B / 2) / A, with A the amplitude
 * and B the mean of each sample in electrons; holds while A is well above sqrt(B). Structured light: Nguyen, Izadi &
 * Lovell 2012, axial noise 0.0012 + 0.0019 (z - 0.4)^2 for surfaces less than 60 degrees from facing the sensor.
 */
export function rangeSigma(model: RangeNoise, range: number, amplitude: number | null): number {
  if (model.kind === "structured-light") return 0.0012 + 0.0019 * square(range - 0.4);
  const signal = Math.max((amplitude ?? model.amplitudeAtOneMetre / (range * range)) * model.gain, 1);
  const mean = model.ambient + signal / model.contrast;
  const shot = ((LIGHT_SPEED / (4 * Math.PI * model.frequency)) * Math.sqrt(mean / 2)) / signal;
  return hypot2(shot, model.floor);
}

/**
 * Amplitude that a level floor returns: Lambert's cosine is height / range, so it falls with the cube of the range.
 *
 * @param brightness amplitude of the same material at 1 m and normal incidence
 * @param height     of the lens above the floor, metres
 * @param range      along the ray, metres
 */
export function floorAmplitude(brightness: number, height: number, range: number): number {
  return (brightness * height) / cube(range);
}

/** Distance along the floor, metres, at which `floorAmplitude` falls to `gate`; 0 when even straight below is too dark. */
export function floorHorizon(brightness: number, height: number, gate: number): number {
  const range = cbrtOf((brightness * height) / gate);
  return range > height ? Math.sqrt(range * range - height * height) : 0;
}
