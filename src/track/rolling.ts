import { expOf, lengthOf, square } from "../geometry/elementary.ts";
import type { Pose, Vec3 } from "../geometry/optics.ts";
import { angleBetween, conjugate, slerp, turn } from "../geometry/rigid.ts";
import { eigenSymmetric } from "../geometry/solve.ts";
import { dot, scaleAndAdd, subtract } from "../geometry/vec.ts";

/** Length of the pieces in which the motion is judged: metres, or radians. Well above the noise of a pose. */
const PIECE = 0.05;
const PIECE_TURN = 0.25;
/** Metres of motion before an axis is believed, and metres after which the weight of a piece has fallen to 1/e. Chosen by hand. */
const LEAST_WAY = 0.8;
const MEMORY = 5;
/** Largest rms share of sideways motion of a rolling base. Chosen by hand: a hand that swings by 4 cm shows more. */
const MOST_SIDEWAYS = 0.08;
/** 1 sigma: floor of the sideways share of the motion. Chosen by hand. */
const LEAST_SIDEWAYS = 0.015;
/** 1 sigma: sideways share of a base that is known to roll ahead and has not moved yet. Chosen by hand. */
const PRIOR_SIDEWAYS = 0.02;
/** Metres, 1 sigma: offset of the centre of turns from the base's origin: before any turn was measured, and its floor. Chosen by hand. */
const UNKNOWN_PIVOT = 0.03;
const LEAST_PIVOT = 0.005;

/**
 * Whether the base rolls along one axis of its own, and how exactly. A base on wheels moves along one axis and turns; a hand-held head moves
 * in any direction. The axis is estimated while depth holds the base in every direction. Where depth later leaves a direction free, the
 * motion of a rolling base is predicted along its axis.
 */
export class Rolling {
  /** Sum over the pieces of d d^T / |d|, in the base's axes, and of |d|; older pieces fade. */
  readonly #scatter = new Float64Array(9);
  #way = 0;
  /** Sums over turns: squares of the sideways motion in them, and squares of their angles; older turns fade. */
  #sidewaysSquares = 0;
  #turnSquares = 0;
  #from: Pose | null = null;
  #axis: Vec3 | null = null;
  #sideways = 1;
  readonly #values = new Float64Array(3);
  readonly #axes = new Float64Array(9);

  /** @param isAhead whether the base is known to roll along its x axis, until it shows otherwise */
  constructor(isAhead = false) {
    if (!isAhead) return;
    this.#way = LEAST_WAY;
    this.#scatter[0] = LEAST_WAY;
    this.#scatter[4] = this.#scatter[8] = (LEAST_WAY * square(PRIOR_SIDEWAYS)) / 2;
    this.#judge();
  }

  /** The axis, in the base's frame, that it rolls along; null when it does not roll, or the axis is not known yet. */
  get axis(): Vec3 | null {
    return this.#axis;
  }

  /** Metres, 1 sigma: sideways part of a step. @param way metres; @param angle radians */
  sidewaysOf(way: number, angle: number): number {
    const seen =
      this.#turnSquares > 0.25 ? Math.sqrt(this.#sidewaysSquares / this.#turnSquares) : UNKNOWN_PIVOT;
    return this.#sideways * Math.abs(way) + Math.max(LEAST_PIVOT, seen) * Math.abs(angle);
  }

  /** Adds the next pose of the base, which depth must hold in every direction. */
  add(base: Pose): void {
    if (this.#from === null) {
      this.#from = base;
      return;
    }
    const step = subtract(base.position, this.#from.position);
    const angle = angleBetween(this.#from.rotation, base.rotation);
    const way = lengthOf(step);
    if (way < PIECE && angle < PIECE_TURN) return;
    // The chord of an arc has the heading at half of its turn.
    const own = turn(conjugate(slerp(this.#from.rotation, base.rotation, 0.5)), step);
    this.#from = base;
    if (angle >= PIECE_TURN) this.#addTurn(own, angle);
    else this.#seePiece(own, way);
  }

  /** Ends the piece: the next pose is not continuous with the last one. */
  interrupt(): void {
    this.#from = null;
  }

  #addTurn(own: Vec3, angle: number): void {
    if (this.#axis === null) return;
    const across = scaleAndAdd(own, this.#axis, -dot(own, this.#axis));
    const kept = expOf(-angle / Math.PI);
    this.#sidewaysSquares = kept * this.#sidewaysSquares + dot(across, across);
    this.#turnSquares = kept * this.#turnSquares + angle * angle;
  }

  #seePiece(own: Vec3, way: number): void {
    const kept = expOf(-way / MEMORY);
    for (let i = 0; i < 3; i++) {
      for (let j = 0; j < 3; j++) {
        this.#scatter[3 * i + j] = kept * this.#scatter[3 * i + j]! + (own[i]! * own[j]!) / way;
      }
    }
    this.#way = kept * this.#way + way;
    this.#judge();
  }

  #judge(): void {
    eigenSymmetric(this.#values, this.#axes, this.#scatter, 3);
    const across = Math.sqrt(Math.max(0, this.#values[0]! + this.#values[1]!) / this.#way);
    this.#sideways = Math.max(LEAST_SIDEWAYS, 2 * across);
    const isRolling = this.#way >= 0.999 * LEAST_WAY && across <= MOST_SIDEWAYS;
    this.#axis = isRolling ? [this.#axes[6]!, this.#axes[7]!, this.#axes[8]!] : null;
  }
}
