import { distanceToOutline, type Footprint, holds, parseFootprint } from "../../guard/body.ts";
import { parseAreas } from "../../guard/keep-out.ts";
import { parseSlowZones } from "../../guard/slow-zones.ts";
import type { Settings } from "../../head/settings.ts";
import { doOutlinesCross } from "../../terms/polygon.ts";

/**
 * The change of a setting that makes stops later or fewer: a larger value, a smaller one, an outline that no longer covers the old one, an area that
 * no new one covers, a slow zone that no new one covers with the same or a lower speed, or any change.
 */
type Looser = "larger" | "smaller" | "outline" | "areas" | "zones" | "any";

/** Settings that stops depend on. For a setting of the body or the guard that is not listed, any change may loosen a stop. */
const LOOSER: Readonly<Record<string, Looser | "never">> = {
  "body.height": "smaller",
  "body.groundClearance": "larger",
  "body.clearanceLimit": "never", // the range of reported distances
  "body.footprint": "outline",
  "body.wheelRadius": "larger",
  "body.climbableStep": "larger",
  "body.tolerableDrop": "larger",
  "body.deceleration": "larger",
  "body.reactionDelay": "smaller",
  "guard.keepOut": "areas",
  "guard.slowIn": "zones",
  "guard.margin": "smaller",
  "guard.maxReach": "larger",
  "guard.topSpeed": "larger",
  "guard.topTurn": "larger",
  "guard.maxBlind": "larger",
  "guard.memory": "larger",
  "guard.startTrust": "larger",
  "guard.knockRepeat": "larger",
  "guard.maxTrim": "larger",
  "guard.gate": "any",
  "guard.waiverLimit": "larger",
  "floor.band": "larger",
  "floor.slope": "larger",
};
const STOPS = /^(body|guard)\./;

/** Names of the changed settings that make stops later or fewer. */
export function looseningsOf(before: Settings, after: Settings): readonly (keyof Settings)[] {
  const names = Object.keys(after) as (keyof Settings)[];
  return names.filter((name) => before[name] !== after[name] && isLooser(name, before[name], after[name]));
}

function isLooser(name: string, before: number | string, after: number | string): boolean {
  const looser = LOOSER[name] ?? (STOPS.test(name) ? "any" : "never");
  switch (looser) {
    case "larger":
      return Number(after) > Number(before);
    case "smaller":
      return Number(after) < Number(before);
    case "outline":
      return !covers(parseFootprint(String(after)), parseFootprint(String(before)));
    case "areas": {
      const now = parseAreas(String(after)).map(({ outline }) => outline);
      return parseAreas(String(before)).some(({ outline }) => !isCovered(outline, now));
    }
    case "zones": {
      const now = parseSlowZones(String(after));
      return parseSlowZones(String(before)).some(({ outline, speed }) => {
        const asSlow = now.filter((zone) => zone.speed <= speed);
        return !isCovered(
          outline,
          asSlow.map((zone) => zone.outline),
        );
      });
    }
    case "any":
      return true;
    default:
      return false;
  }
}

/** Whether one of the new outlines covers an area as a whole. */
const isCovered = (area: Footprint, outlines: readonly Footprint[]): boolean =>
  outlines.some((outer) => String(outer) === String(area)) || outlines.some((outer) => encloses(outer, area));

/** Metres: spacing of the tested points of an outline, and the tolerance of the test. */
const STRIDE = 0.005;
const SLACK = 0.001;

/** Whether the whole of `inner` lies within `outer`. */
function covers(outer: Footprint, inner: Footprint): boolean {
  return inner.every(([x0, y0], n) => {
    const [x1, y1] = inner[(n + 1) % inner.length]!;
    const steps = Math.max(1, Math.ceil(Math.hypot(x1 - x0, y1 - y0) / STRIDE));
    for (let k = 0; k < steps; k++) {
      const [x, y] = [x0 + ((x1 - x0) * k) / steps, y0 + ((y1 - y0) * k) / steps];
      if (!holds(outer, x, y) && distanceToOutline(outer, x, y) > SLACK) return false;
    }
    return true;
  });
}

/**
 * Whether the whole of one area lies within another; no sides of either cross. Rounding errs towards "no". Where a part of `inner` is outside, a
 * corner of `inner` is outside, or two sides cross, or a side of `outer` runs through `inner`.
 */
function encloses(outer: Footprint, inner: Footprint): boolean {
  const distanceOutside = (polygon: Footprint, x: number, y: number): number =>
    (holds(polygon, x, y) ? -1 : 1) * distanceToOutline(polygon, x, y);
  const runsThrough = outer.some(([x0, y0], n) => {
    const [x1, y1] = outer[(n + 1) % outer.length]!;
    return [
      [x0, y0],
      [(x0 + x1) / 2, (y0 + y1) / 2],
    ].some(([x, y]) => distanceOutside(inner, x!, y!) < -SLACK);
  });
  return (
    !runsThrough &&
    inner.every(([x, y]) => distanceOutside(outer, x, y) <= SLACK) &&
    !doOutlinesCross(outer, inner)
  );
}
