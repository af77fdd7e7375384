import { square } from "../geometry/elementary.ts";
import type { Pose, Quat } from "../geometry/optics.ts";
import { compose, conjugate, invert, multiply, toRotationVector } from "../geometry/rigid.ts";
import type { Frame } from "./frame.ts";
import { yawBetween } from "./heading.ts";
import type { FrameRegistration } from "./registration.ts";
import type { WorldAttitude } from "./world-attitude.ts";

/**
 * Metres, 1 sigma: range error that all samples share, which tilts what depth finds. Found with `score-homes` and `trouble`: with half of it a person
 * before a base without wheels tilts the pose; with twice as much a floor helps less.
 */
const TILT_ERROR = 0.004;

/**
 * The rotation of a base whose attitude a gyro steadies, by attitude and depth. Close to a wall, or with little in view, a range error of some
 * millimetres turns a registered pose by a degree and more, however many samples agree. So depth is weighed by the turn that such an error causes
 * in the geometry of the frame: it corrects the tilt of single frames, and the yaw by way of the heading's filter. The registered pose follows.
 */
export class RotationFusion {
  readonly #registration: FrameRegistration;
  readonly #attitude: WorldAttitude;

  constructor(registration: FrameRegistration, attitude: WorldAttitude) {
    this.#registration = registration;
    this.#attitude = attitude;
  }

  /**
   * Fuses the registered rotation with the predicted one, and turns the registered pose to the result. Without a gyro nothing is done.
   * @param isKept whether depth must not change the predicted rotation
   * @returns the base's rotation
   */
  fuse(frame: Frame, predicted: Quat, isKept: boolean): Quat {
    if (!frame.isSteadied) return predicted;
    const registration = this.#registration;
    if (isKept) {
      registration.turnBy(toRotationVector(multiply(predicted, conjugate(this.#seen(frame)))));
      return predicted;
    }
    this.#weighTilt(frame, predicted);
    const seen = this.#seen(frame);
    this.#attitude.weigh(frame, seen, registration.yawVariance, registration.yawLever);
    registration.turnBy([0, 0, yawBetween(seen, this.#attitude.toWorld(frame.input.attitude))]);
    return this.#seen(frame);
  }

  /** Levels a young map by the base's rotation; without a gyro the heading follows that rotation, too. @param fused frames in the map so far */
  follow(frame: Frame, base: Pose, fused: number): void {
    const { yawVariance } = this.#registration;
    if (!frame.isSteadied) this.#attitude.follow(frame, base.rotation, yawVariance);
    this.#attitude.levelBy(frame, base, fused);
  }

  /** The base's rotation by the registration. */
  #seen({ input: { baseFromLens } }: Frame): Quat {
    return compose(this.#registration.worldFromLens, invert(baseFromLens)).rotation;
  }

  /** Turns the registered pose back to the predicted tilt as far as depth does not know it better: own (own + spread)^-1 times the difference remains. */
  #weighTilt(frame: Frame, predicted: Quat): void {
    const [x, y] = toRotationVector(multiply(this.#seen(frame), conjugate(predicted)));
    const own = square(frame.settings.tiltSigma);
    const [xx, xy, yy] = this.#registration.tiltSpread;
    const error = square(TILT_ERROR);
    const [a, b, c] = [own + error * xx, error * xy, own + error * yy];
    const scale = own / (a * c - b * b);
    this.#registration.turnBy([scale * (c * x - b * y) - x, scale * (a * y - b * x) - y, null]);
  }
}
