import type { Pose } from "../../geometry/optics.ts";
import { toYawPitchRoll } from "../../geometry/rigid.ts";
import { COLUMN, type LayersView } from "../../map/layers.ts";
import { END } from "../../terms/safety.ts";

export interface ReachPlan {
  /** Bearings all round. */
  readonly bearings: number;
  /** Metres from the base's floor point at which looking starts: what lies nearer is under the robot. */
  readonly from: number;
  /** Metres looked at most. */
  readonly range: number;
}

export const REACH_PLAN: ReachPlan = { bearings: 72, from: 0.25, range: 4 };

/** Distances by bearing as they go on the wire: whole millimetres, and what ends the way. */
export interface Bearings {
  readonly first: number;
  readonly step: number;
  readonly range: number;
  readonly distanceMm: number[];
  readonly what: number[];
}

/**
 * Reach as far as the map's layers tell it: along each bearing to the first column that is in the way or whose floor was
 * never seen. It stands on the map alone; a judgement of the newest frame by itself takes its place where there is one.
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
    case COLUMN.overhang: // it hangs above the body's height
      return END.open;
    default: // free space without floor is no floor
      return END.unseen;
  }
}
