import { hypot2, square } from "../geometry/elementary.ts";
import type { Pose, Quat } from "../geometry/optics.ts";
import { compose, conjugate, invert, multiply, toRotationVector } from "../geometry/rigid.ts";
import type { Frame } from "./frame.ts";
import { LEAST_STRENGTH } from "./free-directions.ts";
import { JUMP_SIGMAS, LEAST_JUMP, yawBetween } from "./heading.ts";
import { type FrameRegistration, leastShare, type Target } from "./registration.ts";

const DEGREE = Math.PI / 180;
/** Radians per second: a larger change of the turn rate between two frames may be a jump of the sensor. Chosen by hand. */
const JUMP_RATE = 60 * DEGREE;
/** Radians: tolerated difference in tilt between depth and the orientation sensor. Chosen by hand. */
const LEAST_TILT = 1.5 * DEGREE;
/** Radians: tolerated difference in yaw where wheels confirm the turn; and where a gyro steadies the attitude, since a filter weighs both. Chosen by hand. */
const LEAST_SLIP = 0.5 * DEGREE;
const STEADIED_SLIP = 1.5 * DEGREE;
/** Radians, 1 sigma: prior of a rotation that depth must not change. */
const FIRM_ANGLE = 1e-5;
/** A frame may overrule the orientation sensor only with this many matches, and this strength in every direction. Chosen by hand. */
export const OVERRULING_MATCHES = 300;
const OVERRULING_STRENGTH = 10;
/** Seconds for which depth must keep finding a rotation before it is believed against the gyro. Chosen by hand. */
const OVERRULING_SECONDS = 1;
/**
 * Depth overrules the heading at once when it lowers the residuals to this share and keeps this share of the matches. Chosen by hand: after
 * the correction of a drifted heading about as many samples fit much better, while with a wrong correction more samples fit, but worse.
 */
const CLEARLY_LESS = 0.8;
const NEARLY_ALL = 0.98;
/** Radians: the most that depth corrects at once without a gyro. Close to furniture a wrong heading fits as well: 11 degrees off (`score-homes`). */
const MOST_DRIFTED = 4 * DEGREE;

/** The prediction for the current frame. */
export interface Expected {
  /** worldFromBase. */
  readonly predicted: Pose;
  /** Metres, 1 sigma. */
  readonly sigma: number;
  /** Radians squared: of the yaw by the orientation sensor, its noise included. */
  readonly yawVariance: number;
}

/**
 * Arbitrates between depth and the orientation sensor. When depth fits best at a rotation other than the sensor's, depth is mostly wrong. The
 * exceptions are a sensor whose yaw has jumped or drifted.
 */
export class RotationCheck {
  readonly #registration: FrameRegistration;
  /** Microseconds: since when depth has contradicted the gyro's rotation; NaN while it does not. */
  #overruledSince = Number.NaN;
  /** Whether the last frame was registered with the sensor's rotation, so that its rotation is no measurement. */
  isFirm = false;

  constructor(registration: FrameRegistration) {
    this.#registration = registration;
  }

  /**
   * Registers a frame from its prediction and, where the sensor's yaw may have jumped, also from the rotation at the last turn rate.
   * @param coasted the base's rotation at the last turn rate
   * @returns the share of the samples on known ground that fit; 0 when the frame is not believed
   */
  register(frame: Frame, target: Target, expected: Expected, coasted: Quat): number {
    this.isFirm = false;
    const share = this.#registerJump(frame, target, expected, coasted);
    return this.#judge(frame, target, expected, share);
  }

  /** The better of two registrations: from the sensor's yaw, and from the yaw at the last turn rate. */
  #registerJump(
    frame: Frame,
    target: Target,
    { predicted, sigma, yawVariance }: Expected,
    coasted: Quat,
  ): number {
    const registration = this.#registration;
    const { baseFromLens } = frame.input;
    const { tiltSigma } = frame.settings;
    const said = { worldFromLens: compose(predicted, baseFromLens), sigma, yawVariance, tiltSigma };
    const share = registration.fit(target, said);
    const off = Math.abs(yawBetween(predicted.rotation, coasted));
    const isSuspicious =
      off > LEAST_JUMP + JUMP_RATE * frame.dt || (share < leastShare(target.map.fused) && off > LEAST_JUMP);
    if (!isSuspicious) return share;
    const { matched } = registration.result;
    const found = registration.worldFromLens;
    const steady = compose({ rotation: coasted, position: predicted.position }, baseFromLens);
    const other = registration.fit(target, {
      worldFromLens: steady,
      sigma,
      yawVariance: square(LEAST_JUMP),
      tiltSigma,
    });
    if (other > 0 && registration.result.matched > matched) return other;
    // Registers again from the better pose, because the normal equations are those of the last registration.
    return registration.fit(target, said, found);
  }

  /**
   * Decides whether depth overrules the sensor. Only a frame that is well constrained in every direction may. An attitude that a gyro steadies
   * cannot jump. It is overruled only by a rotation that depth finds again and again and that fits better. Until then the frame is registered
   * with the gyro's rotation.
   */
  #judge(frame: Frame, target: Target, { predicted, sigma, yawVariance }: Expected, share: number): number {
    const registration = this.#registration;
    const { time, baseFromLens } = frame.input;
    const { tiltSigma } = frame.settings;
    const free = registration.worldFromLens;
    const turned = compose(free, invert(baseFromLens)).rotation;
    const [x, y, about] = toRotationVector(multiply(turned, conjugate(predicted.rotation)));
    const yawSigma = Math.sqrt(yawVariance);
    const isTilted = hypot2(x, y) > Math.max(LEAST_TILT, JUMP_SIGMAS * tiltSigma);
    const least = frame.isSteadied ? STEADIED_SLIP : frame.isTurnConfirmed ? LEAST_SLIP : LEAST_JUMP;
    const isOverruled = isTilted || Math.abs(about) > Math.max(least, JUMP_SIGMAS * yawSigma);
    if (!isOverruled) this.#overruledSince = Number.NaN;
    if (!isOverruled || share < leastShare(target.map.fused)) return share;
    const { matched, shares, rms } = registration.result;
    const isStrong = matched >= OVERRULING_MATCHES && shares[0]! >= OVERRULING_STRENGTH * LEAST_STRENGTH;
    if (!frame.isTurnConfirmed) return isStrong ? share : 0;
    if (Number.isNaN(this.#overruledSince)) this.#overruledSince = time;
    const isLasting = (time - this.#overruledSince) / 1e6 > OVERRULING_SECONDS;
    const worldFromLens = compose(predicted, baseFromLens);
    const firm = { worldFromLens, sigma, yawVariance: square(FIRM_ANGLE), tiltSigma: FIRM_ANGLE };
    const firmShare = registration.fit(target, firm);
    const { result } = registration;
    const isBetter = firmShare < leastShare(target.map.fused) || rms < result.rms;
    const isRight =
      !isTilted &&
      (frame.isSteadied || Math.abs(about) < MOST_DRIFTED) &&
      rms < CLEARLY_LESS * result.rms &&
      matched > NEARLY_ALL * result.matched;
    if (!(isStrong && isBetter && (isLasting || isRight))) {
      this.isFirm = true;
      return firmShare;
    }
    return registration.fit(target, { worldFromLens, sigma, yawVariance: square(yawSigma), tiltSigma }, free);
  }
}
