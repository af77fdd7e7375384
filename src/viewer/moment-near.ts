import type { CurvePoint } from "../wire/curve.ts";

/** Metres: a place that is farther from the path was not passed. About half the width of a small base. */
const BESIDE = 0.25;

/** The time at which the base was nearest to a place, microseconds; null: it did not come as near as BESIDE. */
export function momentNear(curve: readonly CurvePoint[], [x, y]: readonly number[]): number | null {
  let nearest = BESIDE;
  let found: number | null = null;
  for (const { at, place } of curve) {
    if (place === null) continue;
    const distance = Math.hypot(place.x - x!, place.y - y!);
    if (distance >= nearest) continue;
    nearest = distance;
    found = at;
  }
  return found;
}
