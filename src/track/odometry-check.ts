import { lengthOf } from "../geometry/elementary.ts";
import type { Pose } from "../geometry/optics.ts";
import { compose, invert, toYawPitchRoll } from "../geometry/rigid.ts";
import { distance, wrapAngle } from "../geometry/vec.ts";

const DEGREE = Math.PI / 180;
/** Seconds over which odometry is compared with depth: long enough to average the noise of single frames. Chosen by hand. */
const COMPARED_SECONDS = 1;
/** Odometry disagrees when the motions differ by more than SLIP_METRES plus SLIP_SHARE of the distance, or by SLIP_ANGLE radians. Chosen by hand. */
const SLIP_METRES = 0.06;
const SLIP_SHARE = 0.15;
const SLIP_ANGLE = 5 * DEGREE;

/** Difference between odometry and depth over the last second: metres and radians. */
export interface Slip {
  readonly distance: number;
  readonly angle: number;
}

/** Compares odometry with the tracked poses, and so detects slipping wheels and a base that is pushed. */
export class OdometryCheck {
  /** Poses of the last second, oldest first. */
  readonly #seen: { readonly time: number; readonly odometry: Pose; readonly base: Pose }[] = [];
  #isSlipping = false;

  /** Forgets the earlier poses: the next ones are not continuous with them. */
  restart(): void {
    this.#seen.length = 0;
  }

  /** Adds a frame. @param time microseconds. @returns the difference when a disagreement begins, else null */
  compare(time: number, odometry: Pose, base: Pose): Slip | null {
    const seen = this.#seen;
    seen.push({ time, odometry, base });
    while (seen.length > 2 && (time - seen[1]!.time) / 1e6 >= COMPARED_SECONDS) seen.shift();
    const first = seen[0]!;
    if ((time - first.time) / 1e6 < COMPARED_SECONDS / 2) return null;
    const rolled = compose(invert(first.odometry), odometry);
    const moved = compose(invert(first.base), base);
    const off = distance(rolled.position, moved.position);
    const angle = Math.abs(wrapAngle(toYawPitchRoll(rolled.rotation)[0] - toYawPitchRoll(moved.rotation)[0]));
    const way = Math.max(lengthOf(rolled.position), lengthOf(moved.position));
    const isSlipping = off > SLIP_METRES + SLIP_SHARE * way || angle > SLIP_ANGLE;
    const begins = isSlipping && !this.#isSlipping;
    this.#isSlipping = isSlipping;
    return begins ? { distance: off, angle } : null;
  }
}
