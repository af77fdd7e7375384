import type { PaceLimit } from "../../guard/guard.ts";
import type { ReachOutput } from "../../head/outputs.ts";
import type { Draft } from "../../wire/messages.ts";
import type { Bearings } from "./map-reach.ts";

// The guard's answer in its wire format: lengths in whole millimetres, ages in milliseconds.

/** A reach without the fields that only the service knows: frame number, expiry, and lateness. */
export type ReachBody = Omit<Draft<"reach">, "kind" | "time" | "until" | "frame">;
type Limit = NonNullable<NonNullable<ReachBody["pace"]>["limit"]>;

const LONGEST_AGE = 65535;
const millimetres = (metres: number): number => Math.max(0, Math.round(1000 * metres));
/** Whole milliseconds, capped to the wire's range; also for Infinity. */
const milliseconds = (seconds: number): number =>
  Math.max(0, Math.min(LONGEST_AGE, Math.round(1000 * seconds)));

const limitOf = ({ cause, bearing, distance, outline, age, area }: PaceLimit): Limit => ({
  cause,
  bearing,
  distanceMm: millimetres(distance),
  outline: [outline[0], outline[1]],
  ageMs: Number.isFinite(age) ? Math.max(0, Math.round(1000 * age)) : null,
  ...(area !== null && { area }),
});

/** @param range metres: range of the guard */
export function reachBody(output: ReachOutput, range: number): ReachBody {
  const { sight, source, distance, ends, ages, viewAges, pace, waiver } = output;
  const { room, limit, ...speeds } = pace;
  return {
    state: sight,
    source,
    first: 0,
    step: (2 * Math.PI) / distance.length,
    range: millimetres(range),
    distanceMm: distance.map(millimetres),
    what: ends,
    agesMs: ages.map(milliseconds),
    viewMs: viewAges.map(milliseconds),
    pace: { ...speeds, roomMm: millimetres(room), limit: limit === null ? null : limitOf(limit) },
    waiver,
  };
}

/** Reach of obstacles and floor in the map, for heads whose sensors the guard cannot judge: planar lasers. */
export const reachOfObstacles = (bearings: Bearings): ReachBody => ({
  state: "clear",
  source: "map",
  ...bearings,
  agesMs: null,
  viewMs: null,
  pace: null,
  waiver: null,
});
