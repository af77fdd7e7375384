import { atan2Of, hypot2 } from "../geometry/elementary.ts";
import { wrapAngle } from "../geometry/vec.ts";
import { endOf, type Piece, type Stand } from "./pieces.ts";
import type { Room } from "./room.ts";
import { roundCorners } from "./round-corners.ts";
import { canTurn, pullIn } from "./shorten.ts";

/** A straight leg. Headings are not wrapped: their difference is the turn on the spot between two legs, and its side. */
export interface Leg {
  readonly x: number;
  readonly y: number;
  readonly toX: number;
  readonly toY: number;
  /** Of the body, also when it drives backwards. */
  readonly heading: number;
  readonly isBackward: boolean;
}

/** Turns of more than this, radians, are not rounded: the body turns the longer way round, or about. */
const HALF_TURN = 0.95 * Math.PI;
/** Smaller turns, radians, are none. */
const NO_TURN = 1e-4;

/**
 * Replaces legs by fewer: from each point the farthest that is reached straight on, if the body can turn there to the leg that follows.
 * @param yaw heading at the start
 */
export function mergeLegs(room: Room, legs: readonly Leg[], yaw: number): Leg[] {
  const out: Leg[] = [];
  let heading = yaw;
  for (let i = 0; i < legs.length; ) {
    const { x, y } = legs[i]!;
    let merged: Leg | null = null;
    let next = i + 1;
    for (
      let step = room.ground.isPriced ? legs.length : 2;
      i + step <= legs.length;
      step = step < 4 ? step + 1 : Math.ceil(1.5 * step)
    ) {
      const k = i + step;
      if (legs[k - 1]!.isBackward || legs[k - 2]!.isBackward) break;
      const found = straightTo(room, { x, y, yaw: heading }, legs, k);
      if (found === null) continue;
      merged = found;
      next = k;
    }
    const leg = merged ?? { ...legs[i]!, heading: nearestTurn(heading, legs[i]!.heading) };
    // A merged leg before may have turned differently; the chain's own turn is free, the shorter one need not be.
    if (merged === null && !canTurn(room, x, y, heading, leg.heading)) {
      out.push({ ...legs[i]!, heading: heading + (legs[i]!.heading - (legs[i - 1]?.heading ?? yaw)) });
    } else out.push(leg);
    heading = out.at(-1)!.heading;
    i = next;
  }
  return out;
}

const nearestTurn = (from: number, to: number): number => from + wrapAngle(to - from);

/** One leg in place of those up to `k`, if it is free. */
function straightTo(room: Room, { x, y, yaw }: Stand, legs: readonly Leg[], k: number): Leg | null {
  const { toX, toY } = legs[k - 1]!;
  if (hypot2(toX - x, toY - y) < 1e-9) return null;
  const heading = nearestTurn(yaw, atan2Of(toY - y, toX - x));
  const after = legs[k];
  const isFree =
    room.isLineFree(x, y, toX, toY) &&
    canTurn(room, x, y, yaw, heading) &&
    (after === undefined || canTurn(room, toX, toY, heading, after.heading));
  return isFree ? { x, y, toX, toY, heading, isBackward: false } : null;
}

/**
 * The pieces of a way: legs driven forward one after another are pulled in and rounded, others stay as they are.
 * @param yaw  heading at the start
 * @param last heading at the goal; null where it is free to choose
 */
export function smoothLegs(room: Room, legs: readonly Leg[], yaw: number, last: number | null): Piece[] {
  const pieces: Piece[] = [];
  let heading = yaw;
  for (let i = 0; i < legs.length; ) {
    const first = legs[i]!;
    let end = i + 1;
    while (end < legs.length && isForwardRun(legs[end - 1]!, legs[end]!)) end++;
    const isLong = Math.abs(first.heading - heading) >= HALF_TURN;
    if (end === i + 1 || isLong) pieces.push(...turnOf({ ...first, yaw: heading }, first.heading));
    if (end === i + 1) pieces.push(...straightOf(first));
    else {
      const corners = legs.slice(i, end).flatMap(({ x, y }) => [x, y]);
      corners.push(legs[end - 1]!.toX, legs[end - 1]!.toY);
      const ends = { yaw: isLong ? first.heading : heading, last: legs[end]?.heading ?? last };
      pullIn(room, corners, ends);
      pieces.push(...roundCorners(room, corners, ends.yaw));
    }
    // The run's last leg may have turned a little.
    const before = legs[end - 1]!.heading;
    const newest = pieces.at(-1);
    heading = newest === undefined ? before : nearestTurn(before, endOf(newest).yaw);
    i = end;
  }
  return withLastTurn(pieces, legs, heading, last);
}

/** The pieces of a way, exactly along its legs. */
export function plainLegs(legs: readonly Leg[], yaw: number, last: number | null): Piece[] {
  const pieces: Piece[] = [];
  let heading = yaw;
  for (const leg of legs) {
    pieces.push(...turnOf({ ...leg, yaw: heading }, leg.heading), ...straightOf(leg));
    heading = leg.heading;
  }
  return withLastTurn(pieces, legs, heading, last);
}

const isForwardRun = (a: Leg, b: Leg): boolean =>
  !a.isBackward && !b.isBackward && Math.abs(b.heading - a.heading) < HALF_TURN;

function withLastTurn(pieces: Piece[], legs: readonly Leg[], yaw: number, last: number | null): Piece[] {
  const done = legs.at(-1);
  if (done !== undefined && last !== null)
    pieces.push(...turnOf({ x: done.toX, y: done.toY, yaw }, nearestTurn(yaw, last)));
  return pieces;
}

function straightOf({ x, y, toX, toY, heading, isBackward }: Leg): Piece[] {
  const length = hypot2(toX - x, toY - y);
  return length > 0 ? [{ x, y, yaw: heading, curvature: 0, length: isBackward ? -length : length }] : [];
}

function turnOf({ x, y, yaw }: Stand, to: number): Piece[] {
  const length = to - yaw;
  return Math.abs(length) < NO_TURN ? [] : [{ x, y, yaw, curvature: Number.POSITIVE_INFINITY, length }];
}
