import type { Pose } from "../../geometry/optics.ts";
import { toYawPitchRoll } from "../../geometry/rigid.ts";
import { COLUMN, type LayersView } from "../../map/layers.ts";
import { END } from "../../terms/safety.ts";

export interface ReachPlan {
  /** Number of bearings around the base. */
  readonly bearings: number;
  /** Metres from the base's floor point at which the search starts: everything nearer is under the robot. */
  readonly from: number;
  /** Metres: range of the search. */
  readonly range: number;
}

export const REACH_PLAN: ReachPlan = { bearings: 72, from: 0.25, range: 4 };

/** Distances by bearing in their wire format: whole millimetres, and the kind of end. */
export interface Bearings {
  readonly first: number;
  readonly step: number;
  readonly range: number;
  readonly distanceMm: number[];
  readonly what: number[];
}

/**
 * Reach by the map's layers alone: along each bearing to the first column that is blocked, or whose floor was never seen. It is used only
 * where the guard cannot judge frames.
 */
export function reachOfMap(
  layers: LayersView,
  columnSize: number,
  worldFromBase: Pose,
  { bearings, from, range }: ReachPlan = REACH_PLAN,
): Bearings {
  const [yaw] = toYawPitchRoll(worldFromBase.rotation);
  const [x, y] = worldFromBase.position;
  const step = (2 * Math.PI) / bearings;
  const stride = columnSize / 2;
  const distanceMm: number[] = [];
  const what: number[] = [];
  for (let b = 0; b < bearings; b++) {
    const angle = yaw - Math.PI + b * step;
    const dx = Math.cos(angle);
    const dy = Math.sin(angle);
    let end: number = END.open;
    let distance = from;
    for (; distance < range; distance += stride) {
      const i = Math.floor((x + dx * distance) / columnSize);
      const j = Math.floor((y + dy * distance) / columnSize);
      end = endOf(layers.kindAt(i, j));
      if (end !== END.open) break;
    }
    distanceMm.push(Math.round(1000 * Math.min(distance, range)));
    what.push(end);
  }
  return { first: -Math.PI, step, range: Math.round(1000 * range), distanceMm, what };
}

function endOf(kind: number): number {
  switch (kind) {
    case COLUMN.blocked:
      return END.obstacle;
    case COLUMN.clear:
    case COLUMN.overhang: // above the body's height
      return END.open;
    default: // free space without known floor
      return END.unseen;
  }
}
