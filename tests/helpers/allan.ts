/**
 * Allan deviation of a rate at `factor` samples of averaging.
 * @param overlapping whether every start is used, or only those `factor` apart
 * Source: Riley, Handbook of Frequency Stability Analysis, NIST Special Publication 1065.
 */
export function allanDeviation(rate: ArrayLike<number>, factor: number, overlapping: boolean): number {
  const sums = new Float64Array(rate.length + 1);
  for (let i = 0; i < rate.length; i++) sums[i + 1] = sums[i]! + rate[i]!;
  let total = 0;
  let count = 0;
  for (let i = 0; i + 2 * factor <= rate.length; i += overlapping ? 1 : factor) {
    const change = (sums[i + 2 * factor]! - 2 * sums[i + factor]! + sums[i]!) / factor;
    total += change * change;
    count++;
  }
  return Math.sqrt(total / (2 * count));
}
