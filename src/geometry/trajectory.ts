import { hypot3, lengthOf } from "./elementary.ts";
import type { Pose } from "./optics.ts";
import { angleBetween, compose, IDENTITY, invert, transformPoint } from "./rigid.ts";
import { alignRigid } from "./solve.ts";

/** What a list of errors (0 or more each) amounts to, in their own unit. */
export interface ErrorSummary {
  readonly count: number;
  readonly rmse: number;
  readonly mean: number;
  readonly median: number;
  readonly max: number;
}

/**
 * @param errors 0 or more each; left as they are
 * @throws {RangeError} if there is none
 */
export function summarizeErrors(errors: ArrayLike<number>): ErrorSummary {
  const count = errors.length;
  if (count === 0) throw new RangeError("no errors to summarise");
  const sorted = Float64Array.from(errors).sort();
  let sum = 0;
  let squares = 0;
  for (const e of sorted) {
    sum += e;
    squares += e * e;
  }
  return {
    count,
    rmse: Math.sqrt(squares / count),
    mean: sum / count,
    median: (sorted[(count - 1) >> 1]! + sorted[count >> 1]!) / 2,
    max: sorted[count - 1]!,
  };
}

function checkPaired(truth: readonly Pose[], estimate: readonly Pose[]): void {
  if (truth.length !== estimate.length) {
    throw new RangeError(`${truth.length} true poses, ${estimate.length} estimated: they must be paired`);
  }
}

/**
 * How far the estimated positions are from the true ones, metres.
 *
 * @param truth    poses at the same instants as `estimate`
 * @param aligning "rigid" first moves the estimate as a whole to where it fits best; "none" compares as it stands
 * @returns the errors, and the motion that was applied: truthFromEstimate
 * @throws {RangeError} if the lists differ in length or are empty
 * Source: Sturm, Engelhard, Endres, Burgard & Cremers 2012, absolute trajectory error.
 */
export function absoluteTrajectoryError(
  truth: readonly Pose[],
  estimate: readonly Pose[],
  aligning: "rigid" | "none" = "rigid",
): ErrorSummary & { readonly alignment: Pose } {
  checkPaired(truth, estimate);
  const flat = (poses: readonly Pose[]) => Float64Array.from(poses.flatMap((pose) => pose.position));
  const alignment =
    aligning === "rigid" && truth.length > 0 ? alignRigid(flat(estimate), flat(truth)).pose : IDENTITY;
  const errors = truth.map(({ position: [x, y, z] }, i) => {
    const [a, b, c] = transformPoint(alignment, estimate[i]!.position);
    return hypot3(a - x, b - y, c - z);
  });
  return { ...summarizeErrors(errors), alignment };
}

/**
 * Drift over a fixed number of poses: E_i = (Q_i^-1 Q_i+d)^-1 (P_i^-1 P_i+d), Q true and P estimated.
 *
 * @param step d, in poses; 1 or more
 * @returns its translation in metres and its rotation in radians
 * @throws {RangeError} if the lists differ in length, or have no two poses `step` apart
 * Source: Sturm et al. 2012, relative pose error.
 */
export function relativePoseError(
  truth: readonly Pose[],
  estimate: readonly Pose[],
  step: number,
): { readonly translation: ErrorSummary; readonly rotation: ErrorSummary } {
  checkPaired(truth, estimate);
  if (!(Number.isInteger(step) && step >= 1 && step < truth.length)) {
    throw new RangeError(`step is ${step}; with ${truth.length} poses it must be 1 to ${truth.length - 1}`);
  }
  const translation: number[] = [];
  const rotation: number[] = [];
  for (let i = 0; i + step < truth.length; i++) {
    const moved = compose(invert(truth[i]!), truth[i + step]!);
    const believed = compose(invert(estimate[i]!), estimate[i + step]!);
    const error = compose(invert(moved), believed);
    translation.push(lengthOf(error.position));
    rotation.push(angleBetween(IDENTITY.rotation, error.rotation));
  }
  return { translation: summarizeErrors(translation), rotation: summarizeErrors(rotation) };
}
