import { cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import { wrapAngle } from "../geometry/vec.ts";
import { FOOTING } from "../terms/safety.ts";
import { IN_VAIN, MOST_RIMS } from "../terms/ways.ts";
import { CircleCells } from "./circle-cells.ts";
import { GoalField, NEVER, UNIT } from "./goal-field.ts";
import type { WayGround } from "./ground.ts";
import type { Stand } from "./pieces.ts";
import type { Room } from "./room.ts";
import { type WhyNot, WhyNotFinder } from "./why-not.ts";

const UNSEEN: number = FOOTING.unseen;
const DOUBTFUL: number = FOOTING.doubtful;
const FIRM: number = FOOTING.firm;
const BLOCKED: number = FOOTING.blocked;
const GONE: number = FOOTING.gone;

/** Directions of the rays that are cast at a place. Chosen by hand, like the numbers below. */
const RAYS = 48;
/** Metres between the places that are tried, and most of them: on large floors they lie farther apart. */
const SPACING = 0.2;
const MOST_PLACES = 3000;
/** Metres from the floor point: nearer floor is hidden from the lens by the body. */
const NEAREST = 0.45;
/** Square metres: a look that shows less is not worth it. */
const LEAST_GAIN = 0.06;
/** Metres of way that a look itself costs, and a radian of turning on the spot. */
const LOOK_COST = 0.7;
const TURN_COST = 0.15;
/** Metres: shorter rims of unseen floor are not listed. */
const SHORTEST_RIM = 0.3;

/** How the head sees the floor. */
export interface Sight {
  /** Metres from the floor point up to which floor is seen well. */
  readonly reach: number;
  /** Radians: angle of view. */
  readonly width: number;
}

/** A place from which the base would see floor that it has not seen. */
export interface Look extends Stand {
  /** Square metres of unseen floor in view that the body could reach. */
  readonly gain: number;
  /** Metres to go there, over cells. */
  readonly way: number;
  /** The middle of that floor. */
  readonly at: readonly [x: number, y: number];
}

/** A rim of the known floor behind which nothing was seen, and why the body cannot go there. */
export interface Rim {
  readonly x: number;
  readonly y: number;
  /** Metres along it. */
  readonly length: number;
  /** Why the body cannot go there even if the floor is firm; null where looks were in vain. */
  readonly whyNot: WhyNot | null;
}

export interface LookAnswer {
  /** Null when everything that can be reached was seen. */
  readonly next: Look | null;
  /** Square metres of unseen floor that the body could reach if it is firm. */
  readonly unseen: number;
  /** What remains unseen, the longest first; empty while there is a next look. */
  readonly left: readonly Rim[];
}

/**
 * Finds where to look next, so that the map grows to all floor that a body can reach. Floor counts as reachable if the body could stand on it,
 * were all unseen and doubtful floor firm. Among places that it reaches over firm floor the best look shows most of that floor for its way.
 * Source: Yamauchi 1997, "A frontier-based approach for autonomous exploration"; Gonzalez-Banos & Latombe 2002, "Navigation strategies for
 * exploring indoor environments", for weighing what is seen by the way.
 */
export class LookFinder {
  readonly #firm: Room;
  readonly #open: Room;
  readonly #field = new GoalField();
  /** By the open ground's cells: unseen floor that is wanted, and where the body could stand. */
  #wanted = new Uint8Array(0);
  #stands = new Uint8Array(0);
  /** Cells in which the body can turn on the spot. */
  #turning = new CircleCells(0);

  /**
   * @param firm room for the body over firm ground alone
   * @param open the same where unseen and doubtful ground may be entered
   */
  constructor(firm: Room, open: Room) {
    this.#firm = firm;
    this.#open = open;
  }

  /** @param inVain places whose unseen floor was looked at without seeing it */
  find(from: Stand, sight: Sight, inVain: readonly (readonly [number, number])[]): LookAnswer {
    const firm = this.#firm.ground;
    const circle = new CircleCells(this.#firm.least / firm.cellSize);
    circle.use(firm);
    const start = nearestFree(firm, circle, from);
    if (start < 0) return { next: null, unseen: 0, left: [] };
    this.#field.start(firm, start, circle);
    this.#turning = new CircleCells(this.#open.ample / this.#open.ground.cellSize);
    this.#turning.use(this.#open.ground);
    const unseen = this.#markWanted(from, inVain);
    const next = unseen === 0 ? null : this.#best(from, sight);
    return { next, unseen, left: next === null ? this.#rims(start) : [] };
  }

  /** Marks the unseen and doubtful floor under a body that spreads over these and firm ground. @returns square metres */
  #markWanted(from: Stand, inVain: readonly (readonly [number, number])[]): number {
    const { ground, outline } = this.#open;
    const { cols, footing, squared, cellSize } = ground;
    const circle = new CircleCells(this.#open.least / cellSize);
    circle.use(ground);
    const stands = new Uint8Array(footing.length);
    this.#stands = stands;
    if (this.#wanted.length !== footing.length) this.#wanted = new Uint8Array(footing.length);
    const wanted = this.#wanted;
    wanted.fill(0);
    const first = nearestFree(ground, circle, from);
    if (first < 0) return 0;
    const queue = [first];
    stands[first] = 1;
    const steps = [1, -1, cols, -cols];
    for (let n = 0; n < queue.length; n++) {
      for (const step of steps) {
        const next = queue[n]! + step;
        if (stands[next] === 1 || !circle.isFree(squared, next)) continue;
        stands[next] = 1;
        queue.push(next);
      }
    }
    const under = discOf(outline.inner / cellSize, cols);
    let count = 0;
    for (const cell of queue) {
      for (const offset of under) {
        const near = cell + offset;
        const what = footing[near];
        if ((what !== UNSEEN && what !== DOUBTFUL) || wanted[near] === 1) continue;
        const isInVain = inVain.some(
          ([x, y]) => hypot2(ground.xOf(near) - x, ground.yOf(near) - y) < IN_VAIN,
        );
        if (isInVain) continue;
        wanted[near] = 1;
        count++;
      }
    }
    return count * cellSize * cellSize;
  }

  #best(from: Stand, sight: Sight): Look | null {
    const { ground } = this.#firm;
    const { cols, rows, cellSize } = ground;
    let stride = Math.max(1, Math.round(SPACING / cellSize));
    while ((cols / stride) * (rows / stride) > MOST_PLACES) stride++;
    let best: Look | null = null;
    let most = 0;
    const own = this.#lookFrom(from.x, from.y, from, 0, sight);
    if (own !== null) [best, most] = [own, worthOf(own, from)];
    for (let r = stride >> 1; r < rows; r += stride) {
      for (let c = stride >> 1; c < cols; c += stride) {
        const cell = r * cols + c;
        const cost = this.#field.at(cell);
        if (cost >= NEVER) continue;
        const way = (cost / UNIT) * cellSize;
        const look = this.#lookFrom(ground.xOf(cell), ground.yOf(cell), from, way, sight);
        if (look === null) continue;
        const worth = worthOf(look, from);
        if (worth > most) [best, most] = [look, worth];
      }
    }
    return best;
  }

  /** The best heading at a place; null when no heading shows enough. */
  #lookFrom(x: number, y: number, from: Stand, way: number, { reach, width }: Sight): Look | null {
    const { ground } = this.#open;
    const { cellSize, footing } = ground;
    // The base turns there.
    if (!this.#turning.isFree(ground.squared, ground.cellAt(x, y))) return null;
    const wanted = this.#wanted;
    const angle = (2 * Math.PI) / RAYS;
    for (let k = 0; k < RAYS; k++) {
      const [dx, dy] = [cosOf(k * angle), sinOf(k * angle)];
      gain[k] = sumX[k] = sumY[k] = 0;
      for (let r = cellSize; r <= reach; r += cellSize) {
        const cell = ground.cellAt(x + r * dx, y + r * dy);
        if (cell < 0 || footing[cell] === BLOCKED || footing[cell] === GONE) break;
        if (r < NEAREST || wanted[cell] === 0) continue;
        const area = r * angle * cellSize;
        gain[k]! += area;
        sumX[k]! += area * (x + r * dx);
        sumY[k]! += area * (y + r * dy);
      }
    }
    const half = Math.max(1, Math.floor(width / angle / 2));
    let most = 0;
    let at = -1;
    let turned = 0;
    for (let k = 0; k < RAYS; k++) {
      let sum = 0;
      for (let n = -half; n <= half; n++) sum += gain[(k + n + RAYS) % RAYS]!;
      const turn = Math.abs(wrapAngle(k * angle - from.yaw));
      // Of headings that show the same, the one with the smallest turn.
      if (sum < most - 1e-9 || (sum < most + 1e-9 && at >= 0 && turn >= turned)) continue;
      [most, at, turned] = [sum, k, turn];
    }
    if (most < LEAST_GAIN) return null;
    let [mx, my] = [0, 0];
    for (let n = -half; n <= half; n++) {
      mx += sumX[(at + n + RAYS) % RAYS]!;
      my += sumY[(at + n + RAYS) % RAYS]!;
    }
    return { x, y, yaw: wrapAngle(at * angle), gain: most, way, at: [mx / most, my / most] };
  }

  /** Rims of firm floor that meet unseen floor, next to each other joined, with the reason why they remain. */
  #rims(start: number): Rim[] {
    const { ground } = this.#firm;
    const { cols, rows, footing, cellSize } = ground;
    const isRim = (cell: number): boolean =>
      footing[cell] === UNSEEN &&
      (footing[cell + 1] === FIRM ||
        footing[cell - 1] === FIRM ||
        footing[cell + cols] === FIRM ||
        footing[cell - cols] === FIRM);
    const known = new Uint8Array(footing.length);
    const rims: { readonly cells: readonly number[] }[] = [];
    for (let cell = cols + 1; cell < cols * (rows - 1) - 1; cell++) {
      if (known[cell] === 1 || !isRim(cell)) continue;
      const cells = [cell];
      known[cell] = 1;
      for (let n = 0; n < cells.length; n++) {
        for (let dr = -cols; dr <= cols; dr += cols) {
          for (let dc = -1; dc <= 1; dc++) {
            const next = cells[n]! + dr + dc;
            if (next < cols || next >= cols * (rows - 1) || known[next] === 1 || !isRim(next)) continue;
            known[next] = 1;
            cells.push(next);
          }
        }
      }
      if (cells.length * cellSize >= SHORTEST_RIM) rims.push({ cells });
    }
    rims.sort((a, b) => b.cells.length - a.cells.length);
    const open = this.#open.ground;
    const why = new WhyNotFinder(this.#open);
    const from = open.cellAt(ground.xOf(start), ground.yOf(start));
    return rims.slice(0, MOST_RIMS).map(({ cells }) => {
      const middle = cells[cells.length >> 1]!;
      const [x, y] = [ground.xOf(middle), ground.yOf(middle)];
      const goal = open.cellAt(x, y);
      const isInReach = goal < 0 || this.#stands[goal] === 1;
      const whyNot = isInReach || from < 0 ? null : why.explain(from, goal);
      return { x, y, length: cells.length * cellSize, whyNot };
    });
  }
}

/** Square metres of each ray, and their middles times these. */
const gain = new Float64Array(RAYS);
const sumX = new Float64Array(RAYS);
const sumY = new Float64Array(RAYS);

const worthOf = ({ gain: shown, way, yaw }: Look, from: Stand): number =>
  shown / (LOOK_COST + way + TURN_COST * Math.abs(wrapAngle(yaw - from.yaw)));

/** Offsets of the cells within a radius, in cells. */
function discOf(radius: number, cols: number): number[] {
  const reach = Math.floor(radius);
  const offsets: number[] = [];
  for (let r = -reach; r <= reach; r++) {
    for (let c = -reach; c <= reach; c++) if (c * c + r * r <= radius * radius) offsets.push(r * cols + c);
  }
  return offsets;
}

/** The cell of a place, or the nearest one within three cells that has room; -1 without one. */
function nearestFree(
  ground: WayGround,
  circle: CircleCells,
  { x, y }: { readonly x: number; readonly y: number },
): number {
  const own = ground.cellAt(x, y);
  if (own < 0) return -1;
  let best = -1;
  let least = Number.POSITIVE_INFINITY;
  for (let r = -3; r <= 3; r++) {
    for (let c = -3; c <= 3; c++) {
      const cell = own + r * ground.cols + c;
      const far = c * c + r * r;
      if (far < least && circle.isFree(ground.squared, cell)) [least, best] = [far, cell];
    }
  }
  return best;
}
