import { square } from "../geometry/elementary.ts";
import type { Pose, Vec3 } from "../geometry/optics.ts";
import { IDENTITY } from "../geometry/rigid.ts";
import { addOuter, largestVariance, multiplyVector, propagate } from "../geometry/symmetric3.ts";
import type { InertialStep } from "./inertial-step.ts";

/** m/s, 1 sigma: once its speed is known so well, a base knows how far it came before. Chosen by hand. */
const SETTLED_SPEED = 0.05;
/** Seconds after the map began, at the earliest and at the latest, at which it is moved by that. Chosen by hand. */
const SETTLED_AFTER = 0.4;
const SETTLED_BY = 3;

/** A map that waits for its place. */
interface Waiting {
  /** Microseconds. */
  readonly until: number;
  /** (9) sum of a a^T over the axes a that were free until the map began. */
  readonly free: Float64Array;
  /** (9) m^2: doubt about the place from before these axes were free. */
  readonly anchor: Float64Array;
}

/** By how much a young map is moved. */
export interface MapShift {
  /** Metres. */
  readonly shift: Vec3;
  /** (9) m^2: doubt about the map's place against where the base began. */
  readonly anchor: Float64Array;
}

/**
 * The place of a map that begins while the base moves over bare floor. The base does not know its speed then, nor how far it came since it
 * was switched on. Once steps against the new map have shown the speed, the inertial filter knows that way, too, and the young map is moved
 * to where it should have begun.
 */
export class MapStart {
  /** Whether the filter was there from the first frame on, and where the base stood in that. */
  #isTraced = false;
  #origin: Pose = IDENTITY;
  #waiting: Waiting | null = null;

  /** Whether a map waits for its place. */
  get isWaiting(): boolean {
    return this.#waiting !== null;
  }

  /** The base stands here in the first frame. */
  begin(origin: Pose): void {
    this.#origin = origin;
  }

  /** The inertial filter starts. @param isFirst whether in the frame after the first one */
  trace(isFirst: boolean): void {
    this.#isTraced = isFirst;
    this.#waiting = null;
  }

  /** The inertial filter does not follow the base any more. */
  cancel(): void {
    this.#waiting = null;
  }

  /** A map begins in a frame. @param free axes that were free until then; @param anchor (9) m^2, doubt from before */
  mapBegins(time: number, free: readonly Vec3[], anchor: Float64Array): void {
    if (!this.#isTraced || this.#waiting !== null) return;
    const axes = new Float64Array(9);
    for (const axis of free) addOuter(axes, axis, 1);
    this.#waiting = { until: time + 1e6 * SETTLED_BY, free: axes, anchor };
  }

  /** Whether a map waits and the speed is known by now, or never will be. @param velocitySpread (9) (m/s)^2 */
  isDue(time: number, velocitySpread: Float64Array): boolean {
    if (this.#waiting === null) return false;
    const left = (this.#waiting.until - time) / 1e6;
    const isKnown = largestVariance(velocitySpread) <= square(SETTLED_SPEED);
    return left <= 0 || (isKnown && left <= SETTLED_BY - SETTLED_AFTER);
  }

  /** By how much the waiting map must be moved. @param base where the base is thought to be */
  settle(felt: InertialStep, base: Pose): MapShift {
    const { free, anchor } = this.#waiting!;
    this.#waiting = null;
    const shift = multiplyVector(free, felt.offSince(this.#origin, base));
    const doubt = propagate(free, felt.sumSpread);
    return { shift, anchor: anchor.map((variance, i) => variance + doubt[i]!) };
  }
}
