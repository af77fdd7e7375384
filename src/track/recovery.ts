import { lengthOf } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { angleBetween, compose, IDENTITY, invert } from "../geometry/rigid.ts";
import { distance } from "../geometry/vec.ts";
import { ExpectedView } from "./expected-view.ts";
import type { Frame } from "./frame.ts";
import { type LocalMap, MOST_SAMPLES } from "./local-map.ts";
import { type Place, type PlaceDoubt, PlaceMatcher, RIVAL_SHARE } from "./places.ts";

const DEGREE = Math.PI / 180;
/** Share of a frame's samples, and of its upright samples, that must lie on the map. Chosen by hand. */
export const FOUND_SHARE = 0.85;
/** Fewest consecutive frames that must agree. Chosen by hand. */
const CONFIRMATIONS = 5;
/** m/s: top speed of a base, for the distance between two of these frames. Chosen by hand. */
export const FASTEST = 1.5;
/** Metres added to that distance for the errors of both positions. Chosen by hand. */
const STEP_SLACK = 0.05;
/** Radians: cap of the doubt about the yaw in a search. A registration does not converge from farther off. Chosen by hand. */
const MOST_YAW = 4 * DEGREE;
/** Metres: search radius around an earlier place. Chosen by hand: the places lie 1.2 m apart. */
const PLACE_RADIUS = 1.5;
/** Metres: largest and smallest search radius around the last known position; in between it is this many sigmas. Chosen by hand. */
const MOST_RADIUS = 4;
const LEAST_RADIUS = 0.5;
const RADIUS_SIGMAS = 3;
/** Metres, 1 sigma: prior of the position in a search, and around the position that the last frame found. Chosen by hand. */
const SEARCH_SIGMA = 0.3;
const CONFIRM_SIGMA = 0.1;
/** Motion, metres or radians, after which the view counts as changed. Without it STILL_CONFIRMATIONS frames must agree. Chosen by hand. */
const OTHER_VIEW = 0.1;
const OTHER_ANGLE = 8 * DEGREE;
const STILL_CONFIRMATIONS = 20;

/** The estimated pose of a lost base. */
export interface LostAt {
  /** worldFromBase. */
  readonly base: Pose;
  /** Metres, 1 sigma, along the axis with the largest variance. */
  readonly worstSigma: number;
  /** Radians, 1 sigma, of the rotation's yaw. */
  readonly yawSigma: number;
}

/** A pose at which a frame fits the map. */
export interface Found {
  readonly worldFromBase: Pose;
  /** Whether enough frames agree. */
  readonly isConfirmed: boolean;
}

/**
 * Relocalises a lost base on the map. It searches around the last known position, as far as the base may have moved, and around earlier
 * places, one of them in each frame. A wrong place is worse than none, so several frames must agree, with a changed view in between.
 */
export class Recovery {
  /** Earlier positions of the base, spread over its path. */
  places: readonly Vec3[] = [];
  readonly #view = new ExpectedView();
  readonly #matcher = new PlaceMatcher(MOST_SAMPLES, FOUND_SHARE, this.#view);
  /** Number of places searched so far. */
  #visited = 0;
  /** Consecutive frames that agreed. */
  #confirmations = 0;
  /** worldFromBase of the first of them. */
  #first: Pose = IDENTITY;

  /** Discards the frames that agreed. */
  restart(): void {
    this.#confirmations = 0;
  }

  /** Searches with a frame; null when the base is not found. */
  look(frame: Frame, map: LocalMap, at: LostAt): Found | null {
    const { baseFromLens, all } = frame.input;
    this.#view.take(all);
    const yaw = Math.min(at.yawSigma, MOST_YAW);
    const doubt = { tilt: frame.settings.tiltSigma, yaw, position: SEARCH_SIGMA };
    const pose = this.#confirm(frame, map, at.base, doubt) ?? this.#search(frame, map, at, doubt)?.pose;
    return pose === undefined ? null : this.#count(compose(pose, invert(baseFromLens)));
  }

  /** worldFromLens if the frame confirms the pose that the last frame found; else null. */
  #confirm(frame: Frame, map: LocalMap, base: Pose, doubt: PlaceDoubt): Pose | null {
    if (this.#confirmations === 0) return null;
    const { chosen, baseFromLens } = frame.input;
    const guess = compose(base, baseFromLens);
    if (this.#matcher.fits(chosen, guess, { ...doubt, position: CONFIRM_SIGMA }, map.stages) > 0) {
      const { pose, uprightOnMap } = this.#matcher;
      const moved = distance(compose(pose, invert(baseFromLens)).position, base.position);
      // If another place fits as well, this one is not believed.
      const other = this.#findElsewhere(frame, map, base.rotation, doubt);
      const isRefuted =
        other !== null &&
        distance(other.pose.position, pose.position) > PLACE_RADIUS / 3 &&
        other.upright > RIVAL_SHARE * uprightOnMap;
      if (moved <= STEP_SLACK + FASTEST * frame.dt && !isRefuted) return pose;
    }
    this.#confirmations = 0;
    return null;
  }

  #search(frame: Frame, map: LocalMap, { base, worstSigma }: LostAt, doubt: PlaceDoubt): Place | null {
    const { chosen, baseFromLens } = frame.input;
    const radius = Math.min(MOST_RADIUS, LEAST_RADIUS + RADIUS_SIGMAS * worstSigma);
    const near = this.#matcher.find(chosen, compose(base, baseFromLens), { doubt, radius, map });
    return near ?? this.#findElsewhere(frame, map, base.rotation, doubt);
  }

  /** Searches around one of the earlier places, the next one in each call. */
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
    // From one spot another place may look the same, so the view must have changed, unless the base stands still for long.
    const moved = compose(invert(this.#first), worldFromBase);
    const isChanged =
      lengthOf(moved.position) > OTHER_VIEW || angleBetween(moved.rotation, IDENTITY.rotation) > OTHER_ANGLE;
    const wanted = Math.max(CONFIRMATIONS, Math.min(this.places.length, STILL_CONFIRMATIONS));
    const isConfirmed = confirmations >= wanted && (isChanged || confirmations >= STILL_CONFIRMATIONS);
    if (isConfirmed) this.restart();
    return { worldFromBase, isConfirmed };
  }
}
