import type { Pose, Vec3 } from "../geometry/optics.ts";
import { angleBetween, conjugate, slerp, turn } from "../geometry/rigid.ts";
import { eigenSymmetric, solveSymmetric } from "../geometry/solve.ts";
import { dot, scaleAndAdd, subtract } from "../geometry/vec.ts";

/** A piece of way is looked at after so much of it, metres, or after such a turn, radians. */
const PIECE = 0.05;
const PIECE_TURN = 0.25;
/** Metres of way that are needed, and over which old pieces are forgotten. */
const LEAST_WAY = 0.8;
const MEMORY = 5;
/** Share of the way that goes sideways, rms, above which a base is not one that rolls. */
const MOST_SIDEWAYS = 0.08;
/** 1 sigma: least doubt about going sideways, as a share of the way; and where it is known beforehand and not seen yet. */
const LEAST_SIDEWAYS = 0.015;
const PRIOR_SIDEWAYS = 0.02;
/** Metres: how far off the base's origin its turns may be about, 1 sigma: before any were seen, and at the least. */
const UNKNOWN_PIVOT = 0.03;
const LEAST_PIVOT = 0.005;

/**
 * How the base moves in its own axes. On wheels it goes along one axis and turns; a hand goes anywhere. Nothing need be set:
 * while depth holds the base in every direction its own motion shows it, and what it shows tells of directions that depth
 * leaves free later on.
 */
export class Rolling {
  /** Sum over the pieces of d d^T / |d|, in the base's axes, and of |d|; newest pieces count most. */
  readonly #scatter = new Float64Array(9);
  #way = 0;
  /** Sums over turns: of what went sideways in them, squared, and of their angles, squared. */
  #turnedOff = 0;
  #turned = 0;
  #from: Pose | null = null;
  #axis: Vec3 | null = null;
  #sideways = 1;
  readonly #values = new Float64Array(3);
  readonly #axes = new Float64Array(9);

  /** @param isAhead it is known beforehand that the base rolls along its first axis, until it shows otherwise */
  constructor(isAhead = false) {
    if (!isAhead) return;
    this.#way = LEAST_WAY;
    this.#scatter[0] = LEAST_WAY;
    this.#scatter[4] = this.#scatter[8] = (LEAST_WAY * PRIOR_SIDEWAYS ** 2) / 2;
    this.#judge();
  }

  /** The axis of the base that it moves along; null while none has shown itself. */
  get axis(): Vec3 | null {
    return this.#axis;
  }

  /** Metres, 1 sigma: how far a step of so many metres and radians may have gone sideways. */
  sidewaysOf(way: number, angle: number): number {
    const seen = this.#turned > 0.25 ? Math.sqrt(this.#turnedOff / this.#turned) : UNKNOWN_PIVOT;
    return this.#sideways * Math.abs(way) + Math.max(LEAST_PIVOT, seen) * Math.abs(angle);
  }

  /** The base is here, and depth holds it in every direction. */
  see(base: Pose): void {
    if (this.#from === null) {
      this.#from = base;
      return;
    }
    const step = subtract(base.position, this.#from.position);
    const angle = angleBetween(this.#from.rotation, base.rotation);
    const way = Math.hypot(...step);
    if (way < PIECE && angle < PIECE_TURN) return;
    // The chord of an arc lies along the heading half way.
    const own = turn(conjugate(slerp(this.#from.rotation, base.rotation, 0.5)), step);
    this.#from = base;
    if (angle >= PIECE_TURN) this.#seeTurn(own, angle);
    else this.#seePiece(own, way);
  }

  /** What comes next does not follow from what was seen last. */
  interrupt(): void {
    this.#from = null;
  }

  #seeTurn(own: Vec3, angle: number): void {
    if (this.#axis === null) return;
    const across = scaleAndAdd(own, this.#axis, -dot(own, this.#axis));
    const kept = Math.exp(-angle / Math.PI);
    this.#turnedOff = kept * this.#turnedOff + dot(across, across);
    this.#turned = kept * this.#turned + angle * angle;
  }

  #seePiece(own: Vec3, way: number): void {
    const kept = Math.exp(-way / MEMORY);
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

/** A step of which some parts were measured: what that says of the rest. */
export interface CompletedStep {
  readonly step: Vec3;
  /** (9) m^2: errors that come again from step to step and so add up, and (9) those that do not. */
  readonly steady: Float64Array;
  readonly white: Float64Array;
}

/**
 * The mean of a normal distribution given some of its parts, and its spread if the true one was another than that which
 * weighs the parts (Joseph's form).
 * @param mean     metres, the step as predicted
 * @param weighing (9) m^2, its spread as it weighs the parts
 * @param spread   (9) m^2, its spread as it is
 * @param axes     unit, square to each other, along which it was measured; at most two
 * @param measured metres along each
 * @param noise    metres, 1 sigma of a measured part
 */
export function completeStep(
  mean: Vec3,
  weighing: Float64Array,
  spread: Float64Array,
  axes: readonly Vec3[],
  measured: readonly number[],
  noise: number,
): CompletedStep {
  const n = axes.length;
  const inner = new Float64Array(n * n);
  axes.forEach((a, i) => {
    axes.forEach((b, j) => {
      inner[n * i + j] = dot(a, times(weighing, b)) + (i === j ? noise * noise : 0);
    });
  });
  // Rows of the gain, transposed: inner^-1 S W.
  const rows = axes.map((a) => times(weighing, a));
  const gain: Vec3[] = axes.map(() => [0, 0, 0]);
  const column = new Float64Array(n);
  for (let k = 0; k < 3 && n > 0; k++) {
    rows.forEach((row, i) => {
      column[i] = row[k]!;
    });
    if (!solveSymmetric(column, inner, column, n)) column.fill(0);
    gain.forEach((g, i) => {
      (g as [number, number, number])[k] = column[i]!;
    });
  }
  let step = mean;
  axes.forEach((a, i) => {
    step = scaleAndAdd(step, gain[i]!, measured[i]! - dot(a, mean));
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
  return { step, steady: sandwich(left, spread), white };
}

/** m v of a 3 x 3 matrix. */
export const times = (m: Float64Array, v: Vec3): Vec3 => [
  m[0]! * v[0] + m[1]! * v[1] + m[2]! * v[2],
  m[3]! * v[0] + m[4]! * v[1] + m[5]! * v[2],
  m[6]! * v[0] + m[7]! * v[1] + m[8]! * v[2],
];

/** a m a^T of 3 x 3 matrices. */
export function sandwich(a: Float64Array, m: Float64Array): Float64Array {
  const out = new Float64Array(9);
  for (let i = 0; i < 3; i++) {
    for (let j = 0; j < 3; j++) {
      for (let p = 0; p < 3; p++) {
        for (let q = 0; q < 3; q++) out[3 * i + j]! += a[3 * i + p]! * m[3 * p + q]! * a[3 * j + q]!;
      }
    }
  }
  return out;
}

/** (9) the spread of a step: so much along a unit axis, so much across it; metres, 1 sigma. */
export function spreadAlong(axis: Vec3, along: number, across: number): Float64Array {
  const out = new Float64Array(9);
  for (let i = 0; i < 3; i++) {
    for (let j = 0; j < 3; j++) {
      out[3 * i + j] =
        (along * along - across * across) * axis[i]! * axis[j]! + (i === j ? across * across : 0);
    }
  }
  return out;
}
