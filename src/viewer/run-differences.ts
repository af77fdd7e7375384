import { REACH_STATES } from "../terms/safety.ts";
import { type Held, heldBy, Slowing } from "../terms/slowing.ts";
import { ENDS, metresText } from "../terms/words.ts";
import type { CurvePoint } from "../wire/curve.ts";
import { apartOf, type Curve, type PairedRuns } from "./run-pairs.ts";

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
