import type { Draft } from "../../src/wire/messages.ts";

/**
 * A reach that shows nothing but permits motion, for what reads only its pace.
 * @param time  microseconds: of the reach
 * @param until microseconds: end of its validity
 */
export const clearReach = (
  time: number,
  until: number,
  pace: NonNullable<Draft<"reach">["pace"]>,
): Draft<"reach"> => ({
  kind: "reach",
  time,
  until,
  frame: 1,
  state: "clear",
  source: "memory",
  first: 0,
  step: 1,
  range: 5000,
  distanceMm: [],
  what: [],
  agesMs: null,
  viewMs: null,
  waiver: null,
  pace,
});
