import { distance } from "../geometry/vec.ts";
import type { Frame } from "./frame.ts";
import { LEAST_STRENGTH } from "./free-directions.ts";
import type { InertialStep } from "./inertial-step.ts";
import type { LocalMap } from "./local-map.ts";
import type { MapBuilder } from "./map-builder.ts";
import type { FrameRegistration } from "./registration.ts";

/** Frames in the map from which on accelerations alone may show rest: the map is level by then. Chosen by hand. */
const SETTLED_FRAMES = 20;
/** Metres: farther off, a frame that fits with this share and constrains every direction this well shows a motion. Chosen by hand. */
const MOVED = 0.03;
const MOVED_SHARE = 0.8;
const MOVED_STRENGTH = 50 * LEAST_STRENGTH;

/**
 * Rest of a base without odometry, by its accelerations. People who walk past a base at rest cover most of what it knows, so depth must neither move
 * it nor be added to its map.
 */
export class RestCheck {
  readonly #inertial: InertialStep;
  readonly #map: LocalMap;
  readonly #builder: MapBuilder;
  readonly #registration: FrameRegistration;

  constructor(parts: {
    readonly inertial: InertialStep;
    readonly map: LocalMap;
    readonly builder: MapBuilder;
    readonly registration: FrameRegistration;
  }) {
    this.#inertial = parts.inertial;
    this.#map = parts.map;
    this.#builder = parts.builder;
    this.#registration = parts.registration;
  }

  /** Whether the base stands by its accelerations, on a map that has settled. */
  isResting(frame: Frame): boolean {
    const isSettled = this.#map.fused >= SETTLED_FRAMES && !this.#builder.start.isWaiting;
    return frame.isInertial && isSettled && this.#inertial.isAtRest && !this.#builder.isUnanchored(frame);
  }

  /** Whether the registered frame shows plainly that such a base moves, so smoothly that it feels like rest. @param share of the samples that fit */
  isSeenMoving(share: number): boolean {
    const { expected, position, result } = this.#registration;
    const isPlain = share >= MOVED_SHARE && result.shares[0]! >= MOVED_STRENGTH;
    return isPlain && distance(expected, position) > MOVED;
  }
}
