import type { Pace } from "../guard/pace-maker.ts";
import { CURVATURES } from "../terms/safety.ts";

/** The speeds that a pace permits, zero or more; the arcs are empty where the head gives none. */
export type Permit = Pick<Pace, "forward" | "backward" | "left" | "right" | "arcsForward" | "arcsBackward">;

/** The highest permitted speed, m/s, along an arc; between two curvatures that have a pace the slower one, beyond the sharpest none. */
export function permittedAlong(permit: Permit, curvature: number, isForward: boolean): number {
  const straight = isForward ? permit.forward : permit.backward;
  if (curvature === 0) return straight;
  const arcs = isForward ? permit.arcsForward : permit.arcsBackward;
  if (arcs.length !== CURVATURES.length) return 0;
  let least = Number.POSITIVE_INFINITY;
  for (let k = 0; k + 1 < CURVATURES.length; k++) {
    const low = CURVATURES[k]!;
    const high = CURVATURES[k + 1]!;
    if (curvature < low || curvature > high) continue;
    // The straight way has a pace of its own.
    const ofLow = low === 0 ? straight : arcs[k]!;
    const ofHigh = high === 0 ? straight : arcs[k + 1]!;
    if (curvature !== high) least = Math.min(least, ofLow);
    if (curvature !== low) least = Math.min(least, ofHigh);
  }
  return Number.isFinite(least) ? least : 0;
}
