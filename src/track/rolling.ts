import { expOf, lengthOf, square } from "../geometry/elementary.ts";
import type { Pose, Vec3 } from "../geometry/optics.ts";
import { angleBetween, conjugate, slerp, turn } from "../geometry/rigid.ts";
import { eigenSymmetric } from "../geometry/solve.ts";
import { dot, scaleAndAdd, subtract } from "../geometry/vec.ts";

/** The motion is judged in pieces of so much way, metres, or after such a turn, radians: well above the noise of a pose. */
const PIECE = 0.05;
const PIECE_TURN = 0.25;
/** Metres of way before an axis is believed, and metres after which an old piece counts for 1/e. Chosen by hand. */
const LEAST_WAY = 0.8;
const MEMORY = 5;
/** A base whose way goes sideways by a larger share, rms, does not roll. Chosen by hand: a hand that swings by 4 cm shows more. */
const MOST_SIDEWAYS = 0.08;
/** 1 sigma: the least sideways share of the way that is reckoned with. Chosen by hand. */
const LEAST_SIDEWAYS = 0.015;
/** 1 sigma: the sideways share of a base that is known to roll ahead and has not moved yet. Chosen by hand. */
const PRIOR_SIDEWAYS = 0.02;
/** Metres, 1 sigma: how far off the base's origin its turns may be about: before any were seen, and at the least. Chosen by hand. */
const UNKNOWN_PIVOT = 0.03;
const LEAST_PIVOT = 0.005;

/**
 * Whether the base rolls along one axis of its own, and how exactly. A base on wheels goes along one axis and turns; a head in a hand
 * goes anywhere. The motion shows which while depth holds the base in every direction; where depth later leaves a direction free, a
 * rolling base is expected to roll on.
 */
export class Rolling {
  /** Sum over the pieces of d d^T / |d|, in the base's axes, and of |d|; the newest pieces count most. */
  readonly #scatter = new Float64Array(9);
  #way = 0;
  /** Sums over turns: squares of what went sideways in them, and squares of their angles; the newest turns count most. */
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

  /** The axis of the base that it rolls along; null when it does not, or has not shown it yet. */
  get axis(): Vec3 | null {
    return this.#axis;
  }

  /** Metres, 1 sigma: how far a step may have gone sideways. @param way metres; @param angle radians */
  sidewaysOf(way: number, angle: number): number {
    const seen =
      this.#turnSquares > 0.25 ? Math.sqrt(this.#sidewaysSquares / this.#turnSquares) : UNKNOWN_PIVOT;
    return this.#sideways * Math.abs(way) + Math.max(LEAST_PIVOT, seen) * Math.abs(angle);
  }

  /** Takes the next pose of the base; depth holds it in every direction. */
  see(base: Pose): void {
    if (this.#from === null) {
      this.#from = base;
      return;
    }
    const step = subtract(base.position, this.#from.position);
    const angle = angleBetween(this.#from.rotation, base.rotation);
    const way = lengthOf(step);
    if (way < PIECE && angle < PIECE_TURN) return;
    // The chord of an arc lies along the heading half way.
    const own = turn(conjugate(slerp(this.#from.rotation, base.rotation, 0.5)), step);
    this.#from = base;
    if (angle >= PIECE_TURN) this.#seeTurn(own, angle);
    else this.#seePiece(own, way);
  }

  /** The next pose does not follow on from the last one: no piece spans the two. */
  interrupt(): void {
    this.#from = null;
  }

  #seeTurn(own: Vec3, angle: number): void {
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
