import { TRUSTED_DOUBT } from "./axis-fusion.ts";
import type { Frame, TrackInput } from "./frame.ts";
import { InertialStep } from "./inertial-step.ts";
import { LEAST_MATCHES } from "./registration.ts";

/**
 * Longest gap in the frames, seconds, that accelerations can bridge: after it the doubt about the position is about 10 cm, and the outlier
 * gate of the coarse map is 40 cm.
 */
const GAP_PATIENCE = 1.2;
/** Metres, 1 sigma: a dead-reckoned pose with more doubt is lost. Chosen by hand. */
const LOST_SIGMA = 1;

/** State of a dead-reckoned pose that the limit depends on. */
export interface CarriedPose {
  /** Metres, 1 sigma, along the axis with the largest variance. */
  readonly worstSigma: number;
  /** See `MapBuilder.isUnanchored`. */
  readonly isUnanchored: boolean;
  /** Whether the wheels are rejected. */
  readonly areWheelsDistrusted: boolean;
}

/**
 * For how long, and up to which doubt, a pose may be dead-reckoned before the base counts as lost: with odometry by doubt alone, with
 * accelerations by doubt and time since anything was in view, without both by time since depth was last used.
 */
export class CarryLimit {
  /** Microseconds: when depth was last used, and when an unused frame last showed anything. */
  #usedAt = 0;
  #seenAt = 0;
  /** Whether accelerations predicted the step to the last frame. */
  #wasInertial = false;
  /** Whether the base is lost only because frames stopped coming, while inertial samples did not. */
  #isGap = false;

  /** Notes that depth was used at a time, microseconds. */
  markUsed(time: number): void {
    this.#usedAt = time;
  }

  /** Opens a frame. @param isInertial whether accelerations predict the step to it */
  open(isInertial: boolean): void {
    this.#wasInertial = isInertial;
  }

  /**
   * Whether frames have been missing for too long at a time.
   * @param lastFrame when the last frame was; both in microseconds
   * @param@param hasInertial whether inertial samples still arrive
   * @param patience  seconds
   */
  isSilentTooLong(time: number, lastFrame: number, hasInertial: boolean, patience: number): boolean {
    // With accelerations the head may be without usable depth for longer, but not without frames.
    const isCarried = hasInertial && this.#wasInertial;
    const since = isCarried ? lastFrame : this.#usedAt;
    if ((time - since) / 1e6 <= patience) return false;
    this.#isGap = isCarried;
    return true;
  }

  /**
   * Takes the first frame after a gap.
   * @param dt seconds since the last one
   * @returns whether accelerations have carried the base over a short gap, so that it is no longer lost
   */
  endGap({ inertial = null }: TrackInput, dt: number): boolean {
    if (!this.#isGap) return false;
    this.#isGap = false;
    return dt <= GAP_PATIENCE && inertial !== null && InertialStep.covers(inertial, dt);
  }

  /** Whether a dead-reckoned pose is lost with this frame. */
  isPassed(frame: Frame, { worstSigma, isUnanchored, areWheelsDistrusted }: CarriedPose): boolean {
    const { time, chosen, isClear } = frame.input;
    if (frame.hasOdometry) return worstSigma > (areWheelsDistrusted ? TRUSTED_DOUBT : LOST_SIGMA);
    if (chosen.count >= LEAST_MATCHES && isClear !== false) this.#seenAt = time;
    // A covered head may be carried anywhere, so accelerations count only while something is in view.
    const since = frame.isInertial ? Math.max(this.#usedAt, this.#seenAt) : this.#usedAt;
    if ((time - since) / 1e6 > frame.settings.patience) return true;
    // Before depth has held anything there is no map to contradict, so the wider limit applies.
    return frame.isInertial && worstSigma > (isUnanchored ? LOST_SIGMA : TRUSTED_DOUBT);
  }
}
