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

/** Metres, 1 sigma: error of odometry in one frame, whatever the way. Chosen by hand. */
const ODOMETRY_SIGMA = 0.003;
/** Metres, 1 sigma: of any prediction without odometry, so that depth is never shut out. Chosen by hand. */
export const LEAST_PREDICTION_SIGMA = 0.02;
/** Seconds for which a base is taken to keep its speed. Chosen by hand. */
const MOST_COAST = 0.3;
/** m/s^2, 1 sigma: how a base may speed up between frames. Chosen by hand. */
const ACCELERATION = 2;
/** m/s, 1 sigma: speed of a base after a while in which neither depth nor odometry measures it. Chosen by hand. */
const SPEED = 0.3;
/** Share of the speed in a free direction that is left after a second. Chosen by hand. */
const COASTING = 0.2;
/** The same of a rolling base, along its axis. Chosen by hand. */
const ROLLING_ON = 0.7;
/** m/s, 1 sigma: doubt about a speed that depth has just ceased to hold, and its growth, m/s each second, up to `SPEED`. Chosen by hand. */
const FIRST_SPEED = 0.05;
const SPEED_GROWTH = 0.5;
/** m/s, 1 sigma: speed of a base that depth has never held long enough to know it. Chosen by hand. */
export const UNKNOWN_SPEED = 0.45;
/** Seconds for which depth must have held the base before its velocity, and its rest along an axis, are believed. Chosen by hand. */
export const REST_SECONDS = 1;
/** Seconds over which that velocity is averaged. Chosen by hand. */
const REST_MEMORY = 0.5;
/** Share of the usual doubt that is left along an axis at rest: wheels seldom start sideways. Chosen by hand. */
const REST_SHARE = 0.2;
/** Metres, 1 sigma: error of the step between two frames as depth measures it, along an axis that it holds. Chosen by hand. */
export const STEP_NOISE = 0.003;

/** How odometry says the base moved. @param share error as a share of the way, 1 sigma */
export function predictByOdometry(base: Pose, before: Pose, now: Pose, share: number): Prediction {
  const moved = compose(invert(before), now).position;
  const step = turn(base.rotation, moved);
  const growth = share * lengthOf(step);
  return { position: add(base.position, step), sigma: ODOMETRY_SIGMA + growth, growth };
}

type RollingChoice = TrackerSettings["rolling"];

/** What a velocity is measured from. */
export interface VelocityInput {
  readonly from: Pose;
  readonly to: Pose;
  readonly dt: number;
  /** Metres, from the predicted to the final place, and 1 sigma of the prediction. */
  readonly offset: Vec3;
  readonly sigma: number;
  /** Axes that depth does not hold, and the share of depth's part of the step that was kept along each. */
  readonly open: readonly { readonly axis: Vec3; readonly kept: number }[];
  readonly completed: CompletedStep | null;
}

/**
 * How the base moves by itself: its velocity and turn rate, and whether it rolls along one axis. It predicts the next frame where neither
 * odometry nor accelerations do.
 */
export class BaseMotion {
  readonly rolling: Rolling;
  /** m/s, world. */
  velocity: Vec3 = [0, 0, 0];
  /** Radians per second. */
  #yawRate = 0;
  #heldAt = 0;
  #heldFor = 0;
  /** m/s, in the base's axes: running mean of the velocity while depth held it. */
  #heldVelocity: Vec3 = [0, 0, 0];

  /** @param isAhead whether the base is known to roll along its x axis */
  constructor(isAhead: boolean) {
    this.rolling = new Rolling(isAhead);
  }

  /** Microseconds: when depth last held every direction. */
  get heldAt(): number {
    return this.#heldAt;
  }

  /** Seconds for which depth has held every direction, all together. */
  get heldFor(): number {
    return this.#heldFor;
  }

  /** Whether depth has held the base long enough to know its velocity. */
  get isKnown(): boolean {
    return this.#heldFor >= REST_SECONDS;
  }

  /** Depth holds every direction at a time, microseconds. */
  markHeld(time: number): void {
    this.#heldAt = time;
  }

  /** Counts depth as having held the base for at least so long. */
  raiseHeldFor(seconds: number): void {
    this.#heldFor = Math.max(this.#heldFor, seconds);
  }

  /** Depth holds every direction; the velocity is known. @param base its rotation */
  seeHeld(base: Quat, time: number, dt: number): void {
    this.markHeld(time);
    this.#heldFor += dt;
    const own = turn(conjugate(base), this.velocity);
    const gain = Math.min(1, dt / REST_MEMORY);
    this.#heldVelocity = scaleAndAdd(this.#heldVelocity, subtract(own, this.#heldVelocity), gain);
  }

  /** The base turned from one rotation to another. */
  seeTurn(from: Quat, to: Quat, dt: number): void {
    this.#yawRate = wrapAngle(toYawPitchRoll(to)[0] - toYawPitchRoll(from)[0]) / dt;
  }

  /** The world was turned. */
  turn(rotation: Quat): void {
    this.velocity = turn(rotation, this.velocity);
  }

  /** Nothing measured the speed: it fades. */
  fade(dt: number): void {
    this.velocity = scaled(this.velocity, powOf(COASTING, dt));
  }

  /** `from` if it kept turning as it did, with the roll and pitch of `tilt`. */
  turnOn(from: Quat, tilt: Quat, dt: number): Quat {
    const [yaw] = toYawPitchRoll(from);
    const [, pitch, roll] = toYawPitchRoll(tilt);
    return fromYawPitchRoll(yaw + this.#yawRate * dt, pitch, roll);
  }

  /** Where the base is if it keeps its speed. @param to its rotation `dt` seconds after the last frame */
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

  /** The axis that a rolling base moves along on its way from one rotation to another, in the world; null when it does not roll. */
  wayBetween(from: Quat, to: Quat, rolling: RollingChoice): Vec3 | null {
    const { axis } = this.rolling;
    if (axis === null || rolling === "off") return null;
    return turn(slerp(from, to, 0.5), axis);
  }

  /** Metres: the way at the speed so far, along the axis of a rolling base if it is one. */
  #coast(from: Quat, to: Quat, seconds: number, rolling: RollingChoice): Vec3 {
    const way = this.wayBetween(from, to, rolling);
    if (way === null) return scaled(this.velocity, seconds);
    return scaled(way, seconds * dot(this.velocity, turn(from, this.rolling.axis!)));
  }

  /**
   * Completes a step of a rolling base from the part that depth holds; null for a base that does not roll.
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
    const mean = scaled(coasted, powOf(ROLLING_ON, dt));
    const angle = angleBetween(from.rotation, to.rotation);
    const across = this.rolling.sidewaysOf(lengthOf(mean), angle) + STEP_NOISE / 10;
    const along = SPEED * dt + 0.5 * ACCELERATION * dt * dt;
    return completeStep(
      // Wheels seldom start sideways, but ahead they may at any time.
      { mean, weighing: axialCovariance(way, along, across), spread: axialCovariance(way, growth, across) },
      { axes: held, metres: held.map((axis) => dot(axis, seen)), noise: STEP_NOISE },
    );
  }

  /** The velocity, m/s, that a step shows. */
  velocityOf({ from, to, dt, offset, sigma, open, completed }: VelocityInput): Vec3 {
    // The part of a correction beyond three sigma of the prediction mends the place; it is not motion, so it must not update the velocity.
    const step = subtract(to.position, from.position);
    const size = lengthOf(offset);
    const excess = size > 3 * sigma ? 1 - (3 * sigma) / size : 0;
    const measured = scaled(scaleAndAdd(step, offset, -excess), 1 / dt);
    let velocity = measured;
    const left = powOf(COASTING, dt);
    for (const { axis, kept } of open) {
      // Along a free axis the step was predicted from the speed, so measuring the speed by it would feed noise back. The speed fades
      // instead, unless a completed step says what it is.
      const expected = completed === null ? left * dot(this.velocity, axis) : dot(completed.step, axis) / dt;
      velocity = scaleAndAdd(velocity, axis, (1 - kept) * (expected - dot(measured, axis)));
    }
    return velocity;
  }

  /** Share of the usual doubt about the speed along an axis: little where the base did not move while depth still held it. */
  restlessness(base: Quat, axis: Vec3): number {
    if (!this.isKnown) return 1;
    const [x, y, z] = turn(base, this.#heldVelocity);
    return Math.min(1, REST_SHARE + Math.abs(axis[0] * x + axis[1] * y + axis[2] * z) / SPEED);
  }
}
