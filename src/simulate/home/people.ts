import { hypot2 } from "../../geometry/elementary.ts";
import type { Dice } from "./dice.ts";
import type { GroundCell, ReachableGround } from "./ground.ts";
import type { ShapeJson } from "./shapes.ts";

/** Someone who walks to and fro between two places. */
export interface Walk {
  readonly a: readonly [number, number];
  readonly b: readonly [number, number];
  /** m/s. */
  readonly speed: number;
  /** Metres. */
  readonly size: number;
}

const WALK_CLEARANCE = 0.3;

/** A straight path that is wide enough for a person, or null. */
export function drawWalk(ground: ReachableGround, cells: readonly GroundCell[], dice: Dice): Walk | null {
  for (let attempt = 0; attempt < 60; attempt++) {
    const [a, b] = [dice.pick(cells), dice.pick(cells)];
    const length = hypot2(b.x - a.x, b.y - a.y);
    if (length < 1 || a.z !== 0 || b.z !== 0) continue;
    if (!ground.isClear([a.x, a.y], [b.x, b.y], WALK_CLEARANCE, WALK_CLEARANCE)) continue;
    return { a: [a.x, a.y], b: [b.x, b.y], speed: dice.between(0.5, 1.3), size: dice.between(1.1, 1.85) };
  }
  return null;
}

/** The person as a mover of the scenario, for this many seconds. */
export function walkerJson({ a, b, speed, size }: Walk, seconds: number): ShapeJson {
  const way: { time: number; at: readonly [number, number] }[] = [];
  const leg = hypot2(b[0] - a[0], b[1] - a[1]) / speed;
  const pause = 1.5;
  for (let time = 0, n = 0; time < seconds; n++) {
    const at = n % 2 === 0 ? a : b;
    way.push({ time, at });
    // Standing: a point that is where the last was.
    way.push({ time: time + pause, at });
    time += pause + leg;
  }
  const hip = 0.5 * size;
  const period = 1.1 / speed;
  return {
    name: "someone",
    parts: [
      {
        shape: "capsule",
        material: "denim",
        at: [0, 0.1],
        radius: 0.07,
        height: hip,
        swing: { reach: 0.25, period, phase: 0 },
      },
      {
        shape: "capsule",
        material: "denim",
        at: [0, -0.1],
        radius: 0.07,
        height: hip,
        swing: { reach: 0.25, period, phase: 180 },
      },
      { shape: "capsule", material: "cloth", at: [0, 0], base: hip - 0.1, radius: 0.17, height: size - hip },
    ],
    way,
  };
}
