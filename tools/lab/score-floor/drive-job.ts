import { END } from "../../../src/terms/safety.ts";
import { type Approach, approach, type Cruise, cruise, type Trap, trap } from "../floor/courses.ts";
import { type Course, driveCourse, type Outcome } from "../floor/drive.ts";

export type Job =
  | { readonly kind: "approach"; readonly seed: number; readonly drop: string }
  | { readonly kind: "cruise"; readonly seed: number; readonly floor: Cruise["floor"] }
  | { readonly kind: "trap"; readonly seed: number; readonly trap: Trap["trap"] };

/** A drive and its outcome; plain data, to cross threads. */
export interface Row {
  readonly job: Job;
  readonly outcome: Omit<Outcome, "edges">;
  readonly head: { readonly height: number; readonly pitch: number; readonly speed: number };
  readonly reflectance: number;
  /** Metres from the front corner that is nearest to the edge to it, at the end; negative beyond. */
  readonly gap: number;
  /** Error of the edge's place where the base stood, metres; NaN when no edge was known. */
  readonly error: number;
  /** Of a 20 mm drop: per 10 cm of distance from the lens, frames and those that saw it. */
  readonly seen: readonly (readonly [frames: number, seen: number])[];
  /** Seconds that the same way takes at the wished speed. */
  readonly ideal: number;
}

/** Bins of 10 cm. */
export const BINS = 12;

export function runJob(job: Job): Row {
  const seen = Array.from({ length: BINS }, () => [0, 0] as [number, number]);
  let course: Course;
  let reflectance = 0.4;
  let ideal = 0;
  if (job.kind === "approach") {
    const one: Approach = approach(job.seed, job.drop);
    reflectance = one.reflectance;
    const watch: Course["watch"] = (frame, [x, , yaw]) => {
      const range = -x / Math.cos(yaw) - 0.15;
      const bin = seen[Math.floor(10 * range)];
      if (bin === undefined) return;
      let brinks = 0;
      let strips = 0;
      for (let n = 0; n < frame.strips; n++) {
        if (Math.abs(frame.endY[n]!) > 0.2) continue;
        strips++;
        if (frame.kind[n] === END.brink && Math.abs(frame.endX[n]! - 0.15 - range) < 0.1) brinks++;
      }
      bin[0]++;
      if (strips > 0 && brinks > strips / 4) bin[1]++;
    };
    course = { ...one, watch };
  } else if (job.kind === "cruise") {
    const one = cruise(job.seed, job.floor);
    reflectance = one.reflectance;
    course = one;
    ideal = one.length / one.speed + one.speed / (2 * 0.6);
  } else course = trap(job.seed, job.trap);
  const { edges, ...outcome } = driveCourse(course);
  const [x, y, yaw] = outcome.at;
  const corners = [0.175, -0.175].map((side) => x + Math.cos(yaw) * 0.22 - Math.sin(yaw) * side);
  const off = edges
    .filter((edge) => Math.hypot(edge[0] - x, edge[1] - y) < 0.7)
    .map((edge) => Math.abs(edge[0]))
    .sort((a, b) => a - b);
  const { height, pitch, speed } = course;
  return {
    job,
    outcome,
    head: { height, pitch, speed },
    reflectance,
    seen,
    ideal,
    gap: -Math.max(...corners),
    error: job.kind === "approach" && off.length > 0 ? off[off.length >> 1]! : Number.NaN,
  };
}

/** Whether the base set out. A head that cannot see the floor in front of it never does. */
export const hasMoved = (row: Row): boolean => row.outcome.way > 0.3;
