import { cube, logOf } from "../geometry/elementary.ts";
import { erf } from "../map/evidence.ts";

/**
 * What a missing return says. The signal that a floor returns goes as rho h / r^3, and rho (times everything that belongs
 * to the sensor) is known from the floor seen just before. Therefore the expected amplitude at any place is known, too.
 * If a return was expected well above the gate and is missing, the floor has changed or ended. Near or below the gate it says nothing.
 */

/** How far the brightness of one floor varies, 1 sigma as a share: seams, stains, wood grain. Common practice, no source. */
const BRIGHTNESS_SPREAD = 0.3;
/** Share of returns that a sensor loses for unknown reasons. */
const LOST_SHARE = 0.05;

/** Amplitude of the same material at 1 m and normal incidence, from a floor return; input of `floorAmplitude`. */
export function floorBrightness(amplitude: number, height: number, range: number): number {
  return (amplitude * cube(range)) / height;
}

/**
 * The chance that a floor as bright as that seen before gives no return.
 * @param due  expected amplitude
 * @param gate amplitude below which the sensor reports nothing; same unit
 */
export function missChance(due: number, gate: number): number {
  if (!(due > 0)) return 1;
  const below = 0.5 * (1 + erf((gate - due) / (BRIGHTNESS_SPREAD * due * Math.SQRT2)));
  return LOST_SHARE + (1 - LOST_SHARE) * below;
}

/**
 * Evidence of one missing return that the floor has changed, nats: the log of how much likelier the miss is where
 * the floor has ended (where it is certain) than where the floor continues. From 0 (no evidence) to ln 20.
 */
export function missEvidence(due: number, gate: number): number {
  return logOf(1 / missChance(due, gate));
}

/** Step of the ratio amplitude / gate between two entries of the table below. */
const MISS_RATIO_STEP = 1 / 32;
const MISS_BY_RATIO = Float32Array.from({ length: 8 * 32 }, (_, n) => missEvidence(n * MISS_RATIO_STEP, 1));

/** `missEvidence` as a table, by the ratio of the expected amplitude to the gate. */
export function missByRatio(ratio: number): number {
  const n = (ratio / MISS_RATIO_STEP + 0.5) | 0;
  return MISS_BY_RATIO[n < MISS_BY_RATIO.length ? (n < 0 ? 0 : n) : MISS_BY_RATIO.length - 1]!;
}

/** Decision bounds of a sequential test on yes/no events, as log-likelihood ratios. Source: Wald 1947. */
export function sequentialBounds(
  falseAlarm: number,
  miss: number,
): { readonly yes: number; readonly no: number } {
  return { yes: logOf((1 - miss) / falseAlarm), no: logOf(miss / (1 - falseAlarm)) };
}

/** Log-likelihood ratio of one event, and of its absence. Its probability is p1 under the hypothesis and p0 otherwise. */
export function sequentialSteps(p0: number, p1: number): { readonly event: number; readonly none: number } {
  return { event: logOf(p1 / p0), none: logOf((1 - p1) / (1 - p0)) };
}
