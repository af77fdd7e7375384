import { square } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { multiply, turn } from "../geometry/rigid.ts";
import { largestVariance, setDiagonal, varianceAlong } from "../geometry/symmetric3.ts";
import { add, subtract } from "../geometry/vec.ts";
import type { PoseDoubt } from "./doubt.ts";
import type { Frame } from "./frame.ts";
import { axesWith, type Directions } from "./free-directions.ts";
import type { InertialStep } from "./inertial-step.ts";
import type { MapLevel } from "./level.ts";
import { facingShare, type LocalMap } from "./local-map.ts";
import { MapStart } from "./map-start.ts";
import type { BaseMotion } from "./motion.ts";
import { placement, poseOf, turnBy } from "./placement.ts";
import { type FrameRegistration, LEAST_MATCHES } from "./registration.ts";
import type { Samples } from "./samples.ts";

/** Seconds for which depth must have held the base before its map counts as anchored. Chosen by hand. */
const FIRM_SECONDS = 0.4;
/** A frame with a smaller share of its samples on known ground shows a new place. Chosen by hand. */
const NEW_GROUND = 0.2;
/** Share of the samples that must face a free axis before a new surface counts as ending it. Chosen by hand. */
const NEWLY_FACED = 0.05;
/** Metres, 1 sigma: with more doubt about the position no new ground is added to the map. Chosen by hand. */
export const MOST_DOUBT = 0.3;
/** The same with odometry, which bounds the drift on the path there. Chosen by hand. */
const MOST_ODOMETRY_DOUBT = 1;
const ALL_AXES: readonly Vec3[] = [
  [1, 0, 0],
  [0, 1, 0],
  [0, 0, 1],
];

/** A correction of the young map's pose. The world moves with it. */
export interface WorldMove {
  /** Null for a translation. */
  readonly rotation: Quat | null;
  readonly apply: (pose: Pose) => Pose;
}

/**
 * Extends the map by frames:
 * - by all samples of a frame that depth holds;
 * - by the samples that do not depend on the position along free axes, where there are any;
 * - by new ground where nothing known is in view, while the doubt about the position is small.
 * It also levels the young map, and corrects the position where it began.
 */
export class MapBuilder {
  readonly start = new MapStart();
  readonly #map: LocalMap;
  readonly #level: MapLevel;
  readonly #registration: FrameRegistration;
  readonly #doubt: PoseDoubt;
  readonly #motion: BaseMotion;
  readonly #inertial: InertialStep;

  constructor(parts: {
    readonly map: LocalMap;
    readonly level: MapLevel;
    readonly registration: FrameRegistration;
    readonly doubt: PoseDoubt;
    readonly motion: BaseMotion;
    readonly inertial: InertialStep;
  }) {
    this.#map = parts.map;
    this.#level = parts.level;
    this.#registration = parts.registration;
    this.#doubt = parts.doubt;
    this.#motion = parts.motion;
    this.#inertial = parts.inertial;
  }

  /** Whether the position comes from accelerations alone, because depth has not yet held the base for long enough. */
  isUnanchored({ isInertial }: Frame): boolean {
    return isInertial && this.#motion.heldFor < FIRM_SECONDS;
  }

  /** Adds all samples of a frame at the registered pose. */
  fuse(all: Samples): void {
    this.#map.fuse(all, this.#registration.pose, this.#doubt.worldSigma);
  }

  /** Moves a map that began at an unknown position, once `MapStart` knows the position; else returns null. @param base its estimated pose */
  settle(frame: Frame, base: Pose): WorldMove | null {
    if (!this.start.isDue(frame.input.time, this.#inertial.velocitySpread)) return null;
    const { shift, anchor } = this.start.settle(this.#inertial, base);
    this.#registration.move(shift);
    this.#doubt.anchor.set(anchor);
    this.#restart(frame.input.all);
    this.#motion.raiseHeldFor(FIRM_SECONDS);
    this.#inertial.forgetSum();
    const apply = ({ rotation, position }: Pose): Pose => ({ rotation, position: add(position, shift) });
    return { rotation: null, apply };
  }

  /** Adds a registered frame. @param centre the point about which a young map is levelled */
  extend(frame: Frame, directions: Directions, centre: Vec3): WorldMove | null {
    const free = axesWith(directions, "free").map((k) => directions.axes[k]!);
    if (free.length > 0) {
      this.#extendFree(frame, free);
      return null;
    }
    this.fuse(frame.input.all);
    return this.#makeLevel(centre);
  }

  /** Adds a dead-reckoned frame if it shows new ground, with nothing known in view. */
  extendCarried(frame: Frame): void {
    const { chosen, all } = frame.input;
    const isNew =
      chosen.count >= LEAST_MATCHES &&
      this.#map.countKnown(chosen, this.#registration.pose) < NEW_GROUND * chosen.count;
    if (!isNew) return;
    const variance = largestVariance(this.#doubt.local);
    if (this.isUnanchored(frame)) this.#begin(frame, ALL_AXES);
    else if (variance <= square(mostDoubt(frame))) this.#build(Math.sqrt(variance), all);
  }

  /** Adds the samples that do not depend on the position along the free axes; or all samples, when a new surface ends a free axis. */
  #extendFree(frame: Frame, free: readonly Vec3[]): void {
    const { all } = frame.input;
    const { pose } = this.#registration;
    let isFaced = false;
    let variance = 0;
    for (const axis of free) {
      isFaced ||= facingShare(all, pose, axis) > NEWLY_FACED;
      variance = Math.max(variance, varianceAlong(this.#doubt.local, axis));
    }
    // Until now all surfaces in the map are parallel to these axes, so the map may start at any position along them.
    if (isFaced && this.isUnanchored(frame)) this.#begin(frame, free);
    else if (isFaced && variance <= square(mostDoubt(frame))) this.#build(Math.sqrt(variance), all);
    else if (free.length < 3) {
      this.#map.fuse(all, pose, this.#doubt.worldSigma, Float64Array.from(free.flat()));
    }
  }

  /** Adds new ground at the estimated pose. The doubt about the pose is built into the map. @param sigma metres */
  #build(sigma: number, all: Samples): void {
    this.#doubt.buildSlide(sigma);
    this.fuse(all);
  }

  /** Begins a map at the position that the base has reached since it was switched on. */
  #begin({ input: { time, all } }: Frame, free: readonly Vec3[]): void {
    const anchor = this.#doubt.anchor.slice();
    this.#doubt.beginMap();
    this.#restart(all);
    this.start.mapBegins(time, free, anchor);
  }

  /** Restarts the map with this frame: earlier surfaces were placed while the speed was unknown. */
  #restart(all: Samples): void {
    this.#map.adopt(this.#map.empty());
    this.#doubt.settle();
    this.fuse(all);
  }

  #makeLevel(centre: Vec3): WorldMove | null {
    const tilt = this.#level.take(this.#map.fused);
    if (tilt === null) return null;
    const correction = placement();
    setDiagonal(correction.rotation, 1, 1, 1);
    turnBy(correction.rotation, ...tilt);
    this.#map.turn(correction.rotation, centre);
    const { rotation } = poseOf(correction);
    const apply = (pose: Pose): Pose => ({
      rotation: multiply(rotation, pose.rotation),
      position: add(turn(rotation, subtract(pose.position, centre)), centre),
    });
    return { rotation, apply };
  }
}

/** Metres, 1 sigma: the most doubt about the position with which new ground is added. */
const mostDoubt = ({ hasOdometry }: Frame): number => (hasOdometry ? MOST_ODOMETRY_DOUBT : MOST_DOUBT);
