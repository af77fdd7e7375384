import { MOST_PRICE } from "../terms/ways.ts";
import { BucketQueue } from "./bucket-queue.ts";
import { type Bounds, NEVER, UNIT, UNIT_BITS } from "./goal-field.ts";
import { priceOf, type WayGround } from "./ground.ts";
import type { Move } from "./moves.ts";

const HEADING_BITS = 4;
const NO_MOVE = -1;
const EMPTY = -1;
/** Most states that one search looks at: over drawn floors of 1,000 m2, searches that found a way looked at up to 54,000. */
const MOST_LOOKS = 80_000;

/**
 * The bound counts by 1 / 2^GREED more, so that fewer states are looked at, and a way may be longer than the shortest by that share
 * (Pohl 1970, "Heuristic search viewed as path finding in a graph", Artificial Intelligence 1:193-204). Smoothing shortens it again.
 */
const GREED = 5;

/** A state that was looked at is looked at again only for a way shorter by this: half a cell. Chosen by hand. */
const AGAIN = UNIT / 2;

/** A state in which a search may begin. */
export interface Seed {
  readonly cell: number;
  readonly heading: number;
  readonly cost: number;
}

export interface LatticeSearch {
  readonly ground: WayGround;
  /** Costs to the goal over cells: a lower bound for any body on them. */
  readonly field: Bounds;
  /** Least squared clearance, in cells, with which every move is free. */
  readonly ample: number;
  readonly seeds: readonly Seed[];
  readonly isGoal: (cell: number, heading: number) => boolean;
  /** Whether the body may turn on the spot in a cell, if not everywhere that it has room. */
  readonly mayTurn?: ((cell: number) => boolean) | null;
}

/** The moves of a way, and the seed where it begins. */
export interface LatticeWay {
  readonly seed: number;
  readonly moves: readonly Move[];
}

/**
 * Search over states, each a cell and one of sixteen headings, by moves of a body. States are made when they are reached.
 * Sources: Hart, Nilsson & Raphael 1968, "A formal basis for the heuristic determination of minimum cost paths", IEEE Transactions on
 * Systems Science and Cybernetics 4:100-107. Queue of buckets: a way may be longer than the shortest by a bucket's span, a quarter of a cell.
 */
export class Lattice {
  readonly #moves: readonly Move[];
  /** Per heading: numbers of its moves. */
  readonly #byHeading: readonly Int32Array[];
  /** Per move: offsets of its swept cells in the window, for this width of the window. */
  #swept: Int32Array[] = [];
  #cols = 0;
  readonly #queue = new BucketQueue(UNIT_BITS - 2, 12 * UNIT * MOST_PRICE);
  // States in a table with open addressing: key, cost so far, the move that led here, and the state before.
  #capacity = 1 << 12;
  #count = 0;
  #keys = new Int32Array(1 << 12).fill(EMPTY);
  #cost = new Int32Array(1 << 12);
  #move = new Int32Array(1 << 12);
  #before = new Int32Array(1 << 12);
  #isDone = new Uint8Array(1 << 12);

  constructor(moves: readonly Move[]) {
    this.#moves = moves;
    this.#byHeading = Array.from({ length: 1 << HEADING_BITS }, (_, heading) =>
      Int32Array.from(moves.flatMap(({ from }, n) => (from === heading ? [n] : []))),
    );
  }

  /**
   * @param mostLooks states to look at before it gives up
   * @returns null without a way, or when it gives up
   */
  find(search: LatticeSearch, mostLooks = MOST_LOOKS): LatticeWay | null {
    const { ground, seeds, isGoal, field } = search;
    this.#prepare(ground.cols);
    const queue = this.#queue;
    let first = NEVER;
    for (const { cell, cost } of seeds) {
      const bound = field.bound(cell);
      if (bound < NEVER) first = Math.min(first, cost + bound + (bound >> GREED));
    }
    if (first >= NEVER) return null;
    queue.restart(first);
    seeds.forEach(({ cell, heading, cost }, n) => {
      const bound = field.bound(cell);
      if (bound < NEVER)
        this.#reach((cell << HEADING_BITS) | heading, cost, bound, { move: NO_MOVE, before: n });
    });
    for (let looks = 0; queue.size > 0 && looks < mostLooks; ) {
      const key = queue.pop();
      const slot = this.#slotOf(key);
      if (this.#isDone[slot] === 1) continue;
      looks++;
      this.#isDone[slot] = 1;
      if (isGoal(key >> HEADING_BITS, key & 15)) return this.#trace(key);
      this.#expand(key, this.#cost[slot]!, search);
    }
    return null;
  }

  #prepare(cols: number): void {
    this.#keys.fill(EMPTY);
    this.#count = 0;
    if (cols === this.#cols) return;
    this.#cols = cols;
    this.#swept = this.#moves.map(({ swept }) => {
      const out = new Int32Array(swept.length / 2);
      for (let n = 0; n < out.length; n++) out[n] = swept[2 * n + 1]! * cols + swept[2 * n]!;
      return out;
    });
  }

  #expand(key: number, cost: number, { ground, field, ample, mayTurn = null }: LatticeSearch): void {
    const cell = key >> HEADING_BITS;
    const { squared, footing } = ground;
    const list = this.#byHeading[key & 15]!;
    const isAmple = squared[cell]! >= ample;
    for (let n = 0; n < list.length; n++) {
      const number = list[n]!;
      const { col, row, to, cost: step } = this.#moves[number]!;
      const next = cell + row * ground.cols + col;
      const bound = field.bound(next);
      if (bound >= NEVER) continue;
      if (mayTurn !== null && next === cell && !mayTurn(cell)) continue;
      if (!(isAmple && squared[next]! >= ample) && !this.#isFree(number, cell, squared)) continue;
      const total = cost + Math.trunc(step * priceOf(footing[next]!, ground));
      this.#reach((next << HEADING_BITS) | to, total, bound, { move: number, before: key });
    }
  }

  #isFree(move: number, cell: number, squared: Uint16Array): boolean {
    const swept = this.#swept[move]!;
    for (let n = 0; n < swept.length; n++) if (squared[cell + swept[n]!] === 0) return false;
    return true;
  }

  #reach(key: number, cost: number, bound: number, { move, before }: { move: number; before: number }): void {
    let slot = this.#slotOf(key);
    if (this.#keys[slot] === EMPTY) {
      if (2 * ++this.#count > this.#capacity) {
        this.#grow();
        slot = this.#slotOf(key);
      }
      this.#keys[slot] = key;
    } else if (cost + (this.#isDone[slot] === 1 ? AGAIN : 0) >= this.#cost[slot]!) return;
    this.#cost[slot] = cost;
    this.#move[slot] = move;
    this.#before[slot] = before;
    this.#isDone[slot] = 0;
    this.#queue.push(key, cost + bound + (bound >> GREED));
  }

  /** The slot of a key, or the empty one where it belongs. Source of the multiplier: Knuth, TAOCP 3, 6.4. */
  #slotOf(key: number): number {
    const mask = this.#capacity - 1;
    let slot = Math.imul(key, 0x9e3779b1) >>> Math.clz32(mask);
    while (this.#keys[slot] !== EMPTY && this.#keys[slot] !== key) slot = (slot + 1) & mask;
    return slot;
  }

  #grow(): void {
    const { length } = this.#keys;
    const [keys, cost, move, before, isDone] = [
      this.#keys,
      this.#cost,
      this.#move,
      this.#before,
      this.#isDone,
    ];
    this.#capacity = 2 * length;
    this.#keys = new Int32Array(2 * length).fill(EMPTY);
    this.#cost = new Int32Array(2 * length);
    this.#move = new Int32Array(2 * length);
    this.#before = new Int32Array(2 * length);
    this.#isDone = new Uint8Array(2 * length);
    for (let n = 0; n < length; n++) {
      if (keys[n] === EMPTY) continue;
      const slot = this.#slotOf(keys[n]!);
      this.#keys[slot] = keys[n]!;
      this.#cost[slot] = cost[n]!;
      this.#move[slot] = move[n]!;
      this.#before[slot] = before[n]!;
      this.#isDone[slot] = isDone[n]!;
    }
  }

  #trace(goal: number): LatticeWay {
    const moves: Move[] = [];
    for (let key = goal; ; ) {
      const slot = this.#slotOf(key);
      const move = this.#move[slot]!;
      if (move === NO_MOVE) return { seed: this.#before[slot]!, moves: moves.reverse() };
      moves.push(this.#moves[move]!);
      key = this.#before[slot]!;
    }
  }
}
