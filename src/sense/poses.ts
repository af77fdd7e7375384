import type { Pose } from "../geometry/optics.ts";
import { interpolate } from "../geometry/rigid.ts";

/** "not yet": a later sample is needed and may still come. */
export type PoseStatus = "too early" | "not yet" | "gap";

/** The last poses of one object, interpolated at any instant between them. Samples may come twice or out of order. */
export class PoseBuffer {
  readonly #capacity: number;
  readonly #maxGap: number;
  readonly #times: number[] = [];
  readonly #poses: Pose[] = [];

  /** @param maxGap microseconds; poses farther apart are not interpolated between */
  constructor(capacity: number, maxGap: number) {
    this.#capacity = capacity;
    this.#maxGap = maxGap;
  }

  get count(): number {
    return this.#times.length;
  }

  /** The newest pose, or null before the first. */
  get last(): Pose | null {
    return this.#poses.at(-1) ?? null;
  }

  push(time: number, pose: Pose): void {
    let place = this.#times.length;
    while (place > 0 && this.#times[place - 1]! > time) place--;
    if (place > 0 && this.#times[place - 1] === time) return;
    this.#times.splice(place, 0, time);
    this.#poses.splice(place, 0, pose);
    if (this.#times.length > this.#capacity) {
      this.#times.shift();
      this.#poses.shift();
    }
  }

  /** The pose at `time`, microseconds: exact at a sample, else interpolated. */
  at(time: number): Pose | PoseStatus {
    const times = this.#times;
    let after = times.length;
    while (after > 0 && times[after - 1]! > time) after--;
    if (after > 0 && times[after - 1] === time) return this.#poses[after - 1]!;
    if (after === times.length) return "not yet";
    if (after === 0) return "too early";
    const t0 = times[after - 1]!;
    const t1 = times[after]!;
    if (t1 - t0 > this.#maxGap) return "gap";
    return interpolate(this.#poses[after - 1]!, this.#poses[after]!, (time - t0) / (t1 - t0));
  }
}
