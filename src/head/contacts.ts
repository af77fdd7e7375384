import { cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import type { Guard } from "../guard/guard.ts";
import type { FloorcheckEvent, KnockEvent } from "../sense/events.ts";
import type { Planar } from "./local-frame.ts";
import type { FindingOutput, KnockOutput } from "./outputs.ts";

// Contacts and alarms from the base's own bumper and floor sensors.

/** Transforms a point of the base into the local frame, in which ground is remembered. */
function placeOf(at: Planar, bx: number, by: number): readonly [x: number, y: number] {
  const cos = cosOf(at.yaw);
  const sin = sinOf(at.yaw);
  return [at.x + cos * bx - sin * by, at.y + sin * bx + cos * by];
}

/**
 * Notes a bump contact in the memory of the ground.
 * @param cell metres: side of a cell of that memory
 */
export function takeKnock({ time, point }: KnockEvent, at: Planar, guard: Guard, cell: number): KnockOutput {
  const [x, y] = placeOf(at, point[0], point[1]);
  const isRepeat = !guard.knock(time, x, y);
  if (!isRepeat) {
    // The obstacle extends beyond the bumper's own cell.
    const out = 1 + cell / Math.max(0.01, hypot2(point[0], point[1]));
    const [farX, farY] = placeOf(at, point[0] * out, point[1] * out);
    guard.footing.addKnock(farX, farY);
  }
  return { kind: "knock", time, point, isRepeat };
}

/** Whether the evidence agrees with the base's floor sensor. @param at null while no place is known */
export function judgeFloorcheck(
  { time, point, alarm }: FloorcheckEvent,
  at: Planar | null,
  guard: Guard,
): FindingOutput {
  const [x, y] = at === null ? [Number.NaN, Number.NaN] : placeOf(at, point[0], point[1]);
  const evidence = guard.footing.cellAt(x, y);
  const verdict = at === null ? "cannot see" : guard.judgeFloorcheck(x, y, alarm);
  const age = (time - evidence.time) / 1e6;
  return { kind: "finding", time, point, alarm, verdict, evidence, age };
}
