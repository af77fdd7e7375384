import { MOST_PRICE } from "../terms/ways.ts";
import { BucketQueue } from "./bucket-queue.ts";
import type { CircleCells } from "./circle-cells.ts";
import { type Bounds, NEVER, STEP_COST, STEPS, UNIT, UNIT_BITS } from "./goal-field.ts";
import { priceOf, type WayGround } from "./ground.ts";

/** Most cells that a search looks at: then a new field costs no more. Chosen by hand. */
const MOST_LOOKS = 6000;

export interface DetourWish {
  readonly ground: WayGround;
  /** Costs to the goal from before some ground closed: lower bounds of those now. */
  readonly field: Bounds;
  readonly start: number;
  readonly goal: number;
  /** That needs room in cells that are entered, prepared for the ground. */
  readonly circle: CircleCells;
}

/**
 * Search over cells from the start, guided by costs from before some ground closed. It looks at little more than what lies around the closed
 * ground. Source: Hart, Nilsson & Raphael 1968.
 */
export class Detour {
  readonly #queue = new BucketQueue(UNIT_BITS - 2, 12 * UNIT * MOST_PRICE);
  #cost = new Int32Array(0);
  #from = new Int32Array(0);
  /** Per cell: the search that reached it, so that nothing needs clearing. */
  #mark = new Int32Array(0);
  #search = 0;

  /** The cells from start to goal. @returns how many were written; 0 without a way, or when it gives up */
  find({ ground, field, start, goal, circle }: DetourWish, out: Int32Array, mostLooks = MOST_LOOKS): number {
    const { squared, footing, cols } = ground;
    if (!circle.isFree(squared, start)) return 0;
    if (this.#cost.length !== squared.length) {
      this.#cost = new Int32Array(squared.length);
      this.#from = new Int32Array(squared.length);
      this.#mark = new Int32Array(squared.length);
    }
    const search = ++this.#search;
    const queue = this.#queue;
    const offsets = STEPS.map(([c, r]) => r * cols + c);
    queue.restart(field.bound(start));
    this.#reach(start, -1, 0, search);
    queue.push(start, field.bound(start));
    for (let looks = 0; queue.size > 0 && looks < mostLooks; looks++) {
      const cell = queue.pop();
      if (cell === goal) return this.#trace(goal, out);
      const base = this.#cost[cell]!;
      for (let k = 0; k < 16; k++) {
        const next = cell + offsets[k]!;
        const total = base + Math.trunc(STEP_COST[k]! * priceOf(footing[next]!, ground));
        if (this.#mark[next] === search && this.#cost[next]! <= total) continue;
        if (!circle.isFree(squared, next)) continue;
        const isBetween =
          (k & 1) === 0 ||
          circle.isFree(squared, cell + offsets[k - 1]!) ||
          circle.isFree(squared, cell + offsets[(k + 1) & 15]!);
        const bound = field.bound(next);
        if (!isBetween || bound >= NEVER) continue;
        this.#reach(next, cell, total, search);
        queue.push(next, total + bound);
      }
    }
    return 0;
  }

  #reach(cell: number, from: number, cost: number, search: number): void {
    this.#cost[cell] = cost;
    this.#from[cell] = from;
    this.#mark[cell] = search;
  }

  #trace(goal: number, out: Int32Array): number {
    let count = 0;
    for (let cell = goal; cell >= 0; cell = this.#from[cell]!) out[count++] = cell;
    out.subarray(0, count).reverse();
    return count;
  }
}
