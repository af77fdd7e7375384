import type { Pose, Vec3 } from "../geometry/optics.ts";
import { conjugate, turn } from "../geometry/rigid.ts";
import { cross } from "../geometry/vec.ts";
import type { WheelMotion } from "../sense/attitude.ts";
import type { MotionEvent } from "../sense/events.ts";
import { between, type Planar } from "./local-frame.ts";

/** Microseconds without a sample after which the speed of the wheels is unknown. Chosen by hand: some samples at 20 Hz and more. */
const SILENT = 250_000;
/** m/s and rad/s: slower wheels stand. Counts of wheels at rest do not change. */
const STILL = 1e-3;

/** Speed of the base by the last two samples of odometry. */
export class WheelSpeed {
  #time = Number.NEGATIVE_INFINITY;
  #last: Planar | null = null;
  /** m/s ahead and to the left, rad/s; null while unknown. */
  #speed: Vec3 | null = null;

  /** Takes a sample; one that is older than the newest is left out. */
  take({ time, pose: [x, y, yaw] }: MotionEvent): void {
    const seconds = (time - this.#time) / 1e6;
    if (seconds <= 0) return;
    const last = this.#last;
    this.#time = time;
    this.#last = { x, y, yaw };
    if (last === null || seconds > SILENT / 1e6) {
      this.#speed = null;
      return;
    }
    const step = between(last, this.#last);
    this.#speed = [step.x / seconds, step.y / seconds, step.yaw / seconds];
  }

  /**
   * Motion of an imu on the base; null while the wheels are silent.
   * @param time microseconds
   * @param gyro rad/s in the imu frame
   */
  ofImu(time: number, { position, rotation }: Pose, gyro: Vec3): WheelMotion | null {
    if (this.#speed === null || time - this.#time > SILENT) return null;
    const [vx, vy, turning] = this.#speed;
    const isStill = Math.abs(vx) + Math.abs(vy) + Math.abs(turning) < STILL;
    const swing: Vec3 = turning === 0 ? [0, 0, 0] : cross(turn(rotation, gyro), position);
    return { velocity: turn(conjugate(rotation), [vx + swing[0], vy + swing[1], swing[2]]), isStill };
  }
}
