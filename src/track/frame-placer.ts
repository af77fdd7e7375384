import type { Pose, Vec3 } from "../geometry/optics.ts";
import { compose, invert } from "../geometry/rigid.ts";
import { add, subtract } from "../geometry/vec.ts";
import { type Fusion, fuseAxes, sigmaAfter } from "./axis-fusion.ts";
import type { CompletedStep } from "./completed-step.ts";
import type { PoseDoubt } from "./doubt.ts";
import type { Frame, Prediction } from "./frame.ts";
import { axesWith, type Directions, FreeDirections, gateThin, isFree, isOpen } from "./free-directions.ts";
import type { InertialStep, StepEvidence } from "./inertial-step.ts";
import type { BaseMotion } from "./motion.ts";
import { FOUND_SHARE } from "./recovery.ts";
import type { FrameRegistration } from "./registration.ts";
import { OVERRULING_MATCHES } from "./rotation-check.ts";

/** A registered frame, and its prediction. */
export interface Registered {
  readonly frame: Frame;
  /** worldFromBase at the last frame. */
  readonly from: Pose;
  readonly prediction: Prediction;
  /** Share of the samples on known ground that fit. */
  readonly share: number;
  /** See `MapBuilder.isUnanchored`. */
  readonly isUnanchored: boolean;
}

/** The pose of the base by a frame. */
export interface Placed {
  readonly base: Pose;
  readonly directions: Directions;
}

/** The inputs of the estimate of one step. */
interface Step extends Registered {
  readonly directions: Directions;
  readonly evidence: StepEvidence;
  readonly completed: CompletedStep | null;
}

/**
 * Estimates the base's pose from a registered frame: judges which directions depth constrains, completes the step along the others by
 * accelerations or by the direction of a rolling base, fuses both, and updates the motion.
 */
export class FramePlacer {
  readonly #registration: FrameRegistration;
  readonly #motion: BaseMotion;
  readonly #inertial: InertialStep;
  readonly #doubt: PoseDoubt;
  readonly #directions = new FreeDirections();
  /** Metres: `Registration.lead` of the last frame. */
  #lead = 0;

  constructor(parts: {
    readonly registration: FrameRegistration;
    readonly motion: BaseMotion;
    readonly inertial: InertialStep;
    readonly doubt: PoseDoubt;
  }) {
    this.#registration = parts.registration;
    this.#motion = parts.motion;
    this.#inertial = parts.inertial;
    this.#doubt = parts.doubt;
  }

  /** Moves the registration to the estimated pose of the lens. @returns null when the pose by depth is not believed */
  place(registered: Registered): Placed | null {
    const { frame } = registered;
    const directions = this.#directions.judge(this.#registration, frame.hasOdometry);
    const evidence = this.#evidence(registered);
    if (frame.isInertial) this.#inertial.gateHeld(directions, evidence);
    const completed = this.#complete(registered, directions, evidence);
    const step: Step = { ...registered, directions, evidence, completed };
    const fusion = this.#fuse(step);
    if (fusion === null) return null;
    this.#directions.remember(directions);
    this.#registration.move(fusion.shift);
    const base = compose(this.#registration.worldFromLens, invert(frame.input.baseFromLens));
    this.#follow(step, fusion, base);
    return { base, directions };
  }

  /** The measurements that correct the inertial filter, if it runs. */
  #evidence({ frame, from, share, isUnanchored }: Registered): StepEvidence {
    // On return to known ground the step includes the correction of the drift since. A frame that fits badly has not returned to it.
    const { lead, matched } = this.#registration.result;
    const isBack = share >= FOUND_SHARE && matched >= OVERRULING_MATCHES;
    const correction = isBack ? lead - this.#lead : 0;
    this.#lead = lead;
    const { time, baseFromLens } = frame.input;
    const to = compose(this.#registration.worldFromLens, invert(baseFromLens));
    return {
      ends: { from, to, time, dt: frame.dt, correction },
      doubt: {
        local: this.#doubt.local,
        isUnanchored,
        freedShare: (axis) => this.#directions.freedShare(axis),
      },
    };
  }

  /** The whole step by accelerations, or by the direction of a rolling base; null when neither is available. */
  #complete(
    { frame, prediction }: Registered,
    directions: Directions,
    evidence: StepEvidence,
  ): CompletedStep | null {
    const { from, to, dt } = evidence.ends;
    const { rolling } = frame.settings;
    if (frame.isInertial) {
      const way = this.#motion.wayBetween(from.rotation, to.rotation, rolling);
      return this.#inertial.learn(directions, evidence, way, this.#motion.rolling);
    }
    if (!isOpen(directions) || frame.hasOdometry) return null;
    const held = axesWith(directions, "held").map((k) => directions.axes[k]!);
    return this.#motion.completeStep({ from, to, dt, growth: prediction.growth }, held, rolling);
  }

  /** Fuses depth with the prediction and the completed step. */
  #fuse({ frame, prediction, directions, evidence, completed }: Step): Fusion | null {
    const { from, to } = evidence.ends;
    const { expected, position: registered } = this.#registration;
    let ahead = registered;
    if (completed !== null) {
      const position = add(from.position, completed.step);
      ahead = compose({ rotation: to.rotation, position }, frame.input.baseFromLens).position;
      const sigmaOf = (axis: Vec3) => sigmaAfter(this.#doubt.local, completed, axis);
      gateThin(directions, subtract(ahead, registered), sigmaOf, frame.dt);
    }
    if (frame.isInertial) this.#inertial.learnThin(directions, evidence);
    // Accelerations and odometry have errors also at rest, so the prediction grows in full.
    const isMeasured = frame.isInertial || frame.hasOdometry;
    return fuseAxes(this.#doubt, {
      directions,
      prediction,
      completed,
      expected,
      registered,
      ahead,
      growthShare: (axis) => (isMeasured ? 1 : this.#motion.growthShare(from.rotation, axis)),
    });
  }

  /** Updates velocity, turn rate and rolling axis after the step. */
  #follow({ frame, from, prediction, directions, completed }: Step, { kept }: Fusion, base: Pose): void {
    const { dt } = frame;
    const motion = this.#motion;
    let isAgreed = true;
    if (frame.isInertial) {
      motion.velocity = this.#inertial.velocityOf(from.rotation, base.rotation, dt);
      // A correction of the position is not motion, so it must not change the rolling axis.
      isAgreed = this.#inertial.agrees(from, base);
      this.#inertial.mark();
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
    motion.noteTurn(from.rotation, base.rotation, dt);
    if (!isOpen(directions) && isAgreed) motion.rolling.add(base);
    else motion.rolling.interrupt();
    if (isFree(directions)) return;
    motion.noteHeld(base.rotation, frame.input.time, dt);
    this.#doubt.endSlide();
  }
}
