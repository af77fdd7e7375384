import { lengthOf } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { angleBetween, compose, IDENTITY, invert } from "../geometry/rigid.ts";
import { distance } from "../geometry/vec.ts";
import { ExpectedView } from "./expected-view.ts";
import type { Frame } from "./frame.ts";
import { type LocalMap, MOST_SAMPLES } from "./local-map.ts";
import { type Place, type PlaceDoubt, PlaceMatcher, RIVAL_SHARE } from "./places.ts";

const DEGREE = Math.PI / 180;
/** Share of a frame, and of its upright samples, that must lie on the map. Chosen by hand. */
export const FOUND_SHARE = 0.85;
/** Frames in a row that must agree, at least. Chosen by hand. */
const CONFIRMATIONS = 5;
/** m/s: no base moves faster between two of them. Chosen by hand. */
export const FASTEST = 1.5;
/** Metres that such a step may be longer: errors of both places. Chosen by hand. */
const STEP_SLACK = 0.05;
/** Radians: a larger doubt about the yaw is not searched: a registration would not find it. Chosen by hand. */
const MOST_YAW = 4 * DEGREE;
/** Metres around a place seen before that are searched. Chosen by hand: the places lie 1.2 m apart. */
const PLACE_RADIUS = 1.5;
/** Metres around the last known place that are searched at the most and at the least, and sigmas of doubt in between. Chosen by hand. */
const MOST_RADIUS = 4;
const LEAST_RADIUS = 0.5;
const RADIUS_SIGMAS = 3;
/** Metres, 1 sigma: prior of the place for a search, and for the place of the frame before. Chosen by hand. */
const SEARCH_SIGMA = 0.3;
const CONFIRM_SIGMA = 0.1;
/** The view has changed after this motion, metres or radians; until then STILL_CONFIRMATIONS frames must agree. Chosen by hand. */
const OTHER_VIEW = 0.1;
const OTHER_ANGLE = 8 * DEGREE;
const STILL_CONFIRMATIONS = 20;

/** Where a lost base is thought to be. */
export interface LostAt {
  /** worldFromBase. */
  readonly base: Pose;
  /** Metres, 1 sigma, along the axis where it is least sure. */
  readonly slack: number;
  /** Radians, 1 sigma, of the rotation's yaw. */
  readonly yawSigma: number;
}

/** Where a frame was found. */
export interface Found {
  readonly worldFromBase: Pose;
  /** Whether enough frames agree to believe it. */
  readonly isConfirmed: boolean;
}

/**
 * Finds a lost base on the map: around its last known place, as far as it may have moved, and around places where it has been, one of them
 * in each frame. A wrong place is worse than none, so several frames must agree, with the view changed in between.
 */
export class Recovery {
  /** Where the base has been: positions some way apart. */
  places: readonly Vec3[] = [];
  readonly #view = new ExpectedView();
  readonly #matcher = new PlaceMatcher(MOST_SAMPLES, FOUND_SHARE, this.#view);
  /** How many places were looked at so far. */
  #visited = 0;
  /** Frames in a row that agreed. */
  #confirmations = 0;
  /** worldFromBase in the first of them. */
  #first: Pose = IDENTITY;

  /** Begins anew: no frame has agreed yet. */
  restart(): void {
    this.#confirmations = 0;
  }

  /** Looks for the base in a frame; null when it is not found. */
  look(frame: Frame, map: LocalMap, at: LostAt): Found | null {
    const { baseFromLens, all } = frame.input;
    this.#view.take(all);
    const yaw = Math.min(at.yawSigma, MOST_YAW);
    const doubt = { tilt: frame.settings.tiltSigma, yaw, position: SEARCH_SIGMA };
    const pose = this.#confirm(frame, map, at.base, doubt) ?? this.#search(frame, map, at, doubt)?.pose;
    return pose === undefined ? null : this.#count(compose(pose, invert(baseFromLens)));
  }

  /** Whether a frame agrees with the one before, in which a place was found; worldFromLens. */
  #confirm(frame: Frame, map: LocalMap, base: Pose, doubt: PlaceDoubt): Pose | null {
    if (this.#confirmations === 0) return null;
    const { chosen, baseFromLens } = frame.input;
    const guess = compose(base, baseFromLens);
    if (this.#matcher.fits(chosen, guess, { ...doubt, position: CONFIRM_SIGMA }, map.stages) > 0) {
      const { pose, lying } = this.#matcher;
      const moved = distance(compose(pose, invert(baseFromLens)).position, base.position);
      // Another place that fits as well refutes this one.
      const other = this.#findElsewhere(frame, map, base.rotation, doubt);
      const isRefuted =
        other !== null &&
        distance(other.pose.position, pose.position) > PLACE_RADIUS / 3 &&
        other.upright > RIVAL_SHARE * lying;
      if (moved <= STEP_SLACK + FASTEST * frame.dt && !isRefuted) return pose;
    }
    this.#confirmations = 0;
    return null;
  }

  #search(frame: Frame, map: LocalMap, { base, slack }: LostAt, doubt: PlaceDoubt): Place | null {
    const { chosen, baseFromLens } = frame.input;
    const radius = Math.min(MOST_RADIUS, LEAST_RADIUS + RADIUS_SIGMAS * slack);
    const near = this.#matcher.find(chosen, compose(base, baseFromLens), { doubt, radius, map });
    return near ?? this.#findElsewhere(frame, map, base.rotation, doubt);
  }

  /** Looks around one of the places where the base has been, another one each time. */
  #findElsewhere(
    { input: { chosen, baseFromLens } }: Frame,
    map: LocalMap,
    rotation: Quat,
    doubt: PlaceDoubt,
  ): Place | null {
    const position = this.places[this.#visited++ % Math.max(1, this.places.length)];
    if (position === undefined) return null;
    const guess = compose({ rotation, position }, baseFromLens);
    return this.#matcher.find(chosen, guess, { doubt, radius: PLACE_RADIUS, map });
  }

  #count(worldFromBase: Pose): Found {
    const confirmations = ++this.#confirmations;
    if (confirmations === 1) this.#first = worldFromBase;
    // Seen from one spot, another place may look the same: the view must have changed, unless nothing moves for long.
    const moved = compose(invert(this.#first), worldFromBase);
    const isChanged =
      lengthOf(moved.position) > OTHER_VIEW || angleBetween(moved.rotation, IDENTITY.rotation) > OTHER_ANGLE;
    const wanted = Math.max(CONFIRMATIONS, Math.min(this.places.length, STILL_CONFIRMATIONS));
    const isConfirmed = confirmations >= wanted && (isChanged || confirmations >= STILL_CONFIRMATIONS);
    if (isConfirmed) this.restart();
    return { worldFromBase, isConfirmed };
  }
}
