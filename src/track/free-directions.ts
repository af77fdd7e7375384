import { square } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import { addOuter, varianceAlong } from "../geometry/symmetric3.ts";
import { dot } from "../geometry/vec.ts";
import { VARIANCE_INFLATION } from "./matches.ts";
import { axisOf } from "./normal-equations.ts";
import type { FrameRegistration } from "./registration.ts";

/**
 * How well depth holds the place along an axis:
 * - "held": in itself;
 * - "thin": by a few samples that face it only;
 * - "free": not at all.
 */
export type Support = "held" | "thin" | "free";

/** How depth holds the place along the three axes of a frame's geometry. Outlier gates lower the support of axes afterwards. */
export interface Directions {
  readonly axes: readonly [Vec3, Vec3, Vec3];
  readonly support: [Support, Support, Support];
  /** (3) 1/m^2: information of the geometry along each axis. */
  readonly information: Float64Array;
  /** (3) metres, 1 sigma: doubt along an axis because of samples that were not believed. */
  readonly refuted: Float64Array;
}

/** Share of the weight, less what noise feigns, below which a direction is not held. It is under 0.00002 for a bare wall, floor and corridor. */
export const LEAST_STRENGTH = 0.0002;
/** A direction is held, whatever its samples face, when its share exceeds CLEAR_STRENGTH x LEAST_STRENGTH. Chosen by hand. */
const CLEAR_STRENGTH = 20;
/** A direction that was free in the last frame must exceed this multiple of its limit to be held again. Chosen by hand. */
const HELD_AGAIN = 2;
/** Squared cosine to the free axes of the last frame from which on an axis counts as one of them: 45 degrees. */
const WAS_FREE = 0.5;
/** Fewest samples that must face an axis, and their least rms spread, metres, to count in full. Chosen by hand. */
const FACING_COUNT = 16;
const FACING_SPREAD = 0.25;
/** Metres, 1 sigma: an axis that facing samples hold less well is free. Chosen by hand. */
const FACING_SIGMA = 0.035;
/**
 * The information of the samples that face an axis is multiplied by this: errors of few samples are their own noise, rather than one flaw
 * of the map that many share (`VARIANCE_INFLATION`). Chosen by hand.
 */
export const FEW_GAIN = 10;
/** Sigmas beyond which a thin axis is not believed: three, as usual for an outlier gate. */
export const THIN_SIGMAS = 3;
/** Seconds after which the doubt about the place has grown so much that samples which were not believed pass the gate. Chosen by hand. */
export const THIN_PATIENCE = 1;

/** Axes of a frame with one of these supports, by number, ascending. */
export const axesWith = ({ support }: Directions, ...wanted: readonly Support[]): number[] =>
  [0, 1, 2].filter((k) => wanted.includes(support[k]!));

export const isOpen = ({ support }: Directions): boolean => support.some((s) => s !== "held");

export const isFree = ({ support }: Directions): boolean => support.includes("free");

/** Finds the directions that depth leaves free; remembers those of the last frame. */
export class FreeDirections {
  /** (9) sum of a a^T over the axes a that were free in the last frame. */
  readonly #freed = new Float64Array(9);

  /** Judges the axes of a registration. @param hasOdometry with odometry noise cannot feign motion, so little strength is enough */
  judge(registration: FrameRegistration, hasOdometry: boolean): Directions {
    const { strength, shares } = registration.result;
    const directions: Directions = {
      axes: [axisOf(strength, 0), axisOf(strength, 1), axisOf(strength, 2)],
      support: ["held", "held", "held"],
      information: new Float64Array(3),
      refuted: new Float64Array(3),
    };
    for (let k = 0; k < 3; k++) {
      const axis = directions.axes[k]!;
      const bar = this.freedShare(axis) > WAS_FREE ? HELD_AGAIN * LEAST_STRENGTH : LEAST_STRENGTH;
      // Less than a clear hold may be feigned by the normals of a floor or wall, so samples must face the axis.
      const isClear = shares[k]! >= (hasOdometry ? bar : CLEAR_STRENGTH * bar);
      const information = isClear ? strength.values[k]! : facingInformation(registration, axis);
      directions.information[k] = information;
      if (isClear) continue;
      directions.support[k] = VARIANCE_INFLATION / information > square(FACING_SIGMA) ? "free" : "thin";
    }
    return directions;
  }

  /** How far an axis lies along those that were free in the last frame: squared cosine. */
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
 * The outlier gate of thin axes: few samples may lie on the wrong surface. Where the base cannot be by its predicted step they are not
 * believed and the axis becomes free. The place gets less sure with each such frame, until they pass the gate.
 * @param off      metres: from the registered place to the predicted one
 * @param sigmaOf  metres, 1 sigma: how sure the predicted place is along an axis
 */
export function doubtThin(
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
    directions.refuted[k] = (metres * dt) / (THIN_SIGMAS * THIN_PATIENCE);
  }
}
