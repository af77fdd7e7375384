import type { Pose, Vec3 } from "../geometry/optics.ts";
import { compose, invert } from "../geometry/rigid.ts";
import { add, subtract } from "../geometry/vec.ts";
import { type Fusion, fuseAxes, sigmaAfter } from "./axis-fusion.ts";
import type { CompletedStep } from "./completed-step.ts";
import type { PoseDoubt } from "./doubt.ts";
import type { Frame, Prediction } from "./frame.ts";
import { axesWith, type Directions, doubtThin, FreeDirections, isFree, isOpen } from "./free-directions.ts";
import type { InertialStep, Teaching } from "./inertial-step.ts";
import type { BaseMotion } from "./motion.ts";
import { FOUND_SHARE } from "./recovery.ts";
import type { FrameRegistration } from "./registration.ts";
import { OVERRULING_MATCHES } from "./rotation-check.ts";

/** A frame that was registered, and what it was predicted from. */
export interface Registered {
  readonly frame: Frame;
  /** Where the base was at the last frame. */
  readonly from: Pose;
  readonly prediction: Prediction;
  /** Share of the samples on known ground that fit. */
  readonly share: number;
  /** Whether nothing was held yet by which a place could be told from another. */
  readonly isUnbegun: boolean;
}

/** Where a frame places the base. */
export interface Placed {
  readonly base: Pose;
  readonly directions: Directions;
}

/** What a step of the base is estimated from. */
interface Step extends Registered {
  readonly directions: Directions;
  readonly teaching: Teaching;
  readonly completed: CompletedStep | null;
}

/**
 * Places the base by a registered frame: judges which directions depth holds, completes the step along the others by accelerations or by
 * the way of a rolling base, weighs depth against that, and follows the motion.
 */
export class FramePlacer {
  readonly #registration: FrameRegistration;
  readonly #motion: BaseMotion;
  readonly #felt: InertialStep;
  readonly #doubt: PoseDoubt;
  readonly #directions = new FreeDirections();
  /** Metres: by how much better known the ground was that the last frame lay on than what it added to that. */
  #lead = 0;

  constructor(parts: {
    readonly registration: FrameRegistration;
    readonly motion: BaseMotion;
    readonly felt: InertialStep;
    readonly doubt: PoseDoubt;
  }) {
    this.#registration = parts.registration;
    this.#motion = parts.motion;
    this.#felt = parts.felt;
    this.#doubt = parts.doubt;
  }

  /** The registration is moved to where the lens then is. @returns null when the base cannot be where depth has it */
  place(registered: Registered): Placed | null {
    const { frame } = registered;
    const directions = this.#directions.judge(this.#registration, frame.hasOdometry);
    const teaching = this.#teaching(registered);
    if (frame.isFelt) this.#felt.doubtHeld(directions, teaching);
    const completed = this.#complete(registered, directions, teaching);
    const step: Step = { ...registered, directions, teaching, completed };
    const fusion = this.#fuse(step);
    if (fusion === null) return null;
    this.#directions.remember(directions);
    this.#registration.move(fusion.pull);
    const base = compose(this.#registration.worldFromLens, invert(frame.input.baseFromLens));
    this.#follow(step, fusion, base);
    return { base, directions };
  }

  /** What the inertial filter, if it runs, is corrected by. */
  #teaching({ frame, from, share, isUnbegun }: Registered): Teaching {
    // On coming back to known ground the step includes the correction of the drift since; a frame that fits badly is not back on it.
    const { lead, matched } = this.#registration.result;
    const isBack = share >= FOUND_SHARE && matched >= OVERRULING_MATCHES;
    const mended = isBack ? lead - this.#lead : 0;
    this.#lead = lead;
    const { time, baseFromLens } = frame.input;
    const to = compose(this.#registration.worldFromLens, invert(baseFromLens));
    return {
      ends: { from, to, time, dt: frame.dt, mended },
      doubt: {
        local: this.#doubt.local,
        isUnbegun,
        freedShare: (axis) => this.#directions.freedShare(axis),
      },
    };
  }

  /** The whole step by accelerations, or by the way of a rolling base; null when there is neither. */
  #complete(
    { frame, prediction }: Registered,
    directions: Directions,
    teaching: Teaching,
  ): CompletedStep | null {
    const { from, to, dt } = teaching.ends;
    const { rolling } = frame.settings;
    if (frame.isFelt) {
      const way = this.#motion.wayBetween(from.rotation, to.rotation, rolling);
      return this.#felt.learn(directions, teaching, way, this.#motion.rolling);
    }
    if (!isOpen(directions) || frame.hasOdometry) return null;
    const held = axesWith(directions, "held").map((k) => directions.axes[k]!);
    return this.#motion.completeStep({ from, to, dt, growth: prediction.growth }, held, rolling);
  }

  /** Weighs depth against the prediction and the completed step. */
  #fuse({ frame, prediction, directions, teaching, completed }: Step): Fusion | null {
    const { from, to } = teaching.ends;
    const { expected, position: registered } = this.#registration;
    let ahead = registered;
    if (completed !== null) {
      const position = add(from.position, completed.step);
      ahead = compose({ rotation: to.rotation, position }, frame.input.baseFromLens).position;
      const sigmaOf = (axis: Vec3) => sigmaAfter(this.#doubt.local, completed, axis);
      doubtThin(directions, subtract(ahead, registered), sigmaOf, frame.dt);
    }
    if (frame.isFelt) this.#felt.learnThin(directions, teaching);
    // Accelerations and odometry have errors of their own, also at rest.
    const isMeasured = frame.isFelt || frame.hasOdometry;
    return fuseAxes(this.#doubt, {
      directions,
      prediction,
      completed,
      expected,
      registered,
      ahead,
      restlessness: (axis) => (isMeasured ? 1 : this.#motion.restlessness(from.rotation, axis)),
    });
  }

  /** The velocity after the step, and whether it shows how the base rolls. */
  #follow({ frame, from, prediction, directions, completed }: Step, { kept }: Fusion, base: Pose): void {
    const { dt } = frame;
    const motion = this.#motion;
    let isAgreed = true;
    if (frame.isFelt) {
      motion.velocity = this.#felt.velocityOf(from.rotation, base.rotation, dt);
      // A correction of the place is not motion, so it must not teach how the base rolls.
      isAgreed = this.#felt.agrees(from, base);
      this.#felt.mark();
    } else {
      const open = [
        ...axesWith(directions, "free"),
        ...(completed === null ? [] : axesWith(directions, "thin")),
      ].map((k) => ({ axis: directions.axes[k]!, kept: kept[k]! }));
      const { expected, position } = this.#registration;
      const offset = subtract(position, expected);
      const { sigma } = prediction;
      motion.velocity = motion.velocityOf({ from, to: base, dt, offset, sigma, open, completed });
    }
    motion.seeTurn(from.rotation, base.rotation, dt);
    if (!isOpen(directions) && isAgreed) motion.rolling.see(base);
    else motion.rolling.interrupt();
    if (isFree(directions)) return;
    motion.seeHeld(base.rotation, frame.input.time, dt);
    this.#doubt.endSlide();
  }
}
