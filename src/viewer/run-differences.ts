import { REACH_STATES } from "../terms/safety.ts";
import { type Held, heldBy, Slowing } from "../terms/slowing.ts";
import { ENDS, metresText } from "../terms/words.ts";
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
      Math.abs(turn(last.heading, place.heading)) >= LEAST_TURN;
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
          if (distance >= nearest || Math.abs(turn(other.heading, place.heading)) > SAME_HEADING) continue;
          nearest = distance;
          pairs[n] = m;
        }
      }
    }
  });
  return { was, now, pairs };
}

const turn = (from: number, to: number): number => Math.atan2(Math.sin(to - from), Math.cos(to - from));

/** m/s: paces that differ by less count as equal; a larger share of the top speed, if that is more. Chosen by hand. */
const LEAST_PACE = 0.05;
const LEAST_SHARE = 0.1;
/** Metres: poses that are closer count as equal: one voxel. */
const LEAST_MOVE = 0.05;
/** Microseconds: differences that are this close to each other are one stretch, and shorter ones are left out: paces flicker. */
const PAUSE = 400_000;
const SHORTEST = 100_000;
/** Longest list, so that a page can show it. */
const MOST = 200;

/** A stretch of a run in which the two differ, with the frame at which they differ most. */
export interface Difference {
  readonly kind: "pace" | "place";
  /** Microseconds from the start of `now`. */
  readonly from: number;
  readonly to: number;
  readonly worst: number;
  readonly text: string;
}

/**
 * Stretches in which pace or state differ, or places if both runs are of one recording, in order of time.
 * @param topSpeed m/s
 */
export function differencesOf(runs: PairedRuns, topSpeed: number, isOneRecording: boolean): Difference[] {
  const least = Math.max(LEAST_PACE, LEAST_SHARE * topSpeed);
  const paces = stretchesOf(runs, "pace", (was, now) => {
    const apart = Math.abs(now.pace - was.pace);
    const isHeldOtherwise = heldBy(was.pace, topSpeed) !== heldBy(now.pace, topSpeed);
    const isOther = was.state !== now.state || apart >= (isHeldOtherwise ? LEAST_PACE : least);
    return isOther ? Math.max(apart, Number.EPSILON) : 0;
  });
  const places = isOneRecording
    ? stretchesOf(runs, "place", (was, now) => {
        const apart = apartOf(was, now);
        return apart >= LEAST_MOVE ? apart : 0;
      })
    : [];
  return [...paces, ...places].sort((a, b) => a.from - b.from).slice(0, MOST);
}

/** Metres between two places; 0 if one is not known. */
export const apartOf = ({ place: a }: CurvePoint, { place: b }: CurvePoint): number =>
  a === null || b === null ? 0 : Math.hypot(a.x - b.x, a.y - b.y);

function stretchesOf(
  { was, now, pairs }: PairedRuns,
  kind: Difference["kind"],
  sizeOf: (was: CurvePoint, now: CurvePoint) => number,
): Difference[] {
  const found: Difference[] = [];
  let open: { from: number; to: number; worst: number; size: number } | null = null;
  const close = (): void => {
    if (open !== null && open.to - open.from >= SHORTEST) {
      const { from, to, worst } = open;
      const text = textOf(kind, was[pairs[worst]!]!, now[worst]!);
      found.push({ kind, from, to, worst: now[worst]!.at, text });
    }
    open = null;
  };
  for (let n = 0; n < now.length; n++) {
    const pair = pairs[n]!;
    const { at } = now[n]!;
    const size: number = pair < 0 ? 0 : sizeOf(was[pair]!, now[n]!);
    if (open !== null && at - open.to > PAUSE) close();
    if (size === 0) continue;
    open ??= { from: at, to: at, worst: n, size };
    open.to = at;
    if (size > open.size) [open.worst, open.size] = [n, size];
  }
  close();
  return found;
}

function textOf(kind: Difference["kind"], was: CurvePoint, now: CurvePoint): string {
  if (kind === "place") return `places ${metresText(apartOf(was, now))} apart`;
  return `${paceText(was)} → ${paceText(now)}`;
}

function paceText({ pace, cause, state }: CurvePoint): string {
  const sight = REACH_STATES[state] ?? "unknown";
  const why =
    sight !== "clear" ? ` (head: ${sight})` : cause === null ? "" : ` (${ENDS[cause] ?? "unknown"})`;
  return `${heldBy(pace, 0) === "stop" ? "stop" : `${pace.toFixed(2)} m/s`}${why}`;
}

/** Figures of a whole run. */
export interface RunFigures {
  readonly stops: number;
  readonly slowings: number;
  /** m/s. */
  readonly meanPace: number;
  /** Metres. */
  readonly length: number;
}

/** @param topSpeed m/s */
export function figuresOf(curve: Curve, topSpeed: number): RunFigures {
  const slowing = new Slowing();
  const count: Record<Exclude<Held, "free">, number> = { stop: 0, slow: 0 };
  let [sum, length] = [0, 0];
  let last: CurvePoint["place"] = null;
  for (const { at, pace, place } of curve) {
    const begun = slowing.begins(at, pace, topSpeed);
    if (begun !== null) count[begun]++;
    sum += pace;
    if (place !== null && last !== null) {
      const step = Math.hypot(place.x - last.x, place.y - last.y);
      // Steps below a centimetre are summed up only once they are one: a place that trembles is no way.
      if (step < 0.01) continue;
      length += step;
    }
    last = place ?? last;
  }
  return { stops: count.stop, slowings: count.slow, meanPace: sum / Math.max(1, curve.length), length };
}

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
