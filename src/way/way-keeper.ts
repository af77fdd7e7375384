import { hypot2 } from "../geometry/elementary.ts";
import { wrapAngle } from "../geometry/vec.ts";
import { STEPS_LONGER } from "./goal-field.ts";
import {
  errorsAt,
  isSpot,
  lengthOf,
  OFF_HEADING,
  OFF_PLACE,
  type Piece,
  type Stand,
  standAfter,
} from "./pieces.ts";
import type { Room } from "./room.ts";
import { measured } from "./way.ts";
import type { Goal, WayAnswer, WayFinder } from "./way-finder.ts";

/** Largest ratio between the lengths of a kept or mended way and of the shortest one. */
export const MOST_LONGER = 1.05;
/** Metres of the way before and behind what blocks it that are searched again, besides the body: first, and if that fails. Chosen by hand. */
const AROUND = [0.3, 1.5];
/** Radians: the base may have turned farther than a turn on the spot begins or ends, by an overshoot. Chosen by hand. */
const OVERSHOOT = 0.3;
/** Metres that a base without a way moves before it is searched for again. Chosen by hand. */
const MOVED = 0.2;
/** Squares of 2^SQUARE_BITS by 2^SQUARE_BITS cells, in which opened cells are looked at together. */
const SQUARE_BITS = 3;

/** The piece of a way at a distance from its start, and how far along it, in its unit and without its sign. */
interface Spot {
  readonly piece: number;
  readonly along: number;
}

/**
 * Keeps a way to a goal while ground and base change. A way that is still free, and that no ground which has opened can make much shorter, is kept.
 * Where something blocks it, only the part around that is searched again; if the way gets much longer, all of it.
 */
export class WayKeeper {
  readonly #finder: WayFinder;
  readonly #room: Room;
  #answer: WayAnswer | null = null;
  #goal: Goal | null = null;
  #from: Stand = { x: 0, y: 0, yaw: 0 };
  /** Metres: the shortest way from `#from` is not shorter. */
  #least = 0;
  /** State of the ground when the answer was made or looked at again. */
  #opened = 0;
  #closed = 0;
  #moved = 0;
  /** The same when the way was searched for: costs to the goal are of that ground. */
  #openedBefore = 0;

  constructor(finder: WayFinder) {
    this.#finder = finder;
    this.#room = finder.room;
  }

  /**
   * The way to a goal. While the base follows it, it begins where the base was when it was found.
   * @returns the same object as before if nothing has changed
   */
  update(base: Stand, goal: Goal): WayAnswer {
    const { ground } = this.#room;
    const kept = this.#answer === null || !isSame(goal, this.#goal) ? null : this.#again(base, this.#answer);
    if (kept === null) {
      this.#answer = this.#finder.find(base, goal);
      this.#goal = goal;
      this.#from = base;
      this.#least = this.#answer.way?.length ?? 0;
      this.#openedBefore = ground.opened;
    } else this.#answer = kept;
    this.#opened = ground.opened;
    this.#closed = ground.closed;
    this.#moved = ground.moved;
    return this.#answer;
  }

  /** The answer, mended where ground has closed; null when a new search is needed. */
  #again(base: Stand, answer: WayAnswer): WayAnswer | null {
    const { ground } = this.#room;
    if (this.#moved !== ground.moved) return null;
    const isClosed = this.#closed !== ground.closed;
    const isOpened = this.#opened !== ground.opened;
    if (answer.way === null) {
      const hasMoved = hypot2(base.x - this.#from.x, base.y - this.#from.y) > MOVED;
      return isOpened || hasMoved ? null : answer;
    }
    const { pieces } = answer.way;
    const at = spotOf(pieces, base);
    if (at === null) return null;
    if (!isClosed && !isOpened) return answer;
    if (ground.isPriced) return null;
    const blocked = isClosed ? this.#blockedPart(pieces, at) : null;
    const left = lengthFrom(pieces, at);
    if (blocked === null) return this.#isStillShort(base, left) ? answer : null;
    const mended = this.#mended(pieces, at, blocked);
    if (mended === null) return null;
    const longer = lengthOf(mended) - answer.way.length;
    const isShort = lengthOf(mended) <= MOST_LONGER * this.#least && this.#isStillShort(base, left + longer);
    return isShort ? { way: measured(mended, this.#room), whyNot: null } : null;
  }

  /**
   * Whether no way through ground that has opened is much shorter. Such a way leads from the base to a cell near an opened one, no shorter than
   * straight, and from the last such cell to the goal over ground that was open before.
   */
  #isStillShort(base: Stand, length: number): boolean {
    const { ground } = this.#room;
    const cells = ground.openedSince(this.#openedBefore);
    if (cells === null) return false;
    const { cellSize } = ground;
    const reach = Math.ceil(this.#room.least / cellSize) + 2;
    const seen = new Set<number>();
    const side = 1 << SQUARE_BITS;
    for (const cell of cells) {
      const c = (cell % ground.cols) >> SQUARE_BITS;
      const r = Math.floor(cell / ground.cols) >> SQUARE_BITS;
      const key = r * ground.cols + c;
      if (seen.has(key)) continue;
      seen.add(key);
      const middle = (r * side + side / 2) * ground.cols + c * side + side / 2;
      const straight = hypot2(ground.xOf(middle) - base.x, ground.yOf(middle) - base.y);
      const most = straight - Math.SQRT2 * (side / 2 + reach + 1) * cellSize;
      const onwards = this.#finder.leastFrom(c * side - reach, r * side - reach, side + 2 * reach);
      if (MOST_LONGER * (Math.max(0, most) + onwards / STEPS_LONGER) < length) return false;
    }
    return true;
  }

  /** The first and the last place on the way, from the base's on, that have no room any more; null without one. */
  #blockedPart(pieces: readonly Piece[], at: Spot): readonly [Spot, Spot] | null {
    const isNear = this.#isNearClosed();
    let first: Spot | null = null;
    let last: Spot | null = null;
    for (let k = at.piece; k < pieces.length; k++) {
      const piece = pieces[k]!;
      if (!isNear(piece) || this.#room.isPieceFree(piece)) continue;
      const most = Math.abs(piece.length);
      const from = k === at.piece ? at.along : 0;
      const start = this.#freeUntil(piece, from, most);
      if (start >= most) continue;
      first ??= { piece: k, along: start };
      last = { piece: k, along: this.#freeUntil(piece, most, start) };
    }
    return first === null || last === null ? null : [first, last];
  }

  /** Whether a piece is near ground that has closed. */
  #isNearClosed(): (piece: Piece) => boolean {
    const { ground, ample } = this.#room;
    const cells = ground.closedSince(this.#closed);
    if (cells === null) return () => true;
    let [left, low, right, high] = [Infinity, Infinity, -Infinity, -Infinity];
    for (const cell of cells) {
      const [x, y] = [ground.xOf(cell), ground.yOf(cell)];
      [left, low] = [Math.min(left, x), Math.min(low, y)];
      [right, high] = [Math.max(right, x), Math.max(high, y)];
    }
    const reach = ample + ground.cellSize;
    return (piece) => {
      const end = standAfter(piece, piece.length);
      // An arc of less than half a turn lies within its length of its ends.
      const wide = reach + (piece.curvature === 0 || isSpot(piece) ? 0 : Math.abs(piece.length));
      return (
        Math.max(piece.x, end.x) + wide >= left &&
        Math.min(piece.x, end.x) - wide <= right &&
        Math.max(piece.y, end.y) + wide >= low &&
        Math.min(piece.y, end.y) - wide <= high
      );
    };
  }

  /** How far along a piece the body has room, going from one place to another; the other if everywhere. */
  #freeUntil(piece: Piece, from: number, to: number): number {
    const room = this.#room;
    const sign = piece.length < 0 ? -1 : 1;
    const step = isSpot(piece) ? room.step / room.outline.outer : room.step;
    const count = Math.max(1, Math.ceil(Math.abs(to - from) / step));
    for (let n = 0; n <= count; n++) {
      const along = from + ((to - from) * n) / count;
      if (!room.isFree(standAfter(piece, sign * along))) return along;
    }
    return to;
  }

  /** The way with its blocked part searched again; null if it is not found near by. */
  #mended(pieces: readonly Piece[], at: Spot, blocked: readonly [Spot, Spot]): Piece[] | null {
    for (const around of AROUND) {
      const found = this.#bridged(pieces, at, blocked, around + 2 * this.#room.outline.outer);
      if (found !== null) return found;
    }
    return null;
  }

  #bridged(
    pieces: readonly Piece[],
    at: Spot,
    [first, last]: readonly [Spot, Spot],
    around: number,
  ): Piece[] | null {
    const near = before(pieces, first, around, at);
    const far = after(pieces, last, around);
    const from = isStraight(pieces[near.piece]!)
      ? { piece: near.piece, along: near.piece === at.piece ? at.along : 0 }
      : near;
    const leg = pieces[far.piece]!;
    const to = isStraight(leg) ? { piece: far.piece, along: leg.length } : far;
    const stands = [from, near, far, to].map((spot) => standOf(pieces, spot));
    const [start, begin, end, target] = stands as [Stand, Stand, Stand, Stand];
    const isEnd = to.piece === pieces.length - 1 && this.#goal!.yaw === null;
    const bridge = this.#finder.bridge(
      { start, begin, end },
      { x: target.x, y: target.y, yaw: isEnd ? null : target.yaw },
    );
    if (bridge === null) return null;
    const parts = [...partUntil(pieces, from), ...bridge, ...partFrom(pieces, to)];
    const joined = joinTurns(parts);
    return joined.every((piece) => !isSpot(piece) || this.#room.isPieceFree(piece)) ? joined : parts;
  }
}

const isSame = (a: Goal, b: Goal | null): boolean =>
  b !== null && a.x === b.x && a.y === b.y && a.yaw === b.yaw;

const isStraight = ({ curvature, length }: Piece): boolean => curvature === 0 && length > 0;

const standOf = (pieces: readonly Piece[], { piece, along }: Spot): Stand => {
  const one = pieces[piece]!;
  return standAfter(one, one.length < 0 ? -along : along);
};

/** Where on its way a base is; null beside it. */
function spotOf(pieces: readonly Piece[], base: Stand): Spot | null {
  let best: Spot | null = null;
  let least = OFF_PLACE;
  for (let k = 0; k < pieces.length; k++) {
    const most = Math.abs(pieces[k]!.length);
    const { along, beside, heading } = errorsAt(pieces[k]!, base);
    const spare = isSpot(pieces[k]!) ? OVERSHOOT : OFF_PLACE;
    if (along < -spare || along > most + spare || Math.abs(heading) > OFF_HEADING) continue;
    if (Math.abs(beside) >= least) continue;
    least = Math.abs(beside);
    best = { piece: k, along: Math.min(most, Math.max(0, along)) };
  }
  return best;
}

/** Metres from a place of the way to its end. */
const lengthFrom = (pieces: readonly Piece[], at: Spot): number =>
  lengthOf(pieces.slice(at.piece)) - (isSpot(pieces[at.piece]!) ? 0 : at.along);

/** The place some metres before another one, not before `least`, and not inside an arc or a turn. */
function before(pieces: readonly Piece[], spot: Spot, metres: number, least: Spot): Spot {
  let left = metres;
  let along = spot.along;
  for (let k = spot.piece; ; k--) {
    const first = k === least.piece ? least.along : 0;
    if (isStraight(pieces[k]!) && along - left >= first) return { piece: k, along: along - left };
    if (!isSpot(pieces[k]!)) left = Math.max(0, left - (along - first));
    if (k === least.piece) return { piece: k, along: first };
    if (left === 0 && !isStraight(pieces[k]!)) return { piece: k, along: 0 };
    along = Math.abs(pieces[k - 1]!.length);
  }
}

/** The place some metres behind another one, or the end, and not inside an arc or a turn. */
function after(pieces: readonly Piece[], spot: Spot, metres: number): Spot {
  let left = metres;
  let along = spot.along;
  for (let k = spot.piece; ; k++) {
    const most = Math.abs(pieces[k]!.length);
    if (isStraight(pieces[k]!) && along + left <= most) return { piece: k, along: along + left };
    if (!isSpot(pieces[k]!)) left = Math.max(0, left - (most - along));
    if (k === pieces.length - 1 || (left === 0 && !isStraight(pieces[k]!))) return { piece: k, along: most };
    along = 0;
  }
}

function partUntil(pieces: readonly Piece[], { piece, along }: Spot): Piece[] {
  const cut = pieces[piece]!;
  const done = pieces.slice(0, piece);
  return along < 1e-9 ? done : [...done, { ...cut, length: cut.length < 0 ? -along : along }];
}

function partFrom(pieces: readonly Piece[], { piece, along }: Spot): Piece[] {
  const cut = pieces[piece]!;
  const rest = pieces.slice(piece + 1);
  const left = Math.abs(cut.length) - along;
  if (left < 1e-9) return rest;
  const sign = cut.length < 0 ? -1 : 1;
  return [{ ...cut, ...standAfter(cut, sign * along), length: sign * left }, ...rest];
}

/** Two turns on the spot that follow each other become one, the shorter way round. */
function joinTurns(pieces: readonly Piece[]): Piece[] {
  const out: Piece[] = [];
  for (const piece of pieces) {
    const last = out.at(-1);
    if (last === undefined || !isSpot(last) || !isSpot(piece)) out.push(piece);
    else out[out.length - 1] = { ...last, length: wrapAngle(last.length + piece.length) };
  }
  return out;
}
