import { FOOTING } from "../terms/safety.ts";
import type { SlowReason } from "../terms/ways.ts";
import { endOf, isSpot, lengthOf, type Piece, standAfter } from "./pieces.ts";
import type { Room } from "./room.ts";

/** Metres between two places at which a way is measured. */
const EVERY = 0.1;
/** Rooms and gaps are measured up to these, metres. Chosen by hand: wider ones limit no drive. */
export const ROOM_LIMIT = 0.3;
const GAP_LIMIT = 1;
/** With less room beside the outline, metres, the base slows down. Chosen by hand. */
const NARROW = 0.1;

/** A part of a way on which the base goes slowly, or stops to turn. */
export interface SlowPart {
  readonly why: SlowReason;
  /** Metres along the way. */
  readonly from: number;
  readonly to: number;
}

/** The narrowest place of a way. */
export interface Gap {
  readonly x: number;
  readonly y: number;
  /** Metres between what ends the ground on the left and on the right. */
  readonly width: number;
}

export interface Way {
  readonly pieces: readonly Piece[];
  /** Metres, and radians turned on the spot. */
  readonly length: number;
  readonly turning: number;
  /** Least distance between the outline and what ends the ground, metres, up to `ROOM_LIMIT`. */
  readonly room: number;
  /** Null where nothing stands within a metre on both sides. */
  readonly gap: Gap | null;
  readonly slow: readonly SlowPart[];
}

/** Measures a way along its pieces. */
export function measured(pieces: readonly Piece[], room: Room): Way {
  const { ground } = room;
  let least = ROOM_LIMIT;
  let gap: Gap | null = null;
  let turning = 0;
  const slow: SlowPart[] = [];
  const add = (why: SlowPart["why"], from: number, to: number): void => {
    const at = slow.findLastIndex((part) => part.why === why);
    if (at >= 0 && from <= slow[at]!.to + EVERY) slow[at] = { ...slow[at]!, to: Math.max(to, slow[at]!.to) };
    else slow.push({ why, from, to });
  };
  let along = 0;
  for (const piece of pieces) {
    const onSpot = isSpot(piece);
    const length = Math.abs(piece.length);
    if (onSpot) {
      turning += length;
      slow.push({ why: "turn", from: along, to: along });
    }
    const count = onSpot ? 4 : Math.max(1, Math.ceil(length / EVERY));
    for (let n = 0; n <= count; n++) {
      const at = n === count ? endOf(piece) : standAfter(piece, (piece.length * n) / count);
      const beside = room.roomAt(at, ROOM_LIMIT);
      least = Math.min(least, beside);
      if (onSpot) continue;
      const from = along + (length * n) / count;
      const to = along + (length * Math.min(count, n + 1)) / count;
      const width = beside < ROOM_LIMIT ? room.across(at, GAP_LIMIT) : Number.POSITIVE_INFINITY;
      if (width < (gap?.width ?? Number.POSITIVE_INFINITY)) gap = { x: at.x, y: at.y, width };
      if (beside < NARROW) add("narrow", from, to);
      const footing = ground.footing[ground.cellAt(at.x, at.y)];
      if (footing === FOOTING.unseen) add("unseen", from, to);
      if (footing === FOOTING.doubtful) add("doubtful", from, to);
    }
    if (!onSpot) along += length;
  }
  slow.sort((a, b) => a.from - b.from);
  return { pieces, length: lengthOf(pieces), turning, room: least, gap, slow };
}
