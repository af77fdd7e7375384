import { square } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import { addOuter, varianceAlong } from "../geometry/symmetric3.ts";
import { dot } from "../geometry/vec.ts";
import { VARIANCE_INFLATION } from "./matches.ts";
import { axisOf } from "./normal-equations.ts";
import type { FrameRegistration } from "./registration.ts";

/**
 * How well depth constrains the position along an axis:
 * - "held": fully;
 * - "thin": only by a few samples that face the axis;
 * - "free": not at all.
 */
export type Support = "held" | "thin" | "free";

/** How depth constrains the position along the three axes of a frame's geometry. Outlier gates may lower the support of an axis later. */
export interface Directions {
  readonly axes: readonly [Vec3, Vec3, Vec3];
  readonly support: [Support, Support, Support];
  /** (3) 1/m^2: information of the geometry along each axis. */
  readonly information: Float64Array;
  /** (3) metres, 1 sigma: extra uncertainty along each axis, because samples there were rejected by an outlier gate. */
  readonly rejectedSigma: Float64Array;
}

/**
 * Share of the total weight, less the part that noise explains, that a direction needs to be held. A bare wall, floor or corridor gives
 * less than 0.00002 along its free directions.
 */
export const LEAST_STRENGTH = 0.0002;
/** A direction with more than CLEAR_STRENGTH x LEAST_STRENGTH is held, whatever its samples face. Chosen by hand. */
const CLEAR_STRENGTH = 20;
/** Hysteresis: a direction that was free in the last frame must exceed its limit by this factor to be held again. Chosen by hand. */
const HELD_AGAIN = 2;
/** An axis counts as free in the last frame when its squared cosine to those free axes exceeds this: 45 degrees. */
const WAS_FREE = 0.5;
/** Number of samples that must face an axis, and their rms spread in metres, to count in full. Chosen by hand. */
const FACING_COUNT = 16;
const FACING_SPREAD = 0.25;
/** Metres, 1 sigma: an axis that its facing samples constrain less well is free. Chosen by hand. */
const FACING_SIGMA = 0.035;
/**
 * Multiplies the information of the few samples that face an axis: their errors are their own noise, and not an error of the map that many
 * samples share (`VARIANCE_INFLATION`). Chosen by hand.
 */
export const FEW_GAIN = 10;
/** Width in sigmas of the outlier gate of thin axes. Three is common practice. */
export const THIN_SIGMAS = 3;
/** Seconds after which the uncertainty has grown so much that rejected samples pass the gate. Chosen by hand. */
export const THIN_PATIENCE = 1;

/** Indices of a frame's axes that have one of these supports, ascending. */
export const axesWith = ({ support }: Directions, ...wanted: readonly Support[]): number[] =>
  [0, 1, 2].filter((k) => wanted.includes(support[k]!));

export const isOpen = ({ support }: Directions): boolean => support.some((s) => s !== "held");

export const isFree = ({ support }: Directions): boolean => support.includes("free");

/** Finds the directions that depth leaves free. It remembers those of the last frame, for hysteresis. */
export class FreeDirections {
  /** (9) sum of a a^T over the axes a that were free in the last frame. */
  readonly #freed = new Float64Array(9);

  /** Judges the axes of a registration. @param hasOdometry with odometry, noise cannot look like motion, so less strength is enough */
  judge(registration: FrameRegistration, hasOdometry: boolean): Directions {
    const { strength, shares } = registration.result;
    const directions: Directions = {
      axes: [axisOf(strength, 0), axisOf(strength, 1), axisOf(strength, 2)],
      support: ["held", "held", "held"],
      information: new Float64Array(3),
      rejectedSigma: new Float64Array(3),
    };
    for (let k = 0; k < 3; k++) {
      const axis = directions.axes[k]!;
      const bar = this.freedShare(axis) > WAS_FREE ? HELD_AGAIN * LEAST_STRENGTH : LEAST_STRENGTH;
      // A strength below the clear limit may come from noisy normals of a floor or wall, so samples must also face the axis.
      const isClear = shares[k]! >= (hasOdometry ? bar : CLEAR_STRENGTH * bar);
      const information = isClear ? strength.values[k]! : facingInformation(registration, axis);
      directions.information[k] = information;
      if (isClear) continue;
      directions.support[k] = VARIANCE_INFLATION / information > square(FACING_SIGMA) ? "free" : "thin";
    }
    return directions;
  }

  /** Squared cosine of an axis to the axes that were free in the last frame. */
  freedShare(axis: Vec3): number {
    return varianceAlong(this.#freed, axis);
  }

  /** Remembers the free axes for the next frame. */
  remember(directions: Directions): void {
    this.#freed.fill(0);
    for (const k of axesWith(directions, "free")) addOuter(this.#freed, directions.axes[k]!, 1);
  }
}

/** Information of the samples that face an axis; reduced when they are few or close together. */
function facingInformation(registration: FrameRegistration, axis: Vec3): number {
  const { count, spread, information } = registration.facing(axis);
  return (
    FEW_GAIN *
    information *
    square(Math.min(1, count / FACING_COUNT)) *
    square(Math.min(1, spread / FACING_SPREAD))
  );
}

/**
 * The outlier gate of thin axes: a few samples may lie on the wrong surface. Samples that contradict the predicted step are rejected, and
 * their axis becomes free. The uncertainty grows with each such frame, until the samples pass the gate.
 * @param off      metres: from the registered position to the predicted one
 * @param sigmaOf  metres, 1 sigma: uncertainty of the predicted position along an axis
 */
export function gateThin(
  directions: Directions,
  off: Vec3,
  sigmaOf: (axis: Vec3) => number,
  dt: number,
): void {
  for (const k of axesWith(directions, "thin")) {
    const axis = directions.axes[k]!;
    const metres = Math.abs(dot(axis, off));
    const variance = square(sigmaOf(axis)) + VARIANCE_INFLATION / directions.information[k]!;
    if (metres * metres <= square(THIN_SIGMAS) * variance) continue;
    directions.support[k] = "free";
    directions.rejectedSigma[k] = (metres * dt) / (THIN_SIGMAS * THIN_PATIENCE);
  }
}
