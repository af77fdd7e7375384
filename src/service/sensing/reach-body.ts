import type { GlanceOutput, ReachOutput } from "../../head/outputs.ts";
import { BEARINGS, END, END_NAMES } from "../../terms/safety.ts";
import type { Draft } from "../../wire/messages.ts";
import type { Bearings } from "./map-reach.ts";

// What the guard says, as it goes on the wire: lengths in whole millimetres, ages in milliseconds.

/** A reach without what only the service knows: which frame, and whether it is late by now. */
export type ReachBody = Omit<Draft<"reach">, "kind" | "time" | "frame">;

const LONGEST_AGE = 65535;
const millimetres = (metres: number): number => Math.max(0, Math.round(1000 * metres));

/** @param range metres looked at most */
export function reachOfMemory(output: ReachOutput, range: number): ReachBody {
  const { sight, distance, ends, ages, pace, waiver } = output;
  const { room, limit, ...speeds } = pace;
  return {
    state: sight,
    source: "memory",
    ...{ first: 0, step: (2 * Math.PI) / distance.length, range: millimetres(range) },
    distanceMm: distance.map(millimetres),
    what: ends,
    agesMs: ages.map((age) => Math.min(LONGEST_AGE, Math.round(1000 * age))),
    pace: { ...speeds, roomMm: millimetres(room), limit: END_NAMES.indexOf(limit) },
    waiver,
  };
}

const STEP = (2 * Math.PI) / BEARINGS;

/**
 * Reach of the frame alone, when nobody knows where the base is: along the bearings that the image covers; all others are
 * unseen from the start, and only straight ahead has a pace.
 */
export function reachOfFrame(output: GlanceOutput, range: number): ReachBody {
  const { x, y, ends, sight } = output;
  const distanceMm = new Array<number>(BEARINGS).fill(0);
  const what = new Array<number>(BEARINGS).fill(END.unseen);
  const isSet = new Uint8Array(BEARINGS);
  const put = (turns: number, distance: number, end: number): void => {
    const b = ((turns % BEARINGS) + BEARINGS) % BEARINGS;
    if (isSet[b] === 1 && distanceMm[b]! <= distance) return;
    isSet[b] = 1;
    distanceMm[b] = distance;
    what[b] = end;
  };
  let before: { turns: number; distance: number; end: number } | null = null;
  for (let s = 0; s < x.length; s++) {
    const turns = Math.round(Math.atan2(y[s]!, x[s]!) / STEP);
    const now = { turns, distance: millimetres(Math.hypot(x[s]!, y[s]!)), end: ends[s]! };
    put(turns, now.distance, now.end);
    // Bearings between two strips belong to the nearer end: nothing between them was looked at.
    if (before !== null && Math.abs(before.turns - turns) < BEARINGS / 8) {
      const nearer: { distance: number; end: number } = before.distance < now.distance ? before : now;
      const [low, high] = [Math.min(before.turns, turns), Math.max(before.turns, turns)];
      for (let b = low + 1; b < high; b++) put(b, nearer.distance, nearer.end);
    }
    before = now;
  }
  const pace = {
    ...{ forward: output.pace, backward: 0, left: 0, right: 0, arcsForward: [], arcsBackward: [] },
    ...{ roomMm: millimetres(output.room), limit: END.unseen },
  };
  return {
    ...{ state: sight, source: "frame", first: 0, step: STEP, range: millimetres(range) },
    ...{ distanceMm, what, agesMs: null, pace, waiver: null },
  };
}

/** Reach of obstacles and floor in the map, for heads whose sensors the guard cannot judge: planar lasers. */
export const reachOfObstacles = (bearings: Bearings): ReachBody => ({
  ...{ state: "clear", source: "map", ...bearings, agesMs: null, pace: null, waiver: null },
});
