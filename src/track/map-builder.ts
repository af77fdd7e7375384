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

/** Seconds for which depth must have held the base before a map has a firm beginning. Chosen by hand. */
const FIRM_SECONDS = 0.4;
/** With a smaller share of its samples on known ground a frame shows a new place. Chosen by hand. */
const NEW_GROUND = 0.2;
/** Share of the samples that must face a free axis for something new to end it. Chosen by hand. */
const NEWLY_FACED = 0.05;
/** Metres, 1 sigma: with more doubt about the place no new ground is added to the map. Chosen by hand. */
export const MOST_DOUBT = 0.3;
/** The same with odometry: the base knows then how it came there. Chosen by hand. */
const MOST_ODOMETRY_DOUBT = 1;
const ALL_AXES: readonly Vec3[] = [
  [1, 0, 0],
  [0, 1, 0],
  [0, 0, 1],
];

/** A motion of the young map, and of the world with it. */
export interface WorldMove {
  /** Null when it was only shifted. */
  readonly rotation: Quat | null;
  readonly apply: (pose: Pose) => Pose;
}

/**
 * Extends the map by frames: with all of a frame where depth holds it; with what does not depend on the place along the axes that are free;
 * and with new ground where nothing known is in view, as long as the place is sure enough. Moves the young map to be level, and to where it
 * should have begun.
 */
export class MapBuilder {
  readonly start = new MapStart();
  readonly #map: LocalMap;
  readonly #level: MapLevel;
  readonly #registration: FrameRegistration;
  readonly #doubt: PoseDoubt;
  readonly #motion: BaseMotion;
  readonly #felt: InertialStep;

  constructor(parts: {
    readonly map: LocalMap;
    readonly level: MapLevel;
    readonly registration: FrameRegistration;
    readonly doubt: PoseDoubt;
    readonly motion: BaseMotion;
    readonly felt: InertialStep;
  }) {
    this.#map = parts.map;
    this.#level = parts.level;
    this.#registration = parts.registration;
    this.#doubt = parts.doubt;
    this.#motion = parts.motion;
    this.#felt = parts.felt;
  }

  /** Whether depth has held nothing yet by which a place could be told from others, while the way so far is felt. */
  isUnbegun({ isFelt }: Frame): boolean {
    return isFelt && this.#motion.heldFor < FIRM_SECONDS;
  }

  /** Adds all of a frame where the registration has it. */
  fuse(all: Samples): void {
    this.#map.fuse(all, this.#registration.pose, this.#doubt.worldSigma);
  }

  /** Moves a waiting map to where it should have begun, once that is known; null when it is not. @param base where it is thought to be */
  settle(frame: Frame, base: Pose): WorldMove | null {
    if (!this.start.isDue(frame.input.time, this.#felt.velocitySpread)) return null;
    const { shift, anchor } = this.start.settle(this.#felt, base);
    this.#registration.move(shift);
    this.#doubt.anchor.set(anchor);
    this.#restart(frame.input.all);
    this.#motion.raiseHeldFor(FIRM_SECONDS);
    this.#felt.forgetSum();
    const apply = ({ rotation, position }: Pose): Pose => ({ rotation, position: add(position, shift) });
    return { rotation: null, apply };
  }

  /** Adds a frame that depth has placed. @param centre about which a young map is turned level */
  extend(frame: Frame, directions: Directions, centre: Vec3): WorldMove | null {
    const free = axesWith(directions, "free").map((k) => directions.axes[k]!);
    if (free.length > 0) {
      this.#extendFree(frame, free);
      return null;
    }
    this.fuse(frame.input.all);
    return this.#makeLevel(centre);
  }

  /** Adds a frame that depth could not place, where it shows new ground out of sight of the old. */
  extendCarried(frame: Frame): void {
    const { chosen, all } = frame.input;
    const isNew =
      chosen.count >= LEAST_MATCHES &&
      this.#map.countKnown(chosen, this.#registration.pose) < NEW_GROUND * chosen.count;
    if (!isNew) return;
    const variance = largestVariance(this.#doubt.local);
    if (this.isUnbegun(frame)) this.#begin(frame, ALL_AXES);
    else if (variance <= square(mostDoubt(frame))) this.#build(Math.sqrt(variance), all);
  }

  /** Adds what does not depend on the place along the free axes; or all of it, when something new ends them. */
  #extendFree(frame: Frame, free: readonly Vec3[]): void {
    const { all } = frame.input;
    const { pose } = this.#registration;
    let isFaced = false;
    let variance = 0;
    for (const axis of free) {
      isFaced ||= facingShare(all, pose, axis) > NEWLY_FACED;
      variance = Math.max(variance, varianceAlong(this.#doubt.local, axis));
    }
    // So far only surfaces parallel to these axes were seen, so the map may begin anywhere along them.
    if (isFaced && this.isUnbegun(frame)) this.#begin(frame, free);
    else if (isFaced && variance <= square(mostDoubt(frame))) this.#build(Math.sqrt(variance), all);
    else if (free.length < 3) {
      this.#map.fuse(all, pose, this.#doubt.worldSigma, Float64Array.from(free.flat()));
    }
  }

  /** Adds new ground where the head is thought to be: the doubt about that is built into the map. @param sigma metres */
  #build(sigma: number, all: Samples): void {
    this.#doubt.buildSlide(sigma);
    this.fuse(all);
  }

  /** A map begins where the base has come to since it was switched on. */
  #begin({ input: { time, all } }: Frame, free: readonly Vec3[]): void {
    const anchor = this.#doubt.anchor.slice();
    this.#doubt.beginMap();
    this.#restart(all);
    this.start.mapBegins(time, free, anchor);
  }

  /** Begins the map anew with this frame: what was mapped before lies where the speed was not known. */
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

/** Metres, 1 sigma: the most doubt about the place in which new ground is added. */
const mostDoubt = ({ hasOdometry }: Frame): number => (hasOdometry ? MOST_ODOMETRY_DOUBT : MOST_DOUBT);
