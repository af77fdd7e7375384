import type { Vec3 } from "../geometry/optics.ts";
import { solveSymmetric } from "../geometry/solve.ts";
import { multiplyVector, propagate } from "../geometry/symmetric3.ts";
import { dot, scaleAndAdd } from "../geometry/vec.ts";

/** A step of the base: a prediction that was conditioned on the parts of it that depth measured. */
export interface CompletedStep {
  readonly step: Vec3;
  /** (9) m^2: errors that repeat from step to step, and so add up. */
  readonly steady: Float64Array;
  /** (9) m^2: errors that do not repeat. */
  readonly white: Float64Array;
}

export interface StepPrediction {
  /** Metres. */
  readonly mean: Vec3;
  /** (9) m^2: the covariance that sets the gain of the measured parts. */
  readonly weighing: Float64Array;
  /** (9) m^2: the true covariance. It may be smaller than `weighing`: wheels may start to roll at any time, but seldom do. */
  readonly spread: Float64Array;
}

export interface StepMeasurement {
  /** Unit axes, orthogonal to each other; at most two. */
  readonly axes: readonly Vec3[];
  /** Metres along each axis. */
  readonly metres: readonly number[];
  /** Metres, 1 sigma, of each. */
  readonly noise: number;
}

/**
 * The mean of a normal distribution conditioned on measurements along some axes, and its covariance where the true one differs from the
 * one that sets the gain (Joseph's form).
 */
export function completeStep(
  { mean, weighing, spread }: StepPrediction,
  { axes, metres, noise }: StepMeasurement,
): CompletedStep {
  const gain = gainOf(weighing, axes, noise);
  let step = mean;
  axes.forEach((a, i) => {
    step = scaleAndAdd(step, gain[i]!, metres[i]! - dot(a, mean));
  });
  // I - K S
  const left = new Float64Array([1, 0, 0, 0, 1, 0, 0, 0, 1]);
  const white = new Float64Array(9);
  gain.forEach((g, i) => {
    const a = axes[i]!;
    for (let r = 0; r < 3; r++) {
      for (let c = 0; c < 3; c++) {
        left[3 * r + c]! -= g[r]! * a[c]!;
        white[3 * r + c]! += noise * noise * g[r]! * g[c]!;
      }
    }
  });
  return { step, steady: propagate(left, spread), white };
}

/** The columns of the gain, one per measured axis. */
function gainOf(weighing: Float64Array, axes: readonly Vec3[], noise: number): Vec3[] {
  const n = axes.length;
  const inner = new Float64Array(n * n);
  axes.forEach((a, i) => {
    axes.forEach((b, j) => {
      inner[n * i + j] = dot(a, multiplyVector(weighing, b)) + (i === j ? noise * noise : 0);
    });
  });
  // Rows of the gain, transposed: inner^-1 S W.
  const rows = axes.map((a) => multiplyVector(weighing, a));
  const gain = axes.map((): [number, number, number] => [0, 0, 0]);
  const column = new Float64Array(n);
  for (let k = 0; k < 3 && n > 0; k++) {
    rows.forEach((row, i) => {
      column[i] = row[k]!;
    });
    if (!solveSymmetric(column, inner, column, n)) column.fill(0);
    gain.forEach((g, i) => {
      g[k] = column[i]!;
    });
  }
  return gain;
}
