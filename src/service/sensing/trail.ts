import type { Pose, Vec3 } from "../../geometry/optics.ts";
import { toYawPitchRoll } from "../../geometry/rigid.ts";

/** A point is kept so far from the one before, metres; farther apart when there are too many. */
const STEP = 0.05;
const MOST_POINTS = 2048;

/** Where the base was when, and how that was known. */
export interface Stop {
  /** Microseconds. */
  readonly time: number;
  /** Of the map with that frame in it; 0 when it was not mapped. */
  readonly revision: number;
  readonly position: Vec3;
  readonly yaw: number;
  /** How well the pose was known, or where it came from. */
  readonly class: string;
}

/** The way of the base, in bounded memory: when it is full, every second point goes and the next ones lie farther apart. */
export class Trail {
  #stops: Stop[] = [];
  #step = STEP;
  /** Changes with each point. */
  version = 0;

  get stops(): readonly Stop[] {
    return this.#stops;
  }

  clear(): void {
    this.#stops = [];
    this.#step = STEP;
    this.version++;
  }

  add(time: number, revision: number, { position, rotation }: Pose, kind: string): void {
    const last = this.#stops.at(-1);
    const isNear =
      last !== undefined &&
      last.class === kind &&
      Math.hypot(position[0] - last.position[0], position[1] - last.position[1]) < this.#step;
    if (isNear) return;
    this.#stops.push({ time, revision, position, yaw: toYawPitchRoll(rotation)[0], class: kind });
    this.version++;
    if (this.#stops.length < MOST_POINTS) return;
    this.#stops = this.#stops.filter((_, n) => n % 2 === 0);
    this.#step *= 2;
  }

  /** Where the base was at a time: the last point before it, the first one if there is none. */
  at(time: number): Stop | null {
    return this.#stops.findLast((stop) => stop.time <= time) ?? this.#stops[0] ?? null;
  }

  /** The same by the map's revision. */
  atRevision(revision: number): Stop | null {
    return (
      this.#stops.findLast((stop) => stop.revision > 0 && stop.revision <= revision) ?? this.#stops[0] ?? null
    );
  }
}
