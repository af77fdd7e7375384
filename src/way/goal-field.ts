import { MOST_PRICE } from "../terms/ways.ts";
import { BucketQueue } from "./bucket-queue.ts";
import type { CircleCells } from "./circle-cells.ts";
import { priceOf, type WayGround } from "./ground.ts";

/** Cost of one cell's side, straight over firm floor. A power of two: buckets are as wide as the shortest step. */
export const UNIT_BITS = 10;
export const UNIT = 1 << UNIT_BITS;
export const NEVER = 0x7fffffff;

/**
 * The sixteen steps: to the neighbours and a knight's move away, counter-clockwise from +x. The widest angle between two of them is 26.6 degrees.
 */
export const STEPS: readonly (readonly [col: number, row: number])[] = [
  [1, 0],
  [2, 1],
  [1, 1],
  [1, 2],
  [0, 1],
  [-1, 2],
  [-1, 1],
  [-2, 1],
  [-1, 0],
  [-2, -1],
  [-1, -1],
  [-1, -2],
  [0, -1],
  [1, -2],
  [1, -1],
  [2, -1],
];
/** The factor by which a way made of such steps is longer than a straight one, at most: 1 / cos(13.3 degrees), rounded up. */
export const STEPS_LONGER = 1.028;
/** Cost of each step, by its direction: the length in units. */
export const STEP_COST = Int32Array.from(STEPS, ([c, r]) => Math.round(UNIT * Math.sqrt(c * c + r * r)));

/** Cost of cells that are not entered: less than any, so that no step improves it. */
const CLOSED = -1;

/**
 * Cost from each cell to a goal, over cells with room for a circle. It grows only as far as it is asked.
 * Source: Dijkstra 1959, "A note on two problems in connexion with graphs", Numerische Mathematik 1:269-271.
 */
export class GoalField {
  readonly #queue = new BucketQueue(UNIT_BITS, 3 * UNIT * MOST_PRICE);
  /** Final up to the queue's present bucket, because no step costs less than a bucket spans. */
  #cost = new Int32Array(0);
  #ground: WayGround | null = null;
  readonly #offsets = new Int32Array(STEPS.length);

  /** Starts anew from a goal cell. @param circle that needs room in cells that are entered, prepared for the ground */
  start(ground: WayGround, goal: number, circle: CircleCells): void {
    const { squared } = ground;
    if (this.#cost.length !== squared.length) this.#cost = new Int32Array(squared.length);
    const cost = this.#cost;
    for (let n = 0; n < cost.length; n++) cost[n] = circle.isFree(squared, n) ? NEVER : CLOSED;
    STEPS.forEach(([c, r], k) => {
      this.#offsets[k] = r * ground.cols + c;
    });
    this.#ground = ground;
    this.#queue.restart(0);
    this.#cost[goal] = 0;
    this.#queue.push(goal, 0);
  }

  /** Cost from a cell to the goal; NEVER where no steps lead there. */
  at(cell: number): number {
    if (this.#cost[cell] === CLOSED) return NEVER;
    if (!this.#isFinal(cell)) this.#grow(cell);
    return this.#cost[cell]!;
  }

  /** A lower bound of the same, without growing the field. */
  bound(cell: number): number {
    const cost = this.#cost[cell]!;
    if (cost === CLOSED) return NEVER;
    return this.#isFinal(cell) ? cost : this.#queue.size > 0 ? this.#queue.bucket << UNIT_BITS : NEVER;
  }

  #isFinal(cell: number): boolean {
    return this.#cost[cell]! >> UNIT_BITS <= this.#queue.bucket;
  }

  #grow(target: number): void {
    const ground = this.#ground!;
    const { footing, isPriced } = ground;
    const queue = this.#queue;
    const cost = this.#cost;
    const offsets = this.#offsets;
    const steps = STEP_COST;
    while (queue.size > 0 && !this.#isFinal(target)) {
      const cell = queue.pop();
      const base = cost[cell]!;
      // A shorter way to it was found after it had joined the queue.
      if (base >> UNIT_BITS < queue.bucket) continue;
      const price = isPriced ? priceOf(footing[cell]!, ground) : 1;
      for (let k = 0; k < 16; k++) {
        const next = cell + offsets[k]!;
        const total = base + steps[k]! * price;
        if (cost[next]! <= total) continue;
        // A knight's move passes between two cells: one of them is enough, as the outline is tested later.
        if (
          (k & 1) === 1 &&
          cost[cell + offsets[k - 1]!] === CLOSED &&
          cost[cell + offsets[(k + 1) & 15]!] === CLOSED
        )
          continue;
        cost[next] = total;
        queue.push(next, total);
      }
    }
  }

  /** The cells from `from` to the goal, both included. @returns how many were written; 0 without a way */
  trace(from: number, out: Int32Array): number {
    if (this.at(from) === NEVER) return 0;
    const ground = this.#ground!;
    let cell = from;
    let count = 0;
    out[count++] = cell;
    while (this.#cost[cell]! > 0) {
      cell = this.#nextOf(cell, ground);
      out[count++] = cell;
    }
    return count;
  }

  #nextOf(cell: number, ground: WayGround): number {
    const cost = this.#cost;
    const offsets = this.#offsets;
    for (let k = 0; k < 16; k++) {
      const next = cell + offsets[k]!;
      const before = cost[next]!;
      if (before === CLOSED || before >= cost[cell]!) continue;
      if (Math.trunc(before + STEP_COST[k]! * priceOf(ground.footing[next]!, ground)) !== cost[cell])
        continue;
      if ((k & 1) === 0) return next;
      const one = cell + offsets[k - 1]!;
      const other = cell + offsets[(k + 1) & 15]!;
      if (cost[one] !== CLOSED || cost[other] !== CLOSED) return next;
    }
    throw new Error("a cell of the goal field has no next cell");
  }
}

/** A lower bound of the cost from each cell to a place. */
export interface Bounds {
  /** NEVER where nothing leads there. */
  bound(cell: number): number;
}

/**
 * Bounds of the cost to a cell that is not the field's goal: the difference of two costs to the goal, or the straight distance, whichever is more.
 * Beyond the cell only the straight distance grows.
 */
export class BoundsTo implements Bounds {
  readonly #field: GoalField;
  readonly #cols: number;
  readonly #col: number;
  readonly #row: number;
  readonly #rest: number;

  constructor(field: GoalField, { cols }: WayGround, cell: number) {
    this.#field = field;
    this.#cols = cols;
    this.#col = cell % cols;
    this.#row = Math.floor(cell / cols);
    this.#rest = field.bound(cell);
  }

  bound(cell: number): number {
    const cost = this.#field.bound(cell);
    if (cost >= NEVER) return NEVER;
    const c = (cell % this.#cols) - this.#col;
    const r = Math.floor(cell / this.#cols) - this.#row;
    return Math.max(cost - this.#rest, Math.floor(UNIT * Math.sqrt(c * c + r * r)));
  }
}
