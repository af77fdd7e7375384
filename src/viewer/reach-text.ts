import { END } from "../terms/safety.ts";
import { heldBy } from "../terms/slowing.ts";
import { ENDS, limitText } from "../terms/words.ts";
import type { FromServer } from "../wire/messages.ts";
import { dropText } from "./brinks.ts";
import { bearingText, metresText } from "./text.ts";

type Bearings = Pick<FromServer<"reach">, "first" | "step" | "distanceMm" | "what">;

/** The end of the free ground at a bearing, and its distance, in words. */
export function endText({ distanceMm, what }: Bearings, n: number): string {
  if (n < 0 || what.length === 0) return "nothing";
  return `${metresText(distanceMm[n]! / 1000)}, ${ENDS[what[n]!] ?? "unknown"}`;
}

/** The part of a reach with the pace. */
type Paced = Pick<FromServer<"reach">, "pace">;

/** The pace in a word: full speed, limited, slow, or stopped; null without a pace. */
export function paceWord({ pace }: Paced, topSpeed: number): "full" | "limited" | "slow" | "stop" | null {
  if (pace === null) return null;
  const held = heldBy(pace.forward, topSpeed);
  if (held !== "free") return held;
  return pace.limit === null || pace.forward >= topSpeed ? "full" : "limited";
}

/**
 * The cause that limits the pace forward, in words; empty without a pace.
 * @param topSpeed top speed in the settings, m/s
 * @param depth depth of the nearest drop ahead, metres; null when no bottom was seen; undefined without a drop
 */
export function whyText(reach: Paced, topSpeed: number, depth?: number | null): string {
  const word = paceWord(reach, topSpeed);
  if (reach.pace === null || word === null) return "";
  const { forward, limit, isWayOut } = reach.pace;
  const speed = `${forward.toFixed(2)} m/s`;
  if (word === "full" || limit === null) return word === "stop" ? "Stop" : `Full speed, ${speed}`;
  const { cause, ageMs } = limit;
  const deep = cause === END.brink && depth !== undefined ? `, ${dropText(depth)}` : "";
  // In tenths of a second: it is the age when the reach was sent, and does not count up.
  const seen = ageMs === null ? "" : `, seen ${(Math.max(100, ageMs) / 1000).toFixed(1)} s ago`;
  const out = isWayOut ? "; shut in: back or turn at a crawl" : "";
  return `${word === "stop" ? "Stop" : `Up to ${speed}`}: ${limitText(limit)}${deep}${seen}${out}`;
}

/** The nearest end and its bearing, in words. */
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

/** Index of the nearest end except unseen floor, or -1. */
export function nearestOf({ what, distanceMm }: Bearings): number {
  let best = -1;
  for (let n = 0; n < what.length; n++) {
    if (what[n] === END.open || what[n] === END.unseen) continue;
    if (best < 0 || distanceMm[n]! < distanceMm[best]!) best = n;
  }
  return best;
}
