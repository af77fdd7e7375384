import type { CurvePoint } from "../wire/curve.ts";

/** The outputs of a head over a whole run, frame by frame. */
export type Curve = readonly CurvePoint[];

/** Two runs; of each frame of `now` the frame of `was` that belongs to it. */
export interface PairedRuns {
  readonly was: Curve;
  readonly now: Curve;
  /** Index in `was` for each frame of `now`; -1: none belongs to it. */
  readonly pairs: Int32Array;
}

/** Microseconds: frames of two runs that are paired by time are at most this far apart. Chosen by hand: 5 frames at 30 Hz. */
const SAME_TIME = 170_000;
/** Metres and radians: two frames at places this close are of the same place. Chosen by hand: about the width and the view of a small base. */
const SAME_PLACE = 0.4;
const SAME_HEADING = 0.5;

/** Pairs frames by the time from the start: of one recording these are the same frames. */
export function pairByTime(was: Curve, now: Curve): PairedRuns {
  const pairs = new Int32Array(now.length).fill(-1);
  let at = 0;
  for (let n = 0; n < now.length; n++) {
    const time = now[n]!.at;
    while (at + 1 < was.length && Math.abs(was[at + 1]!.at - time) <= Math.abs(was[at]!.at - time)) at++;
    if (was[at] !== undefined && Math.abs(was[at]!.at - time) <= SAME_TIME) pairs[n] = at;
  }
  return { was, now, pairs };
}

/** Metres and radians: a frame of `was` is left out when the base has moved less since the last one, because a long stand has thousands of them. */
const LEAST_STEP = 0.02;
const LEAST_TURN = 0.05;

/** Pairs each frame of `now` with the frame of `was` that is nearest to its place, with about the same heading. Both need the same world. */
export function pairByPlace(was: Curve, now: Curve): PairedRuns {
  const cellOf = (metres: number): number => Math.floor(metres / SAME_PLACE);
  const cells = new Map<string, number[]>();
  let last: CurvePoint["place"] = null;
  was.forEach(({ place }, n) => {
    if (place === null) return;
    const isMoved =
      last === null ||
      Math.hypot(place.x - last.x, place.y - last.y) >= LEAST_STEP ||
      Math.abs(turnBetween(last.heading, place.heading)) >= LEAST_TURN;
    if (!isMoved) return;
    last = place;
    const key = `${cellOf(place.x)},${cellOf(place.y)}`;
    const list = cells.get(key);
    if (list === undefined) cells.set(key, [n]);
    else list.push(n);
  });
  const pairs = new Int32Array(now.length).fill(-1);
  now.forEach(({ place }, n) => {
    if (place === null) return;
    let nearest = SAME_PLACE;
    for (let dx = -1; dx <= 1; dx++) {
      for (let dy = -1; dy <= 1; dy++) {
        for (const m of cells.get(`${cellOf(place.x) + dx},${cellOf(place.y) + dy}`) ?? []) {
          const other = was[m]!.place!;
          const distance = Math.hypot(other.x - place.x, other.y - place.y);
          if (distance >= nearest || Math.abs(turnBetween(other.heading, place.heading)) > SAME_HEADING)
            continue;
          nearest = distance;
          pairs[n] = m;
        }
      }
    }
  });
  return { was, now, pairs };
}

const turnBetween = (from: number, to: number): number =>
  Math.atan2(Math.sin(to - from), Math.cos(to - from));

/** Metres between two places; 0 if one is not known. */
export const apartOf = ({ place: a }: CurvePoint, { place: b }: CurvePoint): number =>
  a === null || b === null ? 0 : Math.hypot(a.x - b.x, a.y - b.y);

/** Largest distance between the places of the two runs, metres, and the time of `now`. */
export function farthestApart({ was, now, pairs }: PairedRuns): {
  readonly apart: number;
  readonly at: number;
} {
  let found = { apart: 0, at: 0 };
  now.forEach((point, n) => {
    const pair = pairs[n]!;
    if (pair < 0) return;
    const apart = apartOf(was[pair]!, point);
    if (apart > found.apart) found = { apart, at: point.at };
  });
  return found;
}
