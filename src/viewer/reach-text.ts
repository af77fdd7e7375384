import { END } from "../terms/safety.ts";
import type { FromServer } from "../wire/messages.ts";
import { dropText } from "./brinks.ts";
import { bearingText, metresText } from "./text.ts";

type Bearings = Pick<FromServer<"reach">, "first" | "step" | "distanceMm" | "what">;

/** What ends the free ground, in words. */
export const ENDS: Readonly<Record<number, string>> = {
  [END.open]: "free",
  [END.obstacle]: "obstacle",
  [END.overhang]: "overhang",
  [END.brink]: "drop",
  [END.doubtful]: "doubtful floor",
  [END.unseen]: "unseen floor",
  [END.unlooked]: "end of what was looked at",
  [END.late]: "sensor silent",
  [END.blind]: "sensor sees no floor",
  [END.frozen]: "sensor repeats old data",
  [END.unplaced]: "place of the base not known",
};

/** What ends the ground in one of the bearings, and how far it is. */
export function endText({ distanceMm, what }: Bearings, n: number): string {
  if (n < 0 || what.length === 0) return "nothing";
  return `${metresText(distanceMm[n]! / 1000)}, ${ENDS[what[n]!] ?? "unknown"}`;
}

/** A base that may go no faster counts as stopped, m/s. */
export const STOPPED = 0.03;

/**
 * What limits the pace forward, in words; empty while nothing does.
 * @param topSpeed that the settings allow, m/s
 * @param depth of the nearest drop ahead, metres; null when no bottom was seen; undefined when there is none
 */
export function whyText(
  { pace }: Pick<FromServer<"reach">, "pace">,
  topSpeed: number,
  depth?: number | null,
): string {
  if (pace === null || pace.limit === null || pace.forward >= topSpeed) return "";
  const { cause, distanceMm } = pace.limit;
  const room = metresText(distanceMm / 1000);
  const word = pace.forward < STOPPED ? "Stop" : `Up to ${pace.forward.toFixed(2)} m/s`;
  const deep = cause === END.brink && depth !== undefined ? `, ${dropText(depth)}` : "";
  return `${word}: ${ENDS[cause] ?? "unknown"} ${room} ahead${deep}`;
}

/** The nearest thing and its bearing. */
export function nearestText(reach: Bearings): string {
  const n = nearestOf(reach);
  return n < 0 ? "nothing" : `${endText(reach, n)}, ${bearingText(reach.first + n * reach.step)}`;
}

/** Index of the bearing nearest to straight ahead. */
export function aheadOf({ first, step, what }: Bearings): number {
  let best = 0;
  let least = Number.POSITIVE_INFINITY;
  for (let n = 0; n < what.length; n++) {
    const off = Math.abs(Math.atan2(Math.sin(first + n * step), Math.cos(first + n * step)));
    if (off < least) {
      least = off;
      best = n;
    }
  }
  return best;
}

/** Index of the nearest end that was seen, or -1: unseen floor is not counted. */
export function nearestOf({ what, distanceMm }: Bearings): number {
  let best = -1;
  for (let n = 0; n < what.length; n++) {
    if (what[n] === END.open || what[n] === END.unseen) continue;
    if (best < 0 || distanceMm[n]! < distanceMm[best]!) best = n;
  }
  return best;
}
