import { hypot2, square } from "../geometry/elementary.ts";
import type { Pose, Quat } from "../geometry/optics.ts";
import { compose, conjugate, invert, multiply, toRotationVector } from "../geometry/rigid.ts";
import type { Frame } from "./frame.ts";
import { LEAST_STRENGTH } from "./free-directions.ts";
import { JUMP_SIGMAS, LEAST_JUMP, yawBetween } from "./heading.ts";
import { type FrameRegistration, leastShare, type Target } from "./registration.ts";

const DEGREE = Math.PI / 180;
/** Radians per second: a turn rate that changes by more between two frames is suspicious. Chosen by hand. */
const JUMP_RATE = 60 * DEGREE;
/** Radians: tilt by which depth may differ from the orientation sensor without being doubted. Chosen by hand. */
const LEAST_TILT = 1.5 * DEGREE;
/** Radians: the same of the yaw, where the gyro tells how the base turned. Chosen by hand. */
const LEAST_SLIP = 0.5 * DEGREE;
/** Radians, 1 sigma, of a rotation that depth must take as given. */
const FIRM_ANGLE = 1e-5;
/** What a frame must show before it overrules the orientation: matches, and strength in every direction. Chosen by hand. */
export const OVERRULING_MATCHES = 300;
const OVERRULING_STRENGTH = 10;
/** Seconds after which a rotation that depth keeps finding is believed against the gyro. Chosen by hand. */
const OVERRULING_SECONDS = 1;
/**
 * Depth overrules the heading at once when it leaves this share of the residuals with this share of the samples. Chosen by hand: once a
 * drifted heading is put right as many samples fit much better; what bends a heading has more samples that fit, but worse.
 */
const CLEARLY_LESS = 0.8;
const NEARLY_ALL = 0.98;

/** What is expected of the frame in hand. */
export interface Expected {
  /** worldFromBase. */
  readonly predicted: Pose;
  /** Metres, 1 sigma. */
  readonly sigma: number;
  /** Radians squared: of the yaw by the orientation sensor, its noise included. */
  readonly yawVariance: number;
}

/**
 * Depth against the orientation sensor. When depth fits best at another rotation than the sensor's, mostly depth errs; the exceptions are
 * a sensor whose yaw has jumped or drifted.
 */
export class RotationCheck {
  readonly #registration: FrameRegistration;
  /** Microseconds: since when depth has found a rotation that the gyro does not know; NaN while it does not. */
  #overruledSince = Number.NaN;

  constructor(registration: FrameRegistration) {
    this.#registration = registration;
  }

  /**
   * Registers a frame from its prediction and, where the sensor's yaw may have jumped, from the rotation that the base had by turning on.
   * @param turnedOn the base's rotation by that
   * @returns the share of the samples on known ground that fit; 0 when the frame is not believed
   */
  register(frame: Frame, target: Target, expected: Expected, turnedOn: Quat): number {
    const share = this.#registerJump(frame, target, expected, turnedOn);
    return this.#judge(frame, target, expected, share);
  }

  /** The better of two registrations: with the yaw that the sensor says, and with that of a base that turned on. */
  #registerJump(
    frame: Frame,
    target: Target,
    { predicted, sigma, yawVariance }: Expected,
    turnedOn: Quat,
  ): number {
    const registration = this.#registration;
    const { baseFromLens } = frame.input;
    const { tiltSigma } = frame.settings;
    const said = { worldFromLens: compose(predicted, baseFromLens), sigma, yawVariance, tiltSigma };
    const share = registration.fit(target, said);
    const off = Math.abs(yawBetween(predicted.rotation, turnedOn));
    const isSuspicious =
      off > LEAST_JUMP + JUMP_RATE * frame.dt || (share < leastShare(target.map.fused) && off > LEAST_JUMP);
    if (!isSuspicious) return share;
    const { matched } = registration.result;
    const found = registration.worldFromLens;
    const steady = compose({ rotation: turnedOn, position: predicted.position }, baseFromLens);
    const other = registration.fit(target, {
      worldFromLens: steady,
      sigma,
      yawVariance: square(LEAST_JUMP),
      tiltSigma,
    });
    if (other > 0 && registration.result.matched > matched) return other;
    // Registered again from the better pose, since the equations are those of the last registration.
    return registration.fit(target, said, found);
  }

  /**
   * Decides whether depth overrules the sensor. Only a frame that is held well in every direction may. An attitude that the gyro steadies
   * cannot have jumped: it is overruled only by a rotation that depth keeps finding and that fits better; until then the frame is registered
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
    const least = frame.isSteadied ? LEAST_SLIP : LEAST_JUMP;
    const isOverruled = isTilted || Math.abs(about) > Math.max(least, JUMP_SIGMAS * yawSigma);
    if (!isOverruled) this.#overruledSince = Number.NaN;
    if (!isOverruled || share < leastShare(target.map.fused)) return share;
    const { matched, shares, rms } = registration.result;
    const isStrong = matched >= OVERRULING_MATCHES && shares[0]! >= OVERRULING_STRENGTH * LEAST_STRENGTH;
    if (!frame.isSteadied) return isStrong ? share : 0;
    if (Number.isNaN(this.#overruledSince)) this.#overruledSince = time;
    const isLasting = (time - this.#overruledSince) / 1e6 > OVERRULING_SECONDS;
    const worldFromLens = compose(predicted, baseFromLens);
    const firm = { worldFromLens, sigma, yawVariance: square(FIRM_ANGLE), tiltSigma: FIRM_ANGLE };
    const firmShare = registration.fit(target, firm);
    const { result } = registration;
    const isBetter = firmShare < leastShare(target.map.fused) || rms < result.rms;
    const isRight = !isTilted && rms < CLEARLY_LESS * result.rms && matched > NEARLY_ALL * result.matched;
    if (!(isStrong && isBetter && (isLasting || isRight))) return firmShare;
    return registration.fit(target, { worldFromLens, sigma, yawVariance: square(yawSigma), tiltSigma }, free);
  }
}
