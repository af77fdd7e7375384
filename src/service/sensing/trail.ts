import type { Pose, Vec3 } from "../../geometry/optics.ts";
import { toYawPitchRoll } from "../../geometry/rigid.ts";

/** Metres between two points of the trail; it doubles whenever there are too many. */
const STEP = 0.05;
const MOST_POINTS = 2048;

/** One point of the trail. */
export interface Stop {
  /** Microseconds. */
  readonly time: number;
  /** Revision of the map with the frame in it; 0 when it was not mapped. */
  readonly revision: number;
  readonly position: Vec3;
  readonly yaw: number;
  /** Quality class of a tracked pose, or the source of another one. */
  readonly class: string;
}

/** The path of the base in bounded memory. When it is full, every second point is dropped, and the spacing doubles. */
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

  /** Puts earlier points before the present ones. */
  putBefore(stops: readonly Stop[]): void {
    this.#stops = [...stops, ...this.#stops];
    this.version++;
    this.#thin();
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
    this.#thin();
  }

  #thin(): void {
    while (this.#stops.length >= MOST_POINTS) {
      this.#stops = this.#stops.filter((_, n) => n % 2 === 0);
      this.#step *= 2;
    }
  }

  /** The last point before a time; the first point if there is none. */
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
