import { hypot2 } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import { addOuter, sigmaAlong } from "../geometry/symmetric3.ts";
import { dot, scaleAndAdd, subtract } from "../geometry/vec.ts";
import type { CompletedStep } from "./completed-step.ts";
import type { PoseDoubt } from "./doubt.ts";
import type { Prediction } from "./frame.ts";
import type { Directions } from "./free-directions.ts";
import { VARIANCE_INFLATION } from "./matches.ts";

/** Metres, 1 sigma: with more doubt along an axis a hold is believed only where the base was expected. Chosen by hand. */
export const TRUSTED_DOUBT = 0.4;
/** Metres from the prediction within which it is. The gate of the coarse map: farther off the fit began on another thing. */
const EXPECTED = 0.4;

export interface FusionInput {
  readonly directions: Directions;
  readonly prediction: Prediction;
  /** The step that accelerations or a rolling base's way completed; null when neither did. */
  readonly completed: CompletedStep | null;
  /** Places of the lens, metres: where it was expected, where depth has it, and where the completed step ends. */
  readonly expected: Vec3;
  readonly registered: Vec3;
  readonly ahead: Vec3;
  /** Share of the prediction's growth that counts along an axis. */
  readonly restlessness: (axis: Vec3) => number;
}

export interface Fusion {
  /** Metres by which the registered place must be moved. */
  readonly pull: Vec3;
  /** (3) share of depth's part of the step that was kept along each axis; 0 where all was. */
  readonly kept: Float64Array;
}

/** Metres, 1 sigma: how sure the place along an axis is after a completed step. */
export function sigmaAfter(local: Float64Array, { steady, white }: CompletedStep, axis: Vec3): number {
  return hypot2(sigmaAlong(local, axis) + sigmaAlong(steady, axis), sigmaAlong(white, axis));
}

/**
 * Weighs, along each axis of the geometry, what depth says against the prediction, and sets `doubt.local` to how sure the place then is.
 * @returns null when the base cannot be where it seems to be
 */
export function fuseAxes(doubt: PoseDoubt, input: FusionInput): Fusion | null {
  const { directions, prediction, completed, expected, registered, ahead } = input;
  const next = new Float64Array(9);
  const kept = new Float64Array(3);
  const off = subtract(registered, expected);
  const aheadOff: Vec3 = completed === null ? [0, 0, 0] : subtract(ahead, expected);
  let pull: Vec3 = [0, 0, 0];
  for (let k = 0; k < 3; k++) {
    const axis = directions.axes[k]!;
    const support = directions.support[k]!;
    const isFree = support === "free";
    const isCompleted = completed !== null && support !== "held";
    const information = directions.information[k]!;
    const before =
      (isCompleted
        ? sigmaAfter(doubt.local, completed, axis)
        : sigmaAlong(doubt.local, axis) + prediction.growth * input.restlessness(axis)) +
      directions.refuted[k]!;
    if (!isFree && before > TRUSTED_DOUBT) {
      // After so much doubt depth may have matched another place that looks alike. Near the prediction it is believed, and the doubt stays in
      // the map; farther off the head is lost, and only the strict test of `Recovery` finds it.
      if (Math.abs(dot(axis, off)) > EXPECTED) return null;
      doubt.build(before * before);
    }
    // Along a free axis the information is only what noise of normals feigns: it must not reduce the covariance.
    const variance = isFree
      ? before * before
      : 1 / (1 / (before * before) + information / VARIANCE_INFLATION);
    addOuter(next, axis, variance);
    if (!isFree && !isCompleted) continue;
    // Keeps the share of the step that depth accounts for; the registered place contains the prior already.
    const sigma = !isCompleted ? prediction.sigma : isFree ? sigmaAlong(completed.steady, axis) : before;
    kept[k] = (information * sigma * sigma) / (information * sigma * sigma + VARIANCE_INFLATION);
    pull = scaleAndAdd(pull, axis, -(1 - kept[k]!) * dot(axis, subtract(off, aheadOff)));
  }
  doubt.local.set(next);
  return { pull, kept };
}
