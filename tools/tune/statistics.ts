/**
 * Chance that Student's t with `freedom` degrees lies within +-t. Exact finite series for whole degrees.
 * Source: Abramowitz & Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4 (from memory; checked against SciPy).
 */
function withinT(t: number, freedom: number): number {
  const angle = Math.atan(t / Math.sqrt(freedom));
  const [sine, cosine] = [Math.sin(angle), Math.cos(angle)];
  const odd = freedom % 2 === 1;
  let term = odd ? cosine : 1;
  let sum = freedom > 1 ? term : 0;
  for (let k = odd ? 3 : 2; k < freedom; k += 2) {
    term *= ((k - 1) / k) * cosine * cosine;
    sum += term;
  }
  return odd ? (2 / Math.PI) * (angle + sine * sum) : sine * sum;
}

export interface PairedDifference {
  /** Mean of second minus first, in the unit of the scores. */
  readonly mean: number;
  readonly low: number;
  readonly high: number;
  /** Two-sided chance of so large a difference if there were none. */
  readonly p: number;
}

/**
 * Two settings scored on the same recordings: mean difference with its Student interval and p-value. The pair is
 * the recording; frames of one recording are not independent and must be averaged before.
 *
 * @throws {RangeError} if the lengths differ, there are fewer than two pairs, or a score is not finite
 * Source: Student 1908, The probable error of a mean.
 */
export function pairedDifference(
  first: readonly number[],
  second: readonly number[],
  confidence = 0.95,
): PairedDifference {
  const n = first.length;
  if (second.length !== n || n < 2)
    throw new RangeError(`${n} and ${second.length} scores: need two pairs or more`);
  const differences = first.map((value, i) => second[i]! - value);
  if (!differences.every(Number.isFinite)) throw new RangeError("every score must be a finite number");
  const mean = differences.reduce((sum, d) => sum + d, 0) / n;
  const squares = differences.reduce((sum, d) => sum + (d - mean) ** 2, 0);
  const error = Math.sqrt(squares / (n - 1) / n);
  if (error === 0) return { mean, low: mean, high: mean, p: mean === 0 ? 1 : 0 };
  let [inside, outside] = [0, 1];
  while (withinT(outside, n - 1) < confidence) outside *= 2;
  for (let step = 0; step < 100; step++) {
    const middle = (inside + outside) / 2;
    if (withinT(middle, n - 1) < confidence) inside = middle;
    else outside = middle;
  }
  const p = Math.max(0, 1 - withinT(Math.abs(mean / error), n - 1));
  return { mean, low: mean - outside * error, high: mean + outside * error, p };
}

/** Ranks from 1; equal values share the mean of their ranks. */
function ranks(values: readonly number[]): number[] {
  const order = values.map((_, i) => i).sort((a, b) => values[a]! - values[b]!);
  const result = new Array<number>(values.length);
  for (let start = 0, end = 0; start < order.length; start = end) {
    while (end < order.length && values[order[end]!] === values[order[start]!]) end++;
    for (let i = start; i < end; i++) result[order[i]!] = (start + end + 1) / 2;
  }
  return result;
}

/** Rank correlation, -1 to 1; NaN when one side is all equal. Source: Spearman 1904. */
export function spearman(first: readonly number[], second: readonly number[]): number {
  if (first.length !== second.length) throw new RangeError(`${first.length} and ${second.length} values`);
  const [a, b, middle] = [ranks(first), ranks(second), (first.length + 1) / 2];
  let [ab, aa, bb] = [0, 0, 0];
  for (let i = 0; i < a.length; i++) {
    ab += (a[i]! - middle) * (b[i]! - middle);
    aa += (a[i]! - middle) ** 2;
    bb += (b[i]! - middle) ** 2;
  }
  return ab / Math.sqrt(aa * bb);
}

/**
 * p-values corrected for how many were looked at: calling those under 5 % real is wrong in at most 5 % of
 * experiments, however the tests depend on each other. Source: Holm 1979.
 */
export function corrected(pValues: readonly number[]): number[] {
  const order = pValues.map((_, i) => i).sort((a, b) => pValues[a]! - pValues[b]!);
  const result = new Array<number>(pValues.length);
  let largest = 0;
  order.forEach((index, place) => {
    largest = Math.max(largest, Math.min(1, pValues[index]! * (pValues.length - place)));
    result[index] = largest;
  });
  return result;
}
