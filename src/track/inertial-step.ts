import { lengthOf, square } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { angleBetween, turn } from "../geometry/rigid.ts";
import { largestVariance, sigmaAlong, varianceAlong } from "../geometry/symmetric3.ts";
import { add, cross, dot, scaleAndAdd, subtract, unit } from "../geometry/vec.ts";
import type { CompletedStep } from "./completed-step.ts";
import type { InertialInput, Prediction } from "./frame.ts";
import {
  axesWith,
  type Directions,
  FEW_GAIN,
  isOpen,
  THIN_PATIENCE,
  THIN_SIGMAS,
} from "./free-directions.ts";
import { GATE_SIGMAS, InertialFilter } from "./inertial-filter.ts";
import { LEAST_PREDICTION_SIGMA, STEP_NOISE, UNKNOWN_SPEED } from "./motion.ts";
import type { Rolling } from "./rolling.ts";

/** Seconds: the longest gap in the inertial samples between two frames, and the most that their span may differ from the frames'. Chosen by hand. */
const MOST_MISSING = 0.05;
const OTHER_SPAN = 0.002;
/** m/s, 1 sigma: error of a speed that depth measured in the last frame. Chosen by hand. */
const KNOWN_SPEED = 0.1;
/** Two frames share the map's errors, so the variance of a step is inflated by less than that of a position (`VARIANCE_INFLATION`). Chosen by hand. */
const STEP_INFLATION = 4;
/** Squared cosine to the axes that were free in the last frame. Beyond it, the step along an axis contains the doubt about the position: 77 degrees. */
const SOME_FREE = 0.05;
/** As `THIN_SIGMAS`, for frames in which depth holds all axes. Chosen by hand. */
const CLEAR_SIGMAS = 4.5;
/** Metres, 1 sigma: before depth has held anything, and with more doubt than this, a fit is taken to be by chance. Chosen by hand. */
const CHANCE_DOUBT = 0.4;
/** Correlation time, seconds, of the sideways error of a rolling base: the constraint counts once in this time, not once a frame. Chosen by hand. */
const SIDEWAYS_SECONDS = 1;
/** Sigmas: a sideways step beyond this shows that the base does not roll but was lifted or pushed. Chosen by hand. */
const ASIDE_SIGMAS = 4;
/** Seconds after depth has contradicted the accelerations in which no pose counts as held. Chosen by hand. */
const DISPUTED_SECONDS = 1;
/** Metres: the most that a step may differ from the inertial one and still teach the rolling axis. Chosen by hand. */
const AGREEING_STEP = 0.01;

/** The step of the imu's position along one axis, as depth measured it. */
interface SeenStep {
  readonly metres: number;
  /** m^2. */
  readonly variance: number;
}

/** The base between two frames. */
export interface StepEnds {
  /** worldFromBase at the last frame. */
  readonly from: Pose;
  /** worldFromBase by depth. */
  readonly to: Pose;
  /** Microseconds, and seconds since the last frame. */
  readonly time: number;
  readonly dt: number;
  /** Metres, 1 sigma: the part of the step that may be a correction of the position rather than motion. */
  readonly correction: number;
}

/** Uncertainty before the step. */
export interface StepDoubt {
  /** (9) m^2, of the position before the step. */
  readonly local: Float64Array;
  /** See `MapBuilder.isUnanchored`. */
  readonly isUnanchored: boolean;
  /** Squared cosine of an axis to the axes that were free in the last frame. */
  readonly freedShare: (axis: Vec3) => number;
}

/** The measurements that correct the filter. */
export interface StepEvidence {
  readonly ends: StepEnds;
  readonly doubt: StepDoubt;
}

/**
 * The step of the base between two frames by accelerations. Two measurements correct the filter: the steps that depth measures, and the
 * constraint that wheels do not slide sideways. The filter's state is of the imu's own position. `swing` is the part of its motion that
 * comes from the turning of the base; it is subtracted.
 */
export class InertialStep {
  readonly #filter: InertialFilter;
  /** Lever arm of the imu: metres, in the base's axes. */
  #lever: Vec3 = [0, 0, 0];
  /** Metres, world: innovations beyond the gate, of the last frame and of this one; zero along axes without. */
  #lastInnovation: Vec3 = [0, 0, 0];
  #innovation: Vec3 = [0, 0, 0];
  /** Microseconds: when depth last contradicted the accelerations. */
  #disputedAt = Number.NEGATIVE_INFINITY;

  /** @param tiltSigma radians: noise of the attitudes about level axes */
  constructor(tiltSigma: number) {
    this.#filter = new InertialFilter(tiltSigma);
  }

  /** (9) (m/s)^2. */
  get velocitySpread(): Float64Array {
    return this.#filter.velocitySpread;
  }

  get isRunning(): boolean {
    return this.#filter.isRunning;
  }

  /** Whether the base stands still: see `InertialFilter.isAtRest`. */
  get isAtRest(): boolean {
    return this.#filter.isRunning && this.#filter.isAtRest;
  }

  /** Whether inertial samples cover the whole time since the last frame. */
  static covers({ span }: InertialInput, dt: number): boolean {
    return span.missing <= MOST_MISSING && Math.abs(span.total - dt) <= OTHER_SPAN;
  }

  /** Starts the filter. @param isKnown whether depth measured the velocity in the last frame */
  start(velocity: Vec3, isKnown: boolean): void {
    this.#filter.start(velocity, isKnown ? KNOWN_SPEED : UNKNOWN_SPEED);
  }

  stop(): void {
    this.#filter.stop();
  }

  /** Propagates the filter over the samples since the last frame. @param yaw radians from the attitudes' world to this one */
  advance({ span, baseFromImu }: InertialInput, yaw: number): void {
    this.#lever = baseFromImu.position;
    this.#filter.advance(span, yaw);
    if (this.#filter.isAtRest) this.#filter.rest();
  }

  /** Ends the frame: see `InertialFilter.mark`. */
  mark(): void {
    this.#filter.mark();
  }

  /** Turns the state along with the world. */
  turn(rotation: Quat): void {
    this.#filter.turn(rotation);
  }

  /** The step of the base from a pose to another rotation, metres. */
  stepTo(from: Pose, rotation: Quat): Vec3 {
    return subtract(this.#filter.step, this.#swing(from.rotation, rotation));
  }

  predict(from: Pose, rotation: Quat): Prediction {
    const growth = Math.sqrt(largestVariance(this.#filter.stepSpread));
    const position = add(from.position, this.stepTo(from, rotation));
    return { position, sigma: LEAST_PREDICTION_SIGMA + growth, growth };
  }

  /** m/s: velocity of the base while it turned from one rotation to another in `dt` seconds. */
  velocityOf(from: Quat, to: Quat, dt: number): Vec3 {
    return scaleAndAdd(this.#filter.velocity, this.#swing(from, to), -1 / dt);
  }

  /** Whether the step agrees with the accelerations, so that it may teach the rolling axis. */
  agrees(from: Pose, to: Pose): boolean {
    const off = subtract(to.position, this.predict(from, to.rotation).position);
    return lengthOf(off) <= AGREEING_STEP;
  }

  /** Whether depth contradicted the accelerations within the last second. */
  isDisputed(time: number): boolean {
    return (time - this.#disputedAt) / 1e6 < DISPUTED_SECONDS;
  }

  /**
   * The outlier gate of accelerations: along an axis where depth contradicts them, depth is rejected and the axis becomes free. The doubt
   * grows with each such frame, until depth passes the gate. The gate is wider where depth holds all axes.
   */
  gateHeld(directions: Directions, { ends, doubt: { local, isUnanchored } }: StepEvidence): void {
    for (let k = 0; k < 3; k++) {
      const limit = isOpen(directions) ? THIN_SIGMAS : CLEAR_SIGMAS;
      if (directions.support[k] !== "held") continue;
      const axis = directions.axes[k]!;
      const { metres, variance } = this.#stepSeen(directions, k, ends, STEP_INFLATION);
      const spread = variance + varianceAlong(local, axis);
      const doubt = sigmaAlong(local, axis) + Math.sqrt(largestVariance(this.#filter.stepSpread));
      const isChance = isUnanchored && doubt > CHANCE_DOUBT;
      if (!isChance && this.#filter.innovationSquared(axis, metres, spread) <= limit * limit) continue;
      directions.support[k] = "free";
      this.#disputedAt = ends.time;
      const off = Math.abs(metres - dot(axis, this.#filter.step));
      directions.rejectedSigma[k] = (off * ends.dt) / (limit * THIN_PATIENCE);
    }
  }

  /**
   * Corrects the filter by the steps along axes that depth holds, and by the constraint that a rolling base does not move sideways.
   * @param way the axis that it rolls along, in the world; null when it does not roll
   * @returns the corrected step
   */
  learn(directions: Directions, evidence: StepEvidence, way: Vec3 | null, rolling: Rolling): CompletedStep {
    const { ends } = evidence;
    this.#lastInnovation = this.#innovation;
    this.#innovation = [0, 0, 0];
    for (const k of axesWith(directions, "held")) this.#measure(directions, k, evidence, STEP_INFLATION);
    if (way !== null) this.#keepRolling(ends, way, rolling);
    return {
      step: this.stepTo(ends.from, ends.to.rotation),
      steady: this.#filter.stepSpread,
      white: new Float64Array(9),
    };
  }

  /** Corrects the filter by the steps along thin axes. Call it after `gateThin`. */
  learnThin(directions: Directions, evidence: StepEvidence): void {
    for (const k of axesWith(directions, "thin")) {
      this.#measure(directions, k, evidence, FEW_GAIN * STEP_INFLATION);
    }
  }

  /** Metres from the estimated position of the base to the position by accelerations alone since it stood at `origin`. */
  offSince(origin: Pose, base: Pose): Vec3 {
    const swung = this.#swing(base.rotation, origin.rotation);
    return add(add(origin.position, this.#filter.sum), subtract(swung, base.position));
  }

  /** (9) m^2, covariance of the displacement by accelerations since the last `forgetSum`. */
  get sumSpread(): Float64Array {
    return this.#filter.sumSpread;
  }

  /** Resets that displacement to zero. */
  forgetSum(): void {
    this.#filter.forget();
  }

  /** Metres that the imu's position moves relative to the base's when the base turns. */
  #swing(from: Quat, to: Quat): Vec3 {
    return subtract(turn(to, this.#lever), turn(from, this.#lever));
  }

  #stepSeen(
    { axes, information }: Directions,
    k: number,
    { from, to, correction }: StepEnds,
    inflation: number,
  ): SeenStep {
    const step = add(subtract(to.position, from.position), this.#swing(from.rotation, to.rotation));
    const variance = square(STEP_NOISE) + inflation / information[k]! + square(correction);
    return { metres: dot(axes[k]!, step), variance };
  }

  /** Corrects the filter by the step that depth measured along one axis. */
  #measure(directions: Directions, k: number, { ends, doubt }: StepEvidence, inflation: number): void {
    const axis = directions.axes[k]!;
    const seen = this.#stepSeen(directions, k, ends, inflation);
    const { metres } = seen;
    // Along an axis that was free until now, the step contains the doubt about the position.
    const wasFree = doubt.freedShare(axis) > SOME_FREE;
    const variance = seen.variance + (wasFree ? varianceAlong(doubt.local, axis) : 0);
    const off = metres - dot(axis, this.#filter.step);
    const innovationSquared = this.#filter.correctStep(axis, metres, variance);
    if (innovationSquared <= square(GATE_SIGMAS)) return;
    this.#disputedAt = ends.time;
    // A slip of depth is undone by the next frame. If the next frame has the same sign, the base was pushed harder than the imu can measure.
    if (off * dot(this.#lastInnovation, axis) > 0) {
      this.#filter.inflateVelocity(axis, Math.abs(off) / (GATE_SIGMAS * ends.dt));
    }
    this.#innovation = scaleAndAdd(this.#innovation, axis, off);
  }

  /** Corrects the filter by the non-holonomic constraint of wheels, unless the base was lifted or pushed. @param way the axis that it rolls along */
  #keepRolling({ from, to, dt }: StepEnds, way: Vec3, rolling: Rolling): void {
    const filter = this.#filter;
    const swing = this.#swing(from.rotation, to.rotation);
    const step = subtract(filter.step, swing);
    const along = Math.abs(dot(step, way)) + sigmaAlong(filter.stepSpread, way);
    const angle = angleBetween(from.rotation, to.rotation);
    const across = rolling.sidewaysOf(along, angle) + STEP_NOISE / 10;
    const variance = across * across * Math.max(1, SIDEWAYS_SECONDS / dt);
    const side = unit(cross(Math.abs(way[2]) < 0.7 ? [0, 0, 1] : [1, 0, 0], way))!;
    const axes = [side, cross(way, side)];
    const isAside = axes.some(
      (axis) => filter.innovationSquared(axis, dot(axis, swing), variance) > square(ASIDE_SIGMAS),
    );
    if (isAside) return;
    for (const axis of axes) filter.correctStep(axis, dot(axis, swing), variance);
  }
}
