import { TRUSTED_DOUBT } from "./axis-fusion.ts";
import type { Frame, TrackInput } from "./frame.ts";
import { InertialStep } from "./inertial-step.ts";
import { LEAST_MATCHES } from "./registration.ts";

/**
 * Seconds without frames after which accelerations still tell where a base is: its place is uncertain by about 10 cm then, and the
 * outlier gate of the coarse map is 40 cm.
 */
const FELT_PATIENCE = 1.2;
/** Metres, 1 sigma: a dead-reckoned pose is lost beyond this. Chosen by hand. */
const LOST_SIGMA = 1;

/** What the limit depends on, of a frame that depth could not place. */
export interface CarriedPose {
  /** Metres, 1 sigma, along the axis where the place is least certain. */
  readonly slack: number;
  /** Whether depth has not yet held the base anywhere. */
  readonly isUnbegun: boolean;
  /** Whether the wheels are not believed. */
  readonly areWheelsDistrusted: boolean;
}

/**
 * For how long, and up to which doubt, a pose may be dead-reckoned before the base counts as lost: with odometry by doubt alone, with
 * accelerations by doubt and time since anything was in view, without both by time since depth was last used.
 */
export class CarryLimit {
  /** Microseconds: when depth was last used, and when a frame that was not used last showed something at least. */
  #usedAt = 0;
  #seenAt = 0;
  /** Whether accelerations carried the base on to the last frame. */
  #wasFelt = false;
  /** Whether the base is lost only because frames stopped coming, while inertial samples did not. */
  #isGap = false;

  /** Depth placed the base at a time, microseconds. */
  markUsed(time: number): void {
    this.#usedAt = time;
  }

  /** @param isFelt whether accelerations carry the base on to this frame */
  open(isFelt: boolean): void {
    this.#wasFelt = isFelt;
  }

  /**
   * Whether frames have been missing for too long at a time.
   * @param lastFrame when the last frame was; both in microseconds
   * @param isFelt    whether inertial samples still come
   * @param patience  seconds
   */
  isSilentTooLong(time: number, lastFrame: number, isFelt: boolean, patience: number): boolean {
    // With accelerations it may go without usable depth for longer, but not without frames.
    const isCarried = isFelt && this.#wasFelt;
    const since = isCarried ? lastFrame : this.#usedAt;
    if ((time - since) / 1e6 <= patience) return false;
    this.#isGap = isCarried;
    return true;
  }

  /**
   * Frames come again.
   * @param dt seconds since the last one
   * @returns whether accelerations have carried the base over a short gap, so that it is no longer lost
   */
  endGap({ inertial = null }: TrackInput, dt: number): boolean {
    if (!this.#isGap) return false;
    this.#isGap = false;
    return dt <= FELT_PATIENCE && inertial !== null && InertialStep.covers(inertial, dt);
  }

  /** Whether a pose that depth does not hold has become too uncertain with this frame. */
  isPassed(frame: Frame, { slack, isUnbegun, areWheelsDistrusted }: CarriedPose): boolean {
    const { time, chosen, isClear } = frame.input;
    if (frame.hasOdometry) return slack > (areWheelsDistrusted ? TRUSTED_DOUBT : LOST_SIGMA);
    if (chosen.count >= LEAST_MATCHES && isClear !== false) this.#seenAt = time;
    // A head that is covered may be carried anywhere, so accelerations count only while something is seen.
    const since = frame.isFelt ? Math.max(this.#usedAt, this.#seenAt) : this.#usedAt;
    if ((time - since) / 1e6 > frame.settings.patience) return true;
    // Before anything was held there is little to lose.
    return frame.isFelt && slack > (isUnbegun ? LOST_SIGMA : TRUSTED_DOUBT);
  }
}
