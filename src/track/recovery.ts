import { hypot2, lengthOf } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { angleBetween, compose, fromYawPitchRoll, IDENTITY, invert, multiply } from "../geometry/rigid.ts";
import { distance } from "../geometry/vec.ts";
import { ExpectedView } from "./expected-view.ts";
import type { Frame } from "./frame.ts";
import { yawBetween } from "./heading.ts";
import { type LocalMap, MOST_SAMPLES } from "./local-map.ts";
import { type Place, type PlaceDoubt, PlaceMatcher, RIVAL_SHARE } from "./places.ts";

const DEGREE = Math.PI / 180;
/** Share of a frame's samples, and of its upright samples, that must lie on the map. Chosen by hand. */
export const FOUND_SHARE = 0.85;
/** Fewest frames that must agree. Chosen by hand. */
const CONFIRMATIONS = 5;
/** Seconds after the last frame that agreed, for which frames that tell nothing are bridged by odometry. Chosen by hand. */
const MOST_BRIDGED = 3;
/** m/s: top speed of a base, for the distance between two of these frames. Chosen by hand. */
export const FASTEST = 1.5;
/** Metres added to that distance for the errors of both positions. Chosen by hand. */
const STEP_SLACK = 0.05;
/** Radians, 1 sigma, of the yaw of a found pose. Chosen by hand: in `trouble`, carried, it is within 0.3 degrees. */
export const FOUND_YAW_SIGMA = 0.5 * DEGREE;
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
 * places, one of them in each frame. A wrong place is worse than none, so several frames must agree, with a changed view in between. A frame in
 * between that shows too little of the map neither agrees nor refutes.
 */
export class Recovery {
  /** Earlier positions of the base, spread over its path. */
  places: readonly Vec3[] = [];
  readonly #view = new ExpectedView();
  readonly #matcher = new PlaceMatcher(MOST_SAMPLES, FOUND_SHARE, this.#view);
  /** Number of places searched so far. */
  #visited = 0;
  /** Frames that agreed, and microseconds of the last one. */
  #confirmations = 0;
  #agreedAt = 0;
  /** Radians: the yaw by that frame, less the yaw by the attitudes. */
  #turned = 0;
  /** worldFromBase of the first of them. */
  #first: Pose = IDENTITY;

  /** Discards the frames that agreed. */
  restart(): void {
    this.#confirmations = 0;
    this.#turned = 0;
  }

  /** Searches with a frame; null when the base is not found. */
  look(frame: Frame, map: LocalMap, at: LostAt): Found | null {
    const { baseFromLens, all } = frame.input;
    this.#view.take(all);
    const yaw = Math.min(at.yawSigma, MOST_YAW);
    const doubt = { tilt: frame.settings.tiltSigma, yaw, position: SEARCH_SIGMA };
    const { rotation, position } = at.base;
    const here = { rotation: multiply(fromYawPitchRoll(this.#turned, 0, 0), rotation), position };
    const confirmed = this.#confirm(frame, map, here, doubt);
    if (confirmed === "bridged") return { worldFromBase: here, isConfirmed: false };
    const pose = confirmed ?? this.#search(frame, map, at, doubt)?.pose;
    if (pose === undefined) return null;
    const worldFromBase = compose(pose, invert(baseFromLens));
    this.#agreedAt = frame.input.time;
    this.#turned = yawBetween(rotation, worldFromBase.rotation);
    return this.#count(worldFromBase);
  }

  /** worldFromLens if the frame confirms the pose that earlier frames found; "bridged" if it neither does so nor refutes it; else null. */
  #confirm(frame: Frame, map: LocalMap, base: Pose, doubt: PlaceDoubt): Pose | "bridged" | null {
    if (this.#confirmations === 0) return null;
    const silence = (frame.input.time - this.#agreedAt) / 1e6;
    const { chosen, baseFromLens } = frame.input;
    const guess = compose(base, baseFromLens);
    const near = { ...doubt, position: CONFIRM_SIGMA, isPositionKnown: frame.hasOdometry };
    if (this.#matcher.fits(chosen, guess, near, map.stages) > 0) {
      const { pose, uprightOnMap } = this.#matcher;
      const moved = distance(compose(pose, invert(baseFromLens)).position, base.position);
      // If another place fits as well, this one is not believed.
      const other = this.#findElsewhere(frame, map, base.rotation, doubt);
      const isRefuted =
        other !== null &&
        distance(other.pose.position, pose.position) > PLACE_RADIUS / 3 &&
        other.upright > RIVAL_SHARE * uprightOnMap;
      if (moved <= STEP_SLACK + FASTEST * silence && !isRefuted) return pose;
    } else if (frame.hasOdometry && silence <= MOST_BRIDGED && !this.#matcher.isContradicted(map.stages)) {
      return "bridged";
    }
    this.restart();
    return null;
  }

  #search(frame: Frame, map: LocalMap, { base, worstSigma }: LostAt, doubt: PlaceDoubt): Place | null {
    const { chosen, baseFromLens } = frame.input;
    const radius = Math.min(MOST_RADIUS, LEAST_RADIUS + RADIUS_SIGMAS * worstSigma);
    const onFloor = { rotation: base.rotation, position: this.#onFloor(base.position) };
    const near = this.#matcher.find(chosen, compose(onFloor, baseFromLens), { doubt, radius, map });
    return near ?? this.#findElsewhere(frame, map, base.rotation, doubt);
  }

  /** The position at the height of the nearest earlier place: a base that was lifted may be lost in the air, and stands on the floor again. */
  #onFloor([x, y, z]: Vec3): Vec3 {
    let height = z;
    let nearest = Number.POSITIVE_INFINITY;
    for (const place of this.places) {
      const off = hypot2(place[0] - x, place[1] - y);
      if (off < nearest) [nearest, height] = [off, place[2]];
    }
    return [x, y, height];
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
