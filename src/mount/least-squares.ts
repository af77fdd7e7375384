import { square } from "../geometry/elementary.ts";
import { solveSymmetric } from "../geometry/solve.ts";

/** A small nonlinear least-squares problem, residuals in rows. */
export interface Problem {
  /** Where the search starts, one value per unknown (at most 8). */
  readonly start: readonly number[];
  /** Prior of each unknown: 1 sigma about its start; Infinity for none. */
  readonly priors: readonly number[];
  /** Step of each unknown for derivatives: small, but above the noise of `evaluate`. */
  readonly steps: readonly number[];
  /** Rows of one kind share a unit and a noise. (rows) */
  readonly kinds: Uint8Array;
  /** Lower bound of the 1 sigma of a row of each kind. */
  readonly leastSigma: readonly number[];
  /** Rows of one cluster may share an error; between clusters errors are independent. (rows) */
  readonly clusters: Int32Array;
  /** Redundancy: number of rows that share the same information, because windows overlap. */
  readonly overlap: number;
  /** Fills `out` (rows) with the residuals. */
  readonly evaluate: (values: Float64Array, out: Float64Array) => void;
}

export interface Solution {
  readonly values: Float64Array;
  /** 1 sigma of each value; Infinity when the equations leave it free. */
  readonly sigmas: Float64Array;
  /** 1 sigma of a row of each kind, as estimated. */
  readonly noise: readonly number[];
  readonly rows: number;
}

const ITERATIONS = 25;
/** Sigmas: a smaller step ends the iteration. */
const SMALL = 0.01;
/** Rows with a larger residual, in sigmas, have less weight. */
const ROBUST = 2;

/**
 * Gauss-Newton with Huber weights. The uncertainty is the larger of two: that of the normal equations with the noise as
 * estimated, and that of the scatter between clusters, which is right for errors that last longer than one row.
 *
 * Sources: Huber 1964; scale by the median absolute deviation (Hampel 1974); scatter between clusters: Liang & Zeger 1986.
 */
export function leastSquares(problem: Problem): Solution {
  const n = problem.start.length;
  const values = Float64Array.from(problem.start);
  const system = new LinearSystem(problem);
  const { information, pull } = system;
  const step = new Float64Array(n);
  for (let iteration = 0; iteration < ITERATIONS; iteration++) {
    system.linearise(values);
    if (!solveSymmetric(step, information, pull, n)) break;
    let isSmall = true;
    for (let k = 0; k < n; k++) {
      values[k]! += step[k]!;
      // Relative to the uncertainty of this unknown if all others were known.
      if (Math.abs(step[k]!) > SMALL / Math.sqrt(information[k * n + k]!)) isSmall = false;
    }
    if (isSmall) break;
  }
  system.linearise(values);
  return { values, sigmas: uncertainty(problem, system), noise: system.noise, rows: problem.kinds.length };
}

/** The problem's equations around some values, linear and weighted. */
class LinearSystem {
  readonly residual: Float64Array;
  /** (rows, unknowns) row-major. */
  readonly jacobian: Float64Array;
  readonly weight: Float64Array;
  /** Normal equations: information times step is pull. */
  readonly information: Float64Array;
  readonly pull: Float64Array;
  /** 1 sigma of a row of each kind. */
  noise: readonly number[];
  readonly #problem: Problem;
  readonly #moved: Float64Array;

  constructor(problem: Problem) {
    const n = problem.start.length;
    const rows = problem.kinds.length;
    this.#problem = problem;
    this.residual = new Float64Array(rows);
    this.#moved = new Float64Array(rows);
    this.jacobian = new Float64Array(rows * n);
    this.weight = new Float64Array(rows);
    this.information = new Float64Array(n * n);
    this.pull = new Float64Array(n);
    this.noise = problem.leastSigma.slice();
  }

  /** Sets up the equations around `values`, which are unchanged when it returns. */
  linearise(values: Float64Array): void {
    const { start, priors, steps, kinds, leastSigma, evaluate } = this.#problem;
    const { residual, jacobian, weight, information, pull } = this;
    const moved = this.#moved;
    const n = start.length;
    const rows = kinds.length;
    evaluate(values, residual);
    for (let k = 0; k < n; k++) {
      const kept = values[k]!;
      values[k] = kept + steps[k]!;
      evaluate(values, moved);
      for (let i = 0; i < rows; i++) jacobian[i * n + k] = moved[i]!;
      values[k] = kept - steps[k]!;
      evaluate(values, moved);
      values[k] = kept;
      for (let i = 0; i < rows; i++)
        jacobian[i * n + k] = (jacobian[i * n + k]! - moved[i]!) / (2 * steps[k]!);
    }
    this.noise = scales(residual, kinds, leastSigma);
    information.fill(0);
    pull.fill(0);
    for (let i = 0; i < rows; i++) {
      const sigma = this.noise[kinds[i]!]!;
      const off = Math.abs(residual[i]!) / sigma;
      const w = (off > ROBUST ? ROBUST / off : 1) / (sigma * sigma);
      weight[i] = w;
      for (let k = 0; k < n; k++) {
        const jk = w * jacobian[i * n + k]!;
        if (jk === 0) continue;
        pull[k]! -= jk * residual[i]!;
        for (let l = 0; l < n; l++) information[k * n + l]! += jk * jacobian[i * n + l]!;
      }
    }
    for (let k = 0; k < n; k++) {
      const known = 1 / square(priors[k]!);
      information[k * n + k]! += known;
      pull[k]! -= known * (values[k]! - start[k]!);
    }
  }
}

/** 1 sigma of each value; Infinity when the equations leave it free. */
function uncertainty(
  { start, priors, clusters, overlap }: Problem,
  { residual, jacobian, weight, information }: LinearSystem,
): Float64Array {
  const n = start.length;
  const rows = residual.length;
  const sigmas = new Float64Array(n).fill(Number.POSITIVE_INFINITY);
  // Gradient of each cluster at the solution: the sum over all clusters is zero, and the scatter is the uncertainty.
  const count = rows === 0 ? 0 : Math.max(...clusters) + 1;
  const pulls = new Float64Array(count * n);
  for (let i = 0; i < rows; i++) {
    const c = clusters[i]! * n;
    for (let k = 0; k < n; k++) pulls[c + k]! += weight[i]! * residual[i]! * jacobian[i * n + k]!;
  }
  const row = new Float64Array(n);
  const unit = new Float64Array(n);
  for (let k = 0; k < n; k++) {
    unit.fill(0);
    unit[k] = 1;
    if (!solveSymmetric(row, information, unit, n)) return sigmas;
    let known = 0;
    for (let l = 0; l < n; l++) known += square(row[l]!) / square(priors[l]!);
    // With all rows independent the variance is row[k]; the priors' part of it does not overlap.
    const byNoise = known + overlap * Math.max(0, row[k]! - known);
    let scatter = 0;
    for (let c = 0; c < count; c++) {
      let sum = 0;
      for (let l = 0; l < n; l++) sum += row[l]! * pulls[c * n + l]!;
      scatter += sum * sum;
    }
    const byScatter = known + (scatter * count) / Math.max(1, count - 1);
    sigmas[k] = Math.sqrt(Math.max(byNoise, byScatter));
  }
  return sigmas;
}

/** 1 sigma of the rows of each kind, by their median size. */
function scales(residual: Float64Array, kinds: Uint8Array, least: readonly number[]): number[] {
  return least.map((floor, kind) => {
    const sizes = residual
      .filter((_, i) => kinds[i] === kind)
      .map(Math.abs)
      .sort();
    if (sizes.length === 0) return floor;
    return Math.max(floor, 1.4826 * sizes[sizes.length >> 1]!);
  });
}
