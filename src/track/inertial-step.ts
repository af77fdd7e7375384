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
import { InertialFilter, ROBUST } from "./inertial-filter.ts";
import { LEAST_PREDICTION_SIGMA, STEP_NOISE, UNKNOWN_SPEED } from "./motion.ts";
import type { Rolling } from "./rolling.ts";

/** Seconds between two frames that inertial samples may leave out, and by which their span may differ from the frames'. Chosen by hand. */
const MOST_MISSING = 0.05;
const OTHER_SPAN = 0.002;
/** m/s, 1 sigma: error of a speed that depth measured in the last frame. Chosen by hand. */
const KNOWN_SPEED = 0.1;
/** Two frames share the map's errors: a step's variance is inflated by so much less than a place's (`VARIANCE_INFLATION`). Chosen by hand. */
const STEP_INFLATION = 4;
/** Squared cosine to an axis that was free in the last frame, from which on its step has the doubt about the place in it: 77 degrees. */
const SOME_FREE = 0.05;
/** Sigmas: as `THIN_SIGMAS`, of an axis that depth seems to hold while it holds all. Chosen by hand. */
const CLEAR_SIGMAS = 4.5;
/** Metres, 1 sigma: before anything was held, and in more doubt than this, what fits far off fits by chance. Chosen by hand. */
const CHANCE_DOUBT = 0.4;
/** Seconds for which the sideways motion of a rolling base keeps its error: the constraint counts once in this time, not once a frame. Chosen by hand. */
const SIDEWAYS_SECONDS = 1;
/** Sigmas beyond which a step sideways shows that the base does not roll: it was lifted or pushed. Chosen by hand. */
const ASIDE_SIGMAS = 4;
/** Seconds after a dispute between depth and accelerations in which no pose is called held. Chosen by hand. */
const DISPUTED_SECONDS = 1;
/** Metres by which a step may differ from what was felt and still show how the base moves. Chosen by hand. */
const AGREEING_STEP = 0.01;

/** What depth measured of the step of the imu's point along one axis. */
interface SeenStep {
  readonly metres: number;
  /** m^2. */
  readonly variance: number;
}

/** The base between two frames. */
export interface StepEnds {
  /** Where it was. */
  readonly from: Pose;
  /** Where depth has it. */
  readonly to: Pose;
  /** Microseconds, and seconds since the last frame. */
  readonly time: number;
  readonly dt: number;
  /** Metres, 1 sigma: by how much the step may mend the place rather than be a motion. */
  readonly mended: number;
}

/** How sure the place is before the step. */
export interface StepDoubt {
  /** (9) m^2, of the place before the step. */
  readonly local: Float64Array;
  /** Whether nothing was held yet by which a place could be told from another. */
  readonly isUnbegun: boolean;
  /** How far an axis lies along those that were free in the last frame: squared cosine. */
  readonly freedShare: (axis: Vec3) => number;
}

/** What the filter is corrected by. */
export interface Teaching {
  readonly ends: StepEnds;
  readonly doubt: StepDoubt;
}

/**
 * The step of the base between two frames by accelerations. Depth and the wheels correct the filter: depth by the steps that it measures,
 * the wheels because they do not go sideways. The filter follows the imu's own point; what that moves because the base turns (`swing`) is
 * taken off.
 */
export class InertialStep {
  readonly #filter: InertialFilter;
  /** Metres, in the base's axes: where the imu sits. */
  #lever: Vec3 = [0, 0, 0];
  /** Metres by which depth contradicted the accelerations: in the last frame, and in this one. */
  #lastSurprise: Vec3 = [0, 0, 0];
  #surprise: Vec3 = [0, 0, 0];
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

  /** Whether inertial samples cover the whole time since the last frame. */
  static covers({ span }: InertialInput, dt: number): boolean {
    return span.missing <= MOST_MISSING && Math.abs(span.total - dt) <= OTHER_SPAN;
  }

  /** Begins to follow a base that moves. @param isKnown whether depth measured its velocity in the last frame */
  start(velocity: Vec3, isKnown: boolean): void {
    this.#filter.start(velocity, isKnown ? KNOWN_SPEED : UNKNOWN_SPEED);
  }

  stop(): void {
    this.#filter.stop();
  }

  /** Follows the samples since the last frame. @param yaw radians from the attitudes' world to this one */
  advance({ span, baseFromImu }: InertialInput, yaw: number): void {
    this.#lever = baseFromImu.position;
    this.#filter.advance(span, yaw);
    if (this.#filter.isAtRest) this.#filter.rest();
  }

  /** The frame is done: its step is added to the sum, and the next step begins. */
  mark(): void {
    this.#filter.mark();
  }

  /** The world was turned. */
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

  /** m/s: of the base, which turned from one rotation to another. */
  velocityOf(from: Quat, to: Quat, dt: number): Vec3 {
    return scaleAndAdd(this.#filter.velocity, this.#swing(from, to), -1 / dt);
  }

  /** Whether depth and accelerations agree about the step: then it shows how the base moves. */
  agrees(from: Pose, to: Pose): boolean {
    const off = subtract(to.position, this.predict(from, to.rotation).position);
    return lengthOf(off) <= AGREEING_STEP;
  }

  /** Whether depth contradicted the accelerations within the last second. */
  isDisputed(time: number): boolean {
    return (time - this.#disputedAt) / 1e6 < DISPUTED_SECONDS;
  }

  /**
   * The outlier gate of accelerations: along an axis where the base cannot be by what was felt, depth is not believed and the axis becomes
   * free. The place gets less sure with each such frame, until depth passes the gate. The gate is wider where depth holds all axes.
   */
  doubtHeld(directions: Directions, { ends, doubt: { local, isUnbegun } }: Teaching): void {
    for (let k = 0; k < 3; k++) {
      const limit = isOpen(directions) ? THIN_SIGMAS : CLEAR_SIGMAS;
      if (directions.support[k] !== "held") continue;
      const axis = directions.axes[k]!;
      const { metres, variance } = this.#stepSeen(directions, k, ends, STEP_INFLATION);
      const spread = variance + varianceAlong(local, axis);
      const doubt = sigmaAlong(local, axis) + Math.sqrt(largestVariance(this.#filter.stepSpread));
      const isChance = isUnbegun && doubt > CHANCE_DOUBT;
      if (!isChance && this.#filter.surprise(axis, metres, spread) <= limit * limit) continue;
      directions.support[k] = "free";
      this.#disputedAt = ends.time;
      const off = Math.abs(metres - dot(axis, this.#filter.step));
      directions.refuted[k] = (off * ends.dt) / (limit * THIN_PATIENCE);
    }
  }

  /**
   * Corrects the filter by the steps that depth holds, and because a rolling base does not go sideways.
   * @param way the axis that it rolls along, in the world; null when it does not roll
   * @returns the step by all of these together
   */
  learn(directions: Directions, teaching: Teaching, way: Vec3 | null, rolling: Rolling): CompletedStep {
    const { ends } = teaching;
    this.#lastSurprise = this.#surprise;
    this.#surprise = [0, 0, 0];
    for (const k of axesWith(directions, "held")) this.#measure(directions, k, teaching, STEP_INFLATION);
    if (way !== null) this.#keepRolling(ends, way, rolling);
    return {
      step: this.stepTo(ends.from, ends.to.rotation),
      steady: this.#filter.stepSpread,
      white: new Float64Array(9),
    };
  }

  /** Corrects the filter by the steps that only few samples hold, after `doubtThin`. */
  learnThin(directions: Directions, teaching: Teaching): void {
    for (const k of axesWith(directions, "thin")) {
      this.#measure(directions, k, teaching, FEW_GAIN * STEP_INFLATION);
    }
  }

  /** Metres from the estimated place of the base to that by accelerations alone since it stood at `origin`. */
  offSince(origin: Pose, base: Pose): Vec3 {
    const swung = this.#swing(base.rotation, origin.rotation);
    return add(add(origin.position, this.#filter.sum), subtract(swung, base.position));
  }

  /** (9) m^2, of the way by accelerations since then. */
  get sumSpread(): Float64Array {
    return this.#filter.sumSpread;
  }

  /** The way since then begins anew. */
  forgetSum(): void {
    this.#filter.forget();
  }

  /** Metres by which the imu moves more than the base when that turns. */
  #swing(from: Quat, to: Quat): Vec3 {
    return subtract(turn(to, this.#lever), turn(from, this.#lever));
  }

  #stepSeen(
    { axes, information }: Directions,
    k: number,
    { from, to, mended }: StepEnds,
    inflation: number,
  ): SeenStep {
    const step = add(subtract(to.position, from.position), this.#swing(from.rotation, to.rotation));
    const variance = square(STEP_NOISE) + inflation / information[k]! + square(mended);
    return { metres: dot(axes[k]!, step), variance };
  }

  /** Corrects the filter by the step that depth measured along one axis. */
  #measure(directions: Directions, k: number, { ends, doubt }: Teaching, inflation: number): void {
    const axis = directions.axes[k]!;
    const seen = this.#stepSeen(directions, k, ends, inflation);
    const { metres } = seen;
    // Where it was free until now the step has the doubt about the place in it.
    const wasFree = doubt.freedShare(axis) > SOME_FREE;
    const variance = seen.variance + (wasFree ? varianceAlong(doubt.local, axis) : 0);
    const off = metres - dot(axis, this.#filter.step);
    const surprise = this.#filter.correctStep(axis, metres, variance);
    if (surprise <= square(ROBUST)) return;
    this.#disputedAt = ends.time;
    // If depth slipped, the next frame brings it back. If the next frame says the same, the base was pushed harder than the imu can feel.
    if (off * dot(this.#lastSurprise, axis) > 0) {
      this.#filter.unsettle(axis, Math.abs(off) / (ROBUST * ends.dt));
    }
    this.#surprise = scaleAndAdd(this.#surprise, axis, off);
  }

  /** Corrects the filter: a base on wheels does not go sideways, unless it was lifted or pushed. @param way the axis that it rolls along */
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
    if (axes.some((axis) => filter.surprise(axis, dot(axis, swing), variance) > square(ASIDE_SIGMAS))) return;
    for (const axis of axes) filter.correctStep(axis, dot(axis, swing), variance);
  }
}
