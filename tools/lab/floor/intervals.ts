/** Natural logarithm of n!. Exact sums up to where they cost nothing, Stirling's series beyond. */
function logFactorial(n: number): number {
  if (n < 64) {
    let sum = 0;
    for (let k = 2; k <= n; k++) sum += Math.log(k);
    return sum;
  }
  const x = n + 1;
  return (x - 0.5) * Math.log(x) - x + 0.5 * Math.log(2 * Math.PI) + 1 / (12 * x) - 1 / (360 * x ** 3);
}

/** Chance of at most k of n, each with chance p. */
function binomialUpTo(k: number, n: number, p: number): number {
  if (p <= 0) return 1;
  if (p >= 1) return k >= n ? 1 : 0;
  let sum = 0;
  for (let i = 0; i <= k; i++) {
    sum += Math.exp(
      logFactorial(n) - logFactorial(i) - logFactorial(n - i) + i * Math.log(p) + (n - i) * Math.log1p(-p),
    );
  }
  return Math.min(1, sum);
}

/** Where a falling function of x in [low, high] crosses `level`. */
function crossing(low: number, high: number, level: number, falling: (x: number) => number): number {
  let [a, b] = [low, high];
  for (let n = 0; n < 200; n++) {
    const middle = (a + b) / 2;
    if (falling(middle) > level) a = middle;
    else b = middle;
  }
  return (a + b) / 2;
}

/**
 * The exact interval of a rate, k of n. With k = 0 (or n) one-sided: all of `confidence` lies on one side.
 * Source: Clopper & Pearson 1934.
 */
export function rateInterval(k: number, n: number, confidence = 0.95): readonly [low: number, high: number] {
  if (n === 0) return [0, 1];
  const tail = k === 0 || k === n ? 1 - confidence : (1 - confidence) / 2;
  const high = k === n ? 1 : crossing(0, 1, tail, (p) => binomialUpTo(k, n, p));
  const low = k === 0 ? 0 : crossing(0, 1, 1 - tail, (p) => binomialUpTo(k - 1, n, p));
  return [low, high];
}

/** The largest rate per unit under which `events` or fewer in `exposure` are not too unlikely; exact, one-sided. */
export function poissonBound(events: number, exposure: number, confidence = 0.95): number {
  const upTo = (mean: number): number => {
    let term = Math.exp(-mean);
    let sum = term;
    for (let k = 1; k <= events; k++) {
      term *= mean / k;
      sum += term;
    }
    return sum;
  };
  return crossing(0, 10 * (events + 5), 1 - confidence, upTo) / exposure;
}
