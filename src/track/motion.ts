import { lengthOf, powOf } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import {
  angleBetween,
  compose,
  conjugate,
  fromYawPitchRoll,
  invert,
  slerp,
  toYawPitchRoll,
  turn,
} from "../geometry/rigid.ts";
import { axialCovariance } from "../geometry/symmetric3.ts";
import { add, dot, scaleAndAdd, scaled, subtract, wrapAngle } from "../geometry/vec.ts";
import { type CompletedStep, completeStep } from "./completed-step.ts";
import type { LastFrame, Prediction, TrackerSettings } from "./frame.ts";
import { Rolling } from "./rolling.ts";

/** Metres, 1 sigma: error of odometry in one frame, independent of the distance. Chosen by hand. */
const ODOMETRY_SIGMA = 0.003;
/** Metres, 1 sigma: floor of the prediction's sigma without odometry, so that depth keeps its weight. Chosen by hand. */
export const LEAST_PREDICTION_SIGMA = 0.02;
/** Seconds for which the prediction assumes constant speed. Chosen by hand. */
const MOST_COAST = 0.3;
/** m/s^2, 1 sigma: acceleration of a base between frames. Chosen by hand. */
const ACCELERATION = 2;
/** m/s, 1 sigma: speed of a base that neither depth nor odometry has measured for a while. Chosen by hand. */
const SPEED = 0.3;
/** Share of the estimated speed in a free direction that is left after a second. Chosen by hand. */
const COASTING = 0.2;
/** The same of a rolling base, along its axis. Chosen by hand. */
const ROLLING_COAST = 0.7;
/** m/s, 1 sigma: doubt about the speed when depth stops measuring it, and its growth, m/s each second, up to `SPEED`. Chosen by hand. */
const FIRST_SPEED = 0.05;
const SPEED_GROWTH = 0.5;
/** m/s, 1 sigma: speed of a base before depth has measured it for long enough. Chosen by hand. */
export const UNKNOWN_SPEED = 0.45;
/** Seconds for which depth must have held the base before its velocity, or rest along an axis, is believed. Chosen by hand. */
export const REST_SECONDS = 1;
/** Time constant, seconds, of the mean of that velocity. Chosen by hand. */
const REST_MEMORY = 0.5;
/** Share of the usual growth of doubt that applies along an axis at rest: wheels seldom start sideways. Chosen by hand. */
const REST_SHARE = 0.2;
/** Metres, 1 sigma: error of the step between two frames by depth, along an axis that it holds. Chosen by hand. */
export const STEP_NOISE = 0.003;

/** Predicts the pose by odometry. @param share error as a share of the distance, 1 sigma */
export function predictByOdometry(base: Pose, before: Pose, now: Pose, share: number): Prediction {
  const moved = compose(invert(before), now).position;
  const step = turn(base.rotation, moved);
  const growth = share * lengthOf(step);
  return { position: add(base.position, step), sigma: ODOMETRY_SIGMA + growth, growth };
}

type RollingChoice = TrackerSettings["rolling"];

/** The inputs of a velocity estimate. */
export interface VelocityInput {
  readonly from: Pose;
  readonly to: Pose;
  readonly dt: number;
  /** Metres, from the predicted to the final position, and 1 sigma of the prediction. */
  readonly offset: Vec3;
  readonly sigma: number;
  /** Axes that depth does not hold, and the share of the step by depth that was kept along each. */
  readonly open: readonly { readonly axis: Vec3; readonly kept: number }[];
  readonly completed: CompletedStep | null;
}

/**
 * The base's motion by depth: velocity, turn rate, and the axis that it rolls along, if any. It predicts the next frame where neither
 * odometry nor accelerations are available.
 */
export class BaseMotion {
  readonly rolling: Rolling;
  /** m/s, world. */
  velocity: Vec3 = [0, 0, 0];
  /** Radians per second. */
  #yawRate = 0;
  #heldAt = 0;
  #heldFor = 0;
  /** m/s, in the base's axes: running mean of the velocity while depth held the base. */
  #heldVelocity: Vec3 = [0, 0, 0];

  /** @param isAhead whether the base is known to roll along its x axis */
  constructor(isAhead: boolean) {
    this.rolling = new Rolling(isAhead);
  }

  /** Microseconds: when depth last held every direction. */
  get heldAt(): number {
    return this.#heldAt;
  }

  /** Total seconds for which depth has held every direction. */
  get heldFor(): number {
    return this.#heldFor;
  }

  /** Whether depth has held the base for long enough to know its velocity. */
  get isKnown(): boolean {
    return this.#heldFor >= REST_SECONDS;
  }

  /** Notes that depth holds every direction at a time, microseconds. */
  markHeld(time: number): void {
    this.#heldAt = time;
  }

  /** Raises `heldFor` to at least this. */
  raiseHeldFor(seconds: number): void {
    this.#heldFor = Math.max(this.#heldFor, seconds);
  }

  /** Notes that depth holds every direction, so that the velocity is measured. @param base its rotation */
  noteHeld(base: Quat, time: number, dt: number): void {
    this.markHeld(time);
    this.#heldFor += dt;
    const own = turn(conjugate(base), this.velocity);
    const gain = Math.min(1, dt / REST_MEMORY);
    this.#heldVelocity = scaleAndAdd(this.#heldVelocity, subtract(own, this.#heldVelocity), gain);
  }

  /** Updates the turn rate by the step from one rotation to another. */
  noteTurn(from: Quat, to: Quat, dt: number): void {
    this.#yawRate = wrapAngle(toYawPitchRoll(to)[0] - toYawPitchRoll(from)[0]) / dt;
  }

  /** Turns the velocity along with the world. */
  turn(rotation: Quat): void {
    this.velocity = turn(rotation, this.velocity);
  }

  /** Lets the speed decay over a frame that did not measure it. */
  fade(dt: number): void {
    this.velocity = scaled(this.velocity, powOf(COASTING, dt));
  }

  /** The rotation after `dt` seconds at the last yaw rate, from `from`, with the roll and pitch of `tilt`. */
  coastRotation(from: Quat, tilt: Quat, dt: number): Quat {
    const [yaw] = toYawPitchRoll(from);
    const [, pitch, roll] = toYawPitchRoll(tilt);
    return fromYawPitchRoll(yaw + this.#yawRate * dt, pitch, roll);
  }

  /** Predicts the position at constant speed. @param to the base's rotation `dt` seconds after the last frame */
  predict({ base: from, time }: LastFrame, to: Quat, dt: number, rolling: RollingChoice): Prediction {
    const coast = Math.min(dt, MOST_COAST);
    const unheld = (time - this.#heldAt) / 1e6 + dt;
    const speed = this.isKnown ? Math.min(SPEED, FIRST_SPEED + SPEED_GROWTH * unheld) : UNKNOWN_SPEED;
    return {
      position: add(from.position, this.#coast(from.rotation, to, coast, rolling)),
      sigma: LEAST_PREDICTION_SIGMA + 0.5 * ACCELERATION * coast * coast + SPEED * (dt - coast),
      growth: dt * speed,
    };
  }

  /** The direction, in the world, in which a rolling base moves between two rotations; null when it does not roll. */
  wayBetween(from: Quat, to: Quat, rolling: RollingChoice): Vec3 | null {
    const { axis } = this.rolling;
    if (axis === null || rolling === "off") return null;
    return turn(slerp(from, to, 0.5), axis);
  }

  /** Metres: displacement at the last velocity; for a rolling base, along its axis. */
  #coast(from: Quat, to: Quat, seconds: number, rolling: RollingChoice): Vec3 {
    const way = this.wayBetween(from, to, rolling);
    if (way === null) return scaled(this.velocity, seconds);
    return scaled(way, seconds * dot(this.velocity, turn(from, this.rolling.axis!)));
  }

  /**
   * Completes a step of a rolling base from the part that depth measured; null for a base that does not roll.
   * @param held   axes that depth holds
   * @param growth metres, 1 sigma, of the prediction
   */
  completeStep(
    { from, to, dt, growth }: { from: Pose; to: Pose; dt: number; growth: number },
    held: readonly Vec3[],
    rolling: RollingChoice,
  ): CompletedStep | null {
    const way = this.wayBetween(from.rotation, to.rotation, rolling);
    if (way === null) return null;
    const seen = subtract(to.position, from.position);
    const coasted = this.#coast(from.rotation, to.rotation, Math.min(dt, MOST_COAST), rolling);
    const mean = scaled(coasted, powOf(ROLLING_COAST, dt));
    const angle = angleBetween(from.rotation, to.rotation);
    const across = this.rolling.sidewaysOf(lengthOf(mean), angle) + STEP_NOISE / 10;
    const along = SPEED * dt + 0.5 * ACCELERATION * dt * dt;
    return completeStep(
      // Wheels seldom start to move sideways, but may start to move ahead at any time.
      { mean, weighing: axialCovariance(way, along, across), spread: axialCovariance(way, growth, across) },
      { axes: held, metres: held.map((axis) => dot(axis, seen)), noise: STEP_NOISE },
    );
  }

  /** The velocity, m/s, measured by a step. */
  velocityOf({ from, to, dt, offset, sigma, open, completed }: VelocityInput): Vec3 {
    // The part of a correction beyond three sigma of the prediction corrects the position. It is not motion, so it must not update the velocity.
    const step = subtract(to.position, from.position);
    const size = lengthOf(offset);
    const excess = size > 3 * sigma ? 1 - (3 * sigma) / size : 0;
    const measured = scaled(scaleAndAdd(step, offset, -excess), 1 / dt);
    let velocity = measured;
    const left = powOf(COASTING, dt);
    for (const { axis, kept } of open) {
      // Along a free axis the step was predicted from the speed, so measuring the speed by it would feed noise back. The speed decays
      // instead, unless a completed step measures it.
      const expected = completed === null ? left * dot(this.velocity, axis) : dot(completed.step, axis) / dt;
      velocity = scaleAndAdd(velocity, axis, (1 - kept) * (expected - dot(measured, axis)));
    }
    return velocity;
  }

  /** Share of the usual growth of doubt along an axis: small where the base was at rest while depth still held it. */
  growthShare(base: Quat, axis: Vec3): number {
    if (!this.isKnown) return 1;
    const [x, y, z] = turn(base, this.#heldVelocity);
    return Math.min(1, REST_SHARE + Math.abs(axis[0] * x + axis[1] * y + axis[2] * z) / SPEED);
  }
}
