import { hypot2 } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import { addOuter, sigmaAlong } from "../geometry/symmetric3.ts";
import { dot, scaleAndAdd, subtract } from "../geometry/vec.ts";
import type { CompletedStep } from "./completed-step.ts";
import type { PoseDoubt } from "./doubt.ts";
import type { Prediction } from "./frame.ts";
import type { Directions } from "./free-directions.ts";
import { VARIANCE_INFLATION } from "./matches.ts";

/** Metres, 1 sigma: with more uncertainty along an axis, depth is believed only near the prediction. Chosen by hand. */
export const TRUSTED_DOUBT = 0.4;
/** Metres from the prediction that count as near. It is the gate of the coarse map: a fit from farther off began on another surface. */
const EXPECTED = 0.4;

export interface FusionInput {
  readonly directions: Directions;
  readonly prediction: Prediction;
  /** The step as completed by accelerations or by the direction of a rolling base; null when neither is available. */
  readonly completed: CompletedStep | null;
  /** Positions of the lens, metres: predicted, registered by depth, and at the end of the completed step. */
  readonly expected: Vec3;
  readonly registered: Vec3;
  readonly ahead: Vec3;
  /** Share of the prediction's growth in sigma that applies along an axis. */
  readonly growthShare: (axis: Vec3) => number;
}

export interface Fusion {
  /** Metres by which the registered position must be moved. */
  readonly shift: Vec3;
  /** (3) share of the step by depth that is kept along each axis that depth does not hold; 0 along the others. */
  readonly kept: Float64Array;
}

/** Metres, 1 sigma: uncertainty of the position along an axis after a completed step. */
export function sigmaAfter(local: Float64Array, { steady, white }: CompletedStep, axis: Vec3): number {
  return hypot2(sigmaAlong(local, axis) + sigmaAlong(steady, axis), sigmaAlong(white, axis));
}

/**
 * Fuses the registered position with the prediction along each axis of the geometry, and sets `doubt.local` to the resulting covariance.
 * @returns null when the position by depth is too far from the prediction to be believed
 */
export function fuseAxes(doubt: PoseDoubt, input: FusionInput): Fusion | null {
  const { directions, prediction, completed, expected, registered, ahead } = input;
  const next = new Float64Array(9);
  const kept = new Float64Array(3);
  const off = subtract(registered, expected);
  const aheadOff: Vec3 = completed === null ? [0, 0, 0] : subtract(ahead, expected);
  let shift: Vec3 = [0, 0, 0];
  for (let k = 0; k < 3; k++) {
    const axis = directions.axes[k]!;
    const support = directions.support[k]!;
    const isFree = support === "free";
    const isCompleted = completed !== null && support !== "held";
    const information = directions.information[k]!;
    const before =
      (isCompleted
        ? sigmaAfter(doubt.local, completed, axis)
        : sigmaAlong(doubt.local, axis) + prediction.growth * input.growthShare(axis)) +
      directions.rejectedSigma[k]!;
    if (!isFree && before > TRUSTED_DOUBT) {
      // With this much doubt depth may have matched another place that looks alike. Near the prediction it is believed, and the doubt is
      // built into the map. Farther off the head counts as lost, and only the strict test of `Recovery` finds it.
      if (Math.abs(dot(axis, off)) > EXPECTED) return null;
      doubt.build(before * before);
    }
    // Along a free axis the information comes from the noise of normals alone, so it must not reduce the covariance.
    const variance = isFree
      ? before * before
      : 1 / (1 / (before * before) + information / VARIANCE_INFLATION);
    addOuter(next, axis, variance);
    if (!isFree && !isCompleted) continue;
    // Keeps the part of the step that depth accounts for; the registered position already contains the prior.
    const sigma = !isCompleted ? prediction.sigma : isFree ? sigmaAlong(completed.steady, axis) : before;
    kept[k] = (information * sigma * sigma) / (information * sigma * sigma + VARIANCE_INFLATION);
    shift = scaleAndAdd(shift, axis, -(1 - kept[k]!) * dot(axis, subtract(off, aheadOff)));
  }
  doubt.local.set(next);
  return { shift, kept };
}
