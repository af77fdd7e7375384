import { FOOTING } from "../terms/safety.ts";
import type { NoWayReason } from "../terms/ways.ts";
import { BucketQueue } from "./bucket-queue.ts";
import type { WayGround } from "./ground.ts";
import type { Room } from "./room.ts";

/** Why there is no way, and where. */
export interface WhyNot {
  readonly why: NoWayReason;
  readonly x: number;
  readonly y: number;
  /** `FOOTING` there, where that is the reason. */
  readonly footing: number | null;
  /** Metres: the room or the width that there is, and that the body needs; null where neither is the reason. */
  readonly has: number | null;
  readonly needs: number | null;
}

/** Directions in which a gap is measured: every 11.25 degrees of half a turn. */
const CHORDS = 16;
/** Gaps are measured up to this, metres. */
const LONGEST_CHORD = 5;

/** Cost of entering a cell while looking for what cuts all ways: crossing more unseen floor is likelier than a wall. Chosen by hand. */
const CUT_COST: readonly number[] = [
  /* unseen */ 4, /* firm */ 0, /* gone */ 200, /* doubtful */ 4, /* blocked */ 400, /* kept out */ 300,
];

/** Finds the place that keeps a body from a goal, on the same ground. Not for every tick: it looks at the whole map. */
export class WhyNotFinder {
  readonly #room: Room;

  constructor(room: Room) {
    this.#room = room;
  }

  /** @param start, goal cells of the ground's window */
  explain(start: number, goal: number): WhyNot {
    const { ground } = this.#room;
    const { squared } = ground;
    if (squared[start] === 0) return this.#at("start", start);
    if (squared[goal] === 0) return this.#at("goal", goal);
    const tight = widestWay(ground, start, goal);
    return tight < 0 ? this.#cut(start, goal) : this.#gap(tight);
  }

  #at(why: "start" | "goal" | "cut", cell: number): WhyNot {
    const { ground } = this.#room;
    return {
      why,
      x: ground.xOf(cell),
      y: ground.yOf(cell),
      footing: ground.footing[cell]!,
      has: null,
      needs: null,
    };
  }

  /** The gap around the tightest cell of the widest way. */
  #gap(cell: number): WhyNot {
    const room = this.#room;
    const { ground, outline, margin } = room;
    const x = ground.xOf(cell);
    const y = ground.yOf(cell);
    let has = Number.POSITIVE_INFINITY;
    for (let k = 0; k < CHORDS; k++) {
      const yaw = (k * Math.PI) / CHORDS;
      const chord = room.ray(x, y, yaw, LONGEST_CHORD) + room.ray(x, y, yaw + Math.PI, LONGEST_CHORD);
      has = Math.min(has, chord);
    }
    const needs = outline.width + 2 * margin;
    if (has < needs) return { why: "gap", x, y, footing: null, has, needs };
    return { why: "turn", x, y, footing: null, has, needs: 2 * (outline.outer + margin) };
  }

  /** Where the way that crosses least ground that is not driven on enters the worst of it. */
  #cut(start: number, goal: number): WhyNot {
    const { ground } = this.#room;
    const { cols, rows, footing, squared } = ground;
    const cost = new Int32Array(cols * rows).fill(0x7fffffff);
    const from = new Int32Array(cols * rows).fill(-1);
    const queue = new BucketQueue(0, CUT_COST[FOOTING.blocked]! + 1);
    const offsets = [1, cols, -1, -cols];
    queue.restart(0);
    cost[start] = 0;
    queue.push(start, 0);
    while (queue.size > 0) {
      const cell = queue.pop();
      if (cell === goal) break;
      if (queue.bucket > cost[cell]!) continue;
      const col = cell % cols;
      if (col < 1 || col >= cols - 1 || cell < cols || cell >= cols * (rows - 1)) continue;
      for (const offset of offsets) {
        const next = cell + offset;
        const total = cost[cell]! + 1 + (squared[next] === 0 ? CUT_COST[footing[next]!]! : 0);
        if (total >= cost[next]!) continue;
        cost[next] = total;
        from[next] = cell;
        queue.push(next, total);
      }
    }
    let worst = goal;
    for (let cell = goal; cell >= 0; cell = from[cell]!) {
      // The last one found is the first on the way.
      if (squared[cell] === 0 && CUT_COST[footing[cell]!]! >= CUT_COST[footing[worst]!]!) worst = cell;
    }
    return this.#at("cut", worst);
  }
}

/** Largest key: that of a clearance of nothing. */
const WIDEST = 1023;
/** Wide cells come first: the key falls with the clearance, a unit for each quarter of a cell. */
const keyOf = (squared: number): number => WIDEST - Math.min(WIDEST, Math.round(4 * Math.sqrt(squared)));

/**
 * The tightest cell of the way between two cells whose tightest cell is widest; -1 without a way over ground that may be driven on.
 * Source: Pollack 1960, "The maximum capacity through a network", Operations Research 8:733-736.
 */
export function widestWay(ground: WayGround, start: number, goal: number): number {
  const { cols, squared } = ground;
  const offsets = [1, cols, -1, -cols, 1 + cols, cols - 1, 1 - cols, -1 - cols];
  const tightest = new Int32Array(squared.length).fill(-1);
  const queue = new BucketQueue(0, WIDEST);
  queue.restart(0);
  tightest[start] = start;
  queue.push(start, keyOf(squared[start]!));
  while (queue.size > 0) {
    const cell = queue.pop();
    const tight = tightest[cell]!;
    if (cell === goal) return tight;
    for (const offset of offsets) {
      const next = cell + offset;
      if (squared[next] === 0 || tightest[next] !== -1) continue;
      const isTighter = squared[next]! < squared[tight]!;
      tightest[next] = isTighter ? next : tight;
      queue.push(next, keyOf(Math.min(squared[next]!, squared[tight]!)));
    }
  }
  return -1;
}
