import { hypot2 } from "../geometry/elementary.ts";
import type { Pose } from "../geometry/optics.ts";
import { fromYawPitchRoll } from "../geometry/rigid.ts";
import { PoseBuffer, type PoseStatus } from "../sense/poses.ts";
import { between, FASTEST_WHEELS, type Planar, plus, turnedBy } from "./local-frame.ts";

/** rad/s by the wheels from which on a base turns. On a straight way wheels keep the heading better than most sensors. Chosen by hand. */
const TURNING = 0.05;
/** Samples of odometry that wait for an attitude: seconds of them at any usual rate. */
const MOST_WAITING = 256;

interface Waiting extends Planar {
  readonly time: number;
}

/**
 * Dead reckoning by the wheels' distances and, in turns, the orientation sensor's yaw: wheels slip most in turns, on a rug by several degrees
 * each. The first pose is the odometry's own.
 */
export class WheelsWithHeading {
  readonly #poses: PoseBuffer;
  readonly #waiting: Waiting[] = [];
  #last: { readonly wheels: Waiting; readonly heading: number | null; readonly place: Planar } | null = null;

  /** @param capacity poses that are kept, and `maxGap` in microseconds, beyond which none is interpolated */
  constructor(capacity: number, maxGap: number) {
    this.#poses = new PoseBuffer(capacity, maxGap);
  }

  /** Takes a sample of odometry; one that is older than the newest is left out. */
  take(sample: Waiting): void {
    const newest = this.#waiting.at(-1) ?? this.#last?.wheels ?? null;
    if (newest !== null && sample.time <= newest.time) return;
    this.#waiting.push(sample);
  }

  /** Uses the samples whose attitude is known. @param headingAt radians at a time, microseconds; null without; "not yet" when it may come */
  settle(headingAt: (time: number) => number | "not yet" | null): void {
    while (this.#waiting.length > 0) {
      const wheels = this.#waiting[0]!;
      const heading = headingAt(wheels.time);
      if (heading === "not yet" && this.#waiting.length <= MOST_WAITING) return;
      this.#waiting.shift();
      this.#use(wheels, heading === "not yet" ? null : heading);
    }
  }

  /** worldFromBase, level, at a time, microseconds. */
  at(time: number): Pose | PoseStatus {
    return this.#poses.at(time);
  }

  #use(wheels: Waiting, heading: number | null): void {
    const last = this.#last;
    let place: Planar = wheels;
    if (last !== null) {
      const seconds = (wheels.time - last.wheels.time) / 1e6;
      const step = between(last.wheels, wheels);
      const isTurn =
        Math.abs(step.yaw) > TURNING * seconds && hypot2(step.x, step.y) < FASTEST_WHEELS * seconds;
      place = plus(last.place, isTurn ? turnedBy(step, last.heading, heading) : step);
    }
    this.#last = { wheels, heading, place };
    const { x, y, yaw } = place;
    this.#poses.push(wheels.time, { rotation: fromYawPitchRoll(yaw, 0, 0), position: [x, y, 0] });
  }
}
