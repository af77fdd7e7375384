import { atanOf, cosOf, powOf, sinOf, square } from "../../src/geometry/elementary.ts";
/** Two-sided 95 % everywhere, as usual; reports state it. */
export const CONFIDENCE = 0.95;

/** Most values for the exact sign-flip test: half a million sums. */
const MOST_FLIPS = 20;

/**
 * Chance that Student's t with `freedom` degrees of freedom lies within +-|t|.
 *
 * @param freedom whole number from 1
 * Source: Abramowitz & Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4: finite sums, exact.
 */
function studentWithin(t: number, freedom: number): number {
  const angle = atanOf(Math.abs(t) / Math.sqrt(freedom));
  const [sin, cos] = [sinOf(angle), cosOf(angle)];
  const isOdd = freedom % 2 === 1;
  let term = isOdd ? cos : 1;
  let sum = freedom === 1 ? 0 : term;
  for (let k = isOdd ? 2 : 1; k <= freedom - 3; k += 2) {
    term *= (k / (k + 1)) * cos * cos;
    sum += term;
  }
  return isOdd ? (2 / Math.PI) * (angle + sin * sum) : sin * sum;
}

/** The two-sided quantile of Student's t for `confidence`, by bisection. */
export function studentQuantile(confidence: number, freedom: number): number {
  if (!(confidence > 0 && confidence < 1) || !Number.isInteger(freedom) || freedom < 1) {
    throw new RangeError(
      `confidence ${confidence} must be within 0 to 1, freedom ${freedom} a whole number from 1`,
    );
  }
  let high = 1;
  while (studentWithin(high, freedom) < confidence) high *= 2;
  let low = 0;
  for (let middle = high / 2; middle > low && middle < high; middle = (low + high) / 2) {
    if (studentWithin(middle, freedom) < confidence) low = middle;
    else high = middle;
  }
  return high;
}

/** How two settings differ over the same recordings. */
export interface PairedDifference {
  readonly count: number;
  /** Of second - first, and its 95 % interval by Student's t; NaN with too few recordings. */
  readonly mean: number;
  readonly low: number;
  readonly high: number;
  /** Two-sided, of the paired t test; 1 with too few recordings. */
  readonly student: number;
}

/**
 * @param differences one per recording
 * Source: Student 1908, the paired t test.
 */
export function pairedDifference(differences: readonly number[]): PairedDifference {
  const count = differences.length;
  const mean = differences.reduce((sum, d) => sum + d, 0) / count;
  if (count < 2) return { count, mean, low: Number.NaN, high: Number.NaN, student: 1 };
  const squares = differences.reduce((sum, d) => sum + square(d - mean), 0);
  const error = Math.sqrt(squares / (count - 1) / count);
  const half = error * studentQuantile(CONFIDENCE, count - 1);
  const t = mean === 0 ? 0 : mean / error; // without any spread: infinite
  return { count, mean, low: mean - half, high: mean + half, student: 1 - studentWithin(t, count - 1) };
}

/**
 * Two-sided p of the exact sign-flip test that differences lie symmetrically around 0: the share of all 2^n choices of
 * signs whose sum is at least as far from 0. It assumes nothing about their distribution.
 *
 * @throws {RangeError} with more than 20 differences
 * Source: Fisher 1935, The Design of Experiments, section 21.
 */
export function signFlip(differences: readonly number[]): number {
  const count = differences.length;
  if (count > MOST_FLIPS) throw new RangeError(`${count} differences; all flips are tried of at most 20`);
  if (count === 0) return 1;
  const size = differences.reduce((sum, d) => sum + Math.abs(d), 0);
  // Sums that are equal on paper stay equal: their rounding is far below this.
  const least = Math.abs(differences.reduce((sum, d) => sum + d, 0)) - 1e-12 * size;
  const signed = Float64Array.from(differences);
  let sum = differences.reduce((total, d) => total + d, 0);
  let extreme = 1;
  // Each step flips one sign (Gray code). The last sign never flips: the other half is this one mirrored.
  const half = powOf(2, count - 1);
  for (let step = 1; step < half; step++) {
    const flip = 31 - Math.clz32(step & -step);
    signed[flip] = -signed[flip]!;
    sum += 2 * signed[flip]!;
    if (Math.abs(sum) >= least) extreme++;
  }
  return extreme / half;
}

/**
 * p values of a family, adjusted so that the chance of any false rejection at 0.05 is at most
 * 5 %, whatever their dependence. Source: Holm 1979.
 */
export function holm(values: readonly number[]): number[] {
  const order = values.map((_, i) => i).sort((a, b) => values[a]! - values[b]!);
  const out = new Array<number>(values.length);
  let highest = 0;
  for (const [rank, i] of order.entries()) {
    highest = Math.max(highest, Math.min(1, (values.length - rank) * values[i]!));
    out[i] = highest;
  }
  return out;
}

/** Ranks from 1; equal values share the mean of theirs. */
function ranks(values: readonly number[]): number[] {
  const order = values.map((_, i) => i).sort((a, b) => values[a]! - values[b]!);
  const out = new Array<number>(values.length);
  for (let from = 0; from < order.length; ) {
    let to = from + 1;
    while (to < order.length && values[order[to]!] === values[order[from]!]) to++;
    for (let k = from; k < to; k++) out[order[k]!] = (from + 1 + to) / 2;
    from = to;
  }
  return out;
}

/**
 * Rank correlation, -1 to 1, with ties; NaN when one side is all the same or fewer than two are given.
 *
 * @throws {RangeError} when the lengths differ
 * Source: Spearman 1904; the product-moment correlation of ranks.
 */
export function spearman(a: readonly number[], b: readonly number[]): number {
  if (a.length !== b.length) throw new RangeError(`${a.length} and ${b.length} values cannot be paired`);
  const [x, y] = [ranks(a), ranks(b)];
  const mean = (a.length + 1) / 2;
  let [xy, xx, yy] = [0, 0, 0];
  for (let i = 0; i < x.length; i++) {
    xy += (x[i]! - mean) * (y[i]! - mean);
    xx += square(x[i]! - mean);
    yy += square(y[i]! - mean);
  }
  return xy / Math.sqrt(xx * yy);
}

/** With fewer recordings no difference is called significant. */
export const FEWEST = 3;

export interface Verdict extends PairedDifference {
  /** Adjusted for the number of candidates. */
  readonly p: number;
  readonly verdict: "better" | "worse" | "not significant";
}

/**
 * Verdicts on candidates against a baseline. The test is chosen by the numbers of recordings and candidates alone: the
 * exact sign-flip test where it could ever be significant, else Student's t, which assumes normal differences.
 *
 * @param gains per candidate and recording, how much better than the baseline it scored
 */
export function judge(gains: readonly (readonly number[])[]): Verdict[] {
  const alpha = 1 - CONFIDENCE;
  const differences = gains.map(pairedDifference);
  const raw = gains.map((gain, i) => {
    if (gain.length < FEWEST || gain.every((d) => d === 0)) return 1;
    const isExact = gain.length <= MOST_FLIPS && powOf(2, 1 - gain.length) * gains.length <= alpha;
    return isExact ? signFlip(gain) : differences[i]!.student;
  });
  return holm(raw).map((p, i) => {
    const difference = differences[i]!;
    const verdict = !(p <= alpha) ? "not significant" : difference.mean > 0 ? "better" : "worse";
    return { ...difference, p, verdict };
  });
}

/**
 * Chooses the best candidate (or the baseline) on all recordings but one, and scores it on that one, for each in turn.
 *
 * @param gains per candidate and recording
 * @returns mean gain on the recordings that it was chosen on, and on those that it was not; null with fewer than two
 * Source: Stone 1974, cross-validatory choice and assessment.
 */
export function leaveOneOut(
  gains: readonly (readonly number[])[],
): { readonly chosenOn: number; readonly leftOut: number } | null {
  const count = gains[0]?.length ?? 0;
  if (count < 2) return null;
  let [chosenOn, leftOut] = [0, 0];
  for (let r = 0; r < count; r++) {
    let [best, there] = [0, 0]; // the baseline
    for (const gain of gains) {
      const others = gain.reduce((sum, d, i) => (i === r ? sum : sum + d), 0) / (count - 1);
      if (others > best) [best, there] = [others, gain[r]!];
    }
    chosenOn += best / count;
    leftOut += there / count;
  }
  return { chosenOn, leftOut };
}
