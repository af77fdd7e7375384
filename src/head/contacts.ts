import { hypot2 } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import { transformPoint } from "../geometry/rigid.ts";
import type { Guard } from "../guard/guard.ts";
import type { FloorcheckEvent, KnockEvent } from "../sense/events.ts";
import type { FindingOutput, KnockOutput } from "./outputs.ts";
import type { Located } from "./pose-sources.ts";

// What the base has felt with its own bumper and floor sensors.

/** A point of the base in the world. */
const worldOf = (place: Located, point: Vec3): Vec3 => transformPoint(place.worldFromBase, point);

/**
 * Notes a bump contact in the memory of the ground.
 * @param cell metres: side of a cell of that memory
 */
export function takeKnock(
  { time, point }: KnockEvent,
  place: Located,
  guard: Guard,
  cell: number,
): KnockOutput {
  const [x, y] = worldOf(place, point);
  const isRepeat = !guard.knock(time, x, y);
  if (!isRepeat) {
    // What was hit reaches beyond the bumper's own cell.
    const out = 1 + cell / Math.max(0.01, hypot2(point[0], point[1]));
    const [farX, farY] = worldOf(place, [point[0] * out, point[1] * out, point[2]]);
    guard.footing.addKnock(farX, farY);
  }
  return { kind: "knock", time, point, isRepeat };
}

/** Whether the evidence agrees with the base's floor sensor. @param place null while it is not known */
export function judgeFloorcheck(
  { time, point, alarm }: FloorcheckEvent,
  place: Located | null,
  guard: Guard,
): FindingOutput {
  const [x, y] = place === null ? [Number.NaN, Number.NaN] : worldOf(place, [point[0], point[1], 0]);
  const evidence = guard.footing.cellAt(x, y);
  const verdict = place === null ? "cannot see" : guard.judgeFloorcheck(x, y, alarm);
  const age = (time - evidence.time) / 1e6;
  return { kind: "finding", time, point, alarm, verdict, evidence, age };
}
