import { atan2Of } from "../geometry/elementary.ts";
import { wrapAngle } from "../geometry/vec.ts";
import type { Room } from "./room.ts";

/** Corner points of a way, x and y in turn, metres in the world. */
export type Corners = readonly number[];

/** Whether the body turns at a place from one heading to another, the shorter way round. */
export function canTurn(room: Room, x: number, y: number, from: number, to: number): boolean {
  const length = wrapAngle(to - from);
  return room.isPieceFree({ x, y, yaw: from, curvature: Number.POSITIVE_INFINITY, length });
}

/**
 * Replaces a chain of points by fewer: from each point the farthest that the body reaches straight on, after a turn on the spot that is free.
 * @param chain x and y in turn; the first is where the base stands
 * @param yaw   heading at the start; null where it is free to choose
 * @returns null where a turn or a step of the chain is not free
 */
export function shorten(room: Room, chain: Float64Array, yaw: number | null): number[] | null {
  const count = chain.length / 2;
  const out = [chain[0]!, chain[1]!];
  let heading = yaw;
  for (let i = 0; i < count - 1; ) {
    const x = chain[2 * i]!;
    const y = chain[2 * i + 1]!;
    let price = 0;
    let priced = i;
    /** Price of the chain from i to k; k grows or the sum begins anew. */
    const chainPrice = (k: number): number => {
      if (k < priced) {
        price = 0;
        priced = i;
      }
      for (; priced < k; priced++) {
        const at = 2 * priced;
        price += room.priceOfLine(chain[at]!, chain[at + 1]!, chain[at + 2]!, chain[at + 3]!);
      }
      return price;
    };
    const reaches = (k: number): boolean => {
      const tx = chain[2 * k]!;
      const ty = chain[2 * k + 1]!;
      if (tx === x && ty === y) return true;
      if (!room.isLineFree(x, y, tx, ty)) return false;
      if (room.ground.isPriced && room.priceOfLine(x, y, tx, ty) > chainPrice(k) + room.step) return false;
      return heading === null || canTurn(room, x, y, heading, atan2Of(ty - y, tx - x));
    };
    const far = farthest(i, count - 1, reaches);
    if (far === i) return null;
    const tx = chain[2 * far]!;
    const ty = chain[2 * far + 1]!;
    if (tx !== x || ty !== y) {
      heading = atan2Of(ty - y, tx - x);
      out.push(tx, ty);
    }
    i = far;
  }
  return out;
}

/** The farthest of i + 1 ... last that is reached; `i` if none. Looks at twice the distance each time, then halves the interval. */
function farthest(i: number, last: number, reaches: (k: number) => boolean): number {
  let good = i;
  let bad = last + 1;
  for (let step = 1; good < last; step *= 2) {
    const k = Math.min(last, i + step);
    if (!reaches(k)) {
      bad = k;
      break;
    }
    good = k;
  }
  while (bad - good > 1) {
    const middle = (good + bad) >> 1;
    if (reaches(middle)) good = middle;
    else bad = middle;
  }
  if (good > i) return good;
  // A point farther on may be reached although the next one is not: a knight's move may pass a cell without room.
  for (let k = i + 2; k <= Math.min(last, i + 4); k++) if (reaches(k)) return k;
  return i;
}

/** Halvings of a side when a corner is pulled in: to a sixteenth of it. Chosen by hand. */
const HALVINGS = 4;

/**
 * Pulls corners in, as a string would: each corner moves along its side towards the one before, then towards the one after, as far as
 * legs and turns stay free. The way only becomes shorter.
 */
export function pullIn(room: Room, corners: number[], ends: Ends): void {
  // A shorter way may lead over dearer floor.
  if (room.ground.isPriced) return;
  const last = corners.length / 2 - 1;
  for (let k = 1; k < last; k++) pullTo(room, corners, { k, to: k - 1, from: k + 1, ends });
  for (let k = last - 1; k > 0; k--) pullTo(room, corners, { k, to: k + 1, from: k - 1, ends });
}

/** Headings before the first leg and after the last; null where they are free to choose. */
export interface Ends {
  readonly yaw: number | null;
  readonly last: number | null;
}

interface Pull {
  /** The corner that moves, the neighbour that it moves to, and the other one. */
  readonly k: number;
  readonly to: number;
  readonly from: number;
  readonly ends: Ends;
}

function pullTo(room: Room, corners: number[], { k, to, from, ends }: Pull): void {
  const bx = corners[2 * k]!;
  const by = corners[2 * k + 1]!;
  const tx = corners[2 * to]!;
  const ty = corners[2 * to + 1]!;
  let low = 0;
  let high = 1;
  for (let n = 0; n < HALVINGS; n++) {
    const share = (low + high) / 2;
    corners[2 * k] = bx + share * (tx - bx);
    corners[2 * k + 1] = by + share * (ty - by);
    const [a, b] = from < k ? [from, k] : [k, from];
    const isFree =
      room.isLineFree(corners[2 * a]!, corners[2 * a + 1]!, corners[2 * b]!, corners[2 * b + 1]!) &&
      canTurnAt(room, corners, k, ends) &&
      canTurnAt(room, corners, from, ends);
    if (isFree) low = share;
    else high = share;
  }
  corners[2 * k] = bx + low * (tx - bx);
  corners[2 * k + 1] = by + low * (ty - by);
}

/** Heading of the leg from corner k to the next. */
export const legHeading = (corners: Corners, k: number): number =>
  atan2Of(corners[2 * k + 3]! - corners[2 * k + 1]!, corners[2 * k + 2]! - corners[2 * k]!);

function canTurnAt(room: Room, corners: Corners, k: number, { yaw, last }: Ends): boolean {
  const isLast = k === corners.length / 2 - 1;
  const before = k === 0 ? yaw : legHeading(corners, k - 1);
  const after = isLast ? last : legHeading(corners, k);
  return (
    before === null || after === null || canTurn(room, corners[2 * k]!, corners[2 * k + 1]!, before, after)
  );
}
