/** Correspondences of samples and planes of the map, in structure-of-arrays form; the first `count` are valid. */
export interface Matches {
  count: number;
  /** (3 * count) points, relative to the centre of rotation. */
  readonly point: Float32Array;
  /** (3 * count) unit normals of the planes. */
  readonly normal: Float32Array;
  /** Signed distance of each point from its plane, metres; positive in front of it. */
  readonly residual: Float32Array;
  readonly weight: Float32Array;
  /** Metres, 1 sigma: error of each plane's position against the world's origin. */
  readonly doubt: Float32Array;
  /** Weighted mean over all matches of 1 - the cosine between the normals of sample and plane. */
  scatter: number;
  /** Weighted mean over all matches of 1 / the number of samples fused into the plane. */
  youth: number;
}

export function emptyMatches(capacity: number): Matches {
  return {
    count: 0,
    point: new Float32Array(3 * capacity),
    normal: new Float32Array(3 * capacity),
    residual: new Float32Array(capacity),
    weight: new Float32Array(capacity),
    doubt: new Float32Array(capacity),
    scatter: 0,
    youth: 1,
  };
}

/**
 * Multiplies the variances of the normal equations: neighbouring samples share the map's errors, so their errors are not independent.
 * Chosen by hand; with it the true position is within three sigma in all frames of `score-poses --degenerate`.
 */
export const VARIANCE_INFLATION = 250;

/** Metres: residuals beyond this are left out of the scale of the robust weights. Otherwise many outliers would widen the scale and pass. */
const WIDEST_RESIDUAL = 0.02;

/**
 * Lowers the weights of large residuals: 1 / (1 + (r / c)^2) with c = `robust` times their rms. The sum of the weights is preserved, so
 * that the balance with the prior stays. All weights are then multiplied by `factor`.
 * Source: the Cauchy weight function, as in Holland & Welsch 1977.
 */
export function weighRobustly({ count, weight, residual }: Matches, factor: number, robust: number): void {
  let before = 0;
  let squares = 0;
  for (let i = 0; i < count; i++) {
    const r = residual[i]!;
    before += weight[i]!;
    squares += weight[i]! * Math.min(WIDEST_RESIDUAL * WIDEST_RESIDUAL, r * r);
  }
  if (!(squares > 0)) {
    for (let i = 0; i < count; i++) weight[i]! *= factor;
    return;
  }
  const narrow = before / (robust * robust * squares);
  let after = 0;
  for (let i = 0; i < count; i++) {
    const r = residual[i]!;
    const w = weight[i]! / (1 + narrow * r * r);
    weight[i] = w;
    after += w;
  }
  const back = (factor * before) / after;
  for (let i = 0; i < count; i++) weight[i]! *= back;
}

/** Fewer samples than this on better known planes are ignored: a handful must not outweigh the rest. Chosen by hand. */
const LEAST_KNOWN = 120;

/**
 * Prefers planes whose position in the world is better known. On return to a place, planes of the first visit and planes that were added
 * since, with drift, are both in view and disagree. Along every normal that the better known planes constrain, the weights of the others
 * fall with the square of their extra doubt.
 *
 * @param known  metres: planes with less doubt than this are better known
 * @param factor by which the weights will be multiplied later
 * @param stride number of samples that each match represents
 */
export function preferKnown(
  { count, normal, weight, doubt }: Matches,
  known: number,
  factor: number,
  stride: number,
): void {
  let [n, xx, yy, zz, xy, xz, yz, least] = [0, 0, 0, 0, 0, 0, 0, 0];
  for (let i = 0, k = 0; i < count; i++, k += 3) {
    if (doubt[i]! >= known) continue;
    const a = normal[k]!;
    const b = normal[k + 1]!;
    const c = normal[k + 2]!;
    const w = weight[i]!;
    n++;
    least += doubt[i]!;
    xx += w * a * a;
    yy += w * b * b;
    zz += w * c * c;
    xy += w * a * b;
    xz += w * a * c;
    yz += w * b * c;
  }
  if (n === 0 || n === count) return;
  const isIgnored = stride * n < LEAST_KNOWN;
  const mean = least / n;
  const scale = factor / VARIANCE_INFLATION;
  for (let i = 0, k = 0; i < count; i++, k += 3) {
    if (doubt[i]! < known) {
      if (isIgnored) weight[i] = 0;
      continue;
    }
    if (isIgnored) continue;
    const a = normal[k]!;
    const b = normal[k + 1]!;
    const c = normal[k + 2]!;
    const held = scale * (a * a * xx + b * b * yy + c * c * zz + 2 * (a * b * xy + a * c * xz + b * c * yz));
    const more = doubt[i]! - mean;
    weight[i]! /= 1 + held * more * more;
  }
}

/** Metres: `now` less the weighted mean doubt of the matched planes. */
export function leadOf({ count, weight, doubt }: Matches, now: number): number {
  let [sum, total] = [0, 0];
  for (let i = 0; i < count; i++) {
    total += weight[i]!;
    sum += weight[i]! * Math.max(0, now - doubt[i]!);
  }
  return total > 0 ? sum / total : 0;
}
