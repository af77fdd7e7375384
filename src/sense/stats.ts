import { expOf, log1pOf, logOf } from "../geometry/elementary.ts";
/** Mean and variance of a stream, exact also for small changes of a large number. Source: Welford 1962. */
export class RunningStats {
  #count = 0;
  #mean = 0;
  #squares = 0;

  push(value: number): void {
    this.#count++;
    const off = value - this.#mean;
    this.#mean += off / this.#count;
    this.#squares += off * (value - this.#mean);
  }

  get count(): number {
    return this.#count;
  }

  /** NaN before the first value. */
  get mean(): number {
    return this.#count === 0 ? Number.NaN : this.#mean;
  }

  /** Of the sample (n - 1); NaN before the second value. */
  get variance(): number {
    return this.#count < 2 ? Number.NaN : this.#squares / (this.#count - 1);
  }
}

/**
 * Exact two-sided confidence interval of a rate.
 *
 * @param count      times it happened, 0 to trials
 * @param trials     1 or more
 * @param confidence such as 0.95; a one-sided bound at 95 % is one end of the two-sided interval at 0.9
 * @returns [lowest, highest] rate
 * @throws {RangeError} if the counts or the confidence are invalid
 * Source: Clopper & Pearson 1934.
 */
export function binomialInterval(count: number, trials: number, confidence = 0.95): [number, number] {
  if (
    !(Number.isInteger(count) && Number.isInteger(trials) && trials >= 1 && count >= 0 && count <= trials)
  ) {
    throw new RangeError(`${count} of ${trials} is no count of events`);
  }
  if (!(confidence > 0 && confidence < 1))
    throw new RangeError(`confidence is ${confidence}; it must be 0 to 1`);
  const tail = (1 - confidence) / 2;
  return [
    count === 0 ? 0 : bisect((p) => 1 - chanceOfAtMost(count - 1, trials, p) - tail),
    count === trials ? 1 : bisect((p) => tail - chanceOfAtMost(count, trials, p)),
  ];
}

/** The probability of `most` or fewer events. Summed from the largest term outwards, so that nothing underflows early. */
function chanceOfAtMost(most: number, trials: number, p: number): number {
  const mode = Math.min(most, Math.floor((trials + 1) * p));
  let log = mode * logOf(p) + (trials - mode) * log1pOf(-p);
  for (let k = 1; k <= mode; k++) log += logOf((trials - mode + k) / k);
  const top = expOf(log);
  let sum = top;
  for (let k = mode, term = top; k > 0 && term > 1e-18 * sum; k--) {
    term *= (k * (1 - p)) / ((trials - k + 1) * p);
    sum += term;
  }
  for (let k = mode, term = top; k < most; k++) {
    term *= ((trials - k) * p) / ((k + 1) * (1 - p));
    sum += term;
  }
  return Math.min(sum, 1);
}

/** The root in (0, 1) of a function that rises with p. */
function bisect(f: (p: number) => number): number {
  let low = 0;
  let high = 1;
  for (let i = 0; i < 60; i++) {
    const middle = (low + high) / 2;
    if (f(middle) < 0) low = middle;
    else high = middle;
  }
  return (low + high) / 2;
}
