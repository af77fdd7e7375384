import { square } from "../geometry/elementary.ts";
import type { Pose, Vec3 } from "../geometry/optics.ts";
import { IDENTITY } from "../geometry/rigid.ts";
import { addOuter, largestVariance, multiplyVector, propagate } from "../geometry/symmetric3.ts";
import type { InertialStep } from "./inertial-step.ts";

/** m/s, 1 sigma: once the speed is known this well, the path before is known, too. Chosen by hand. */
const SETTLED_SPEED = 0.05;
/** Seconds after the map began: earliest and latest time of the correction. Chosen by hand. */
const SETTLED_AFTER = 0.4;
const SETTLED_BY = 3;

/** A map whose position is still to be corrected. */
interface Waiting {
  /** Microseconds. */
  readonly until: number;
  /** (9) sum of a a^T over the axes a that were free until the map began. */
  readonly free: Float64Array;
  /** (9) m^2: covariance of the position from before these axes became free. */
  readonly anchor: Float64Array;
}

/** The correction of a young map's position. */
export interface MapShift {
  /** Metres. */
  readonly shift: Vec3;
  /** (9) m^2: covariance of the map's position against the start of the base. */
  readonly anchor: Float64Array;
}

/**
 * The position of a map that begins while the base moves over bare floor. At that time neither the speed nor the displacement since
 * switching on is known. Steps against the new map then measure the speed. With it the inertial filter also knows the displacement before,
 * and the young map is moved accordingly.
 */
export class MapStart {
  /** Whether the filter has run since the first frame, and the pose of the base in that frame. */
  #isTraced = false;
  #origin: Pose = IDENTITY;
  #waiting: Waiting | null = null;

  /** Whether a map's position is still to be corrected. */
  get isWaiting(): boolean {
    return this.#waiting !== null;
  }

  /** Sets the pose of the base in the first frame. */
  begin(origin: Pose): void {
    this.#origin = origin;
  }

  /** Notes that the inertial filter starts. @param isFirst whether in the frame after the first one */
  trace(isFirst: boolean): void {
    this.#isTraced = isFirst;
    this.#waiting = null;
  }

  /** Notes that the inertial filter has stopped: its displacement since the start is lost. */
  cancel(): void {
    this.#waiting = null;
  }

  /** Notes that a map begins in a frame. @param free axes that were free until then; @param anchor (9) m^2, covariance from before */
  mapBegins(time: number, free: readonly Vec3[], anchor: Float64Array): void {
    if (!this.#isTraced || this.#waiting !== null) return;
    const axes = new Float64Array(9);
    for (const axis of free) addOuter(axes, axis, 1);
    this.#waiting = { until: time + 1e6 * SETTLED_BY, free: axes, anchor };
  }

  /** Whether a correction is due: the speed is known, or the latest time has come. @param velocitySpread (9) (m/s)^2 */
  isDue(time: number, velocitySpread: Float64Array): boolean {
    if (this.#waiting === null) return false;
    const left = (this.#waiting.until - time) / 1e6;
    const isKnown = largestVariance(velocitySpread) <= square(SETTLED_SPEED);
    return left <= 0 || (isKnown && left <= SETTLED_BY - SETTLED_AFTER);
  }

  /** The correction of the map. @param base its estimated pose */
  settle(inertial: InertialStep, base: Pose): MapShift {
    const { free, anchor } = this.#waiting!;
    this.#waiting = null;
    const shift = multiplyVector(free, inertial.offSince(this.#origin, base));
    const doubt = propagate(free, inertial.sumSpread);
    return { shift, anchor: anchor.map((variance, i) => variance + doubt[i]!) };
  }
}
