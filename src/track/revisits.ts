import { hypot2, lengthOf } from "../geometry/elementary.ts";
import type { Pose, Vec3 } from "../geometry/optics.ts";
import { angleBetween, compose, invert } from "../geometry/rigid.ts";
import { distance } from "../geometry/vec.ts";
import type { TrackResult } from "./frame.ts";
import { KeyframeStore } from "./keyframes.ts";
import { LOOP_SEARCH, type LoopClosed, LoopFinder, type LoopSearch } from "./loops.ts";
import type { Samples } from "./samples.ts";
import { SurfelRemake } from "./surfel-remake.ts";
import type { Tracker } from "./tracker.ts";

const DEGREE = Math.PI / 180;
/** A keyframe is made so far from the one before: metres, radians. Chosen by hand: views then still share most of what they show. */
export const KEYFRAME_STEP = 0.2;
export const KEYFRAME_TURN = 12 * DEGREE;
/** 1 sigma of the motion between keyframes: metres, and per metre; radians, and per metre. Chosen by hand. */
const STEP_SIGMA = 0.004;
const WAY_SIGMA = 0.03;
const STEP_YAW = 0.1 * DEGREE;
const WAY_YAW = 0.3 * DEGREE;
/** 1 sigma where the head was lost between two keyframes: metres, radians. Large enough to tie nothing. */
const UNTIED = 20;
const UNTIED_YAW = 10 * DEGREE;
/** Metres, 1 sigma: frames whose place against the map near by is less sure are no evidence of where things are. Chosen by hand. */
const MOST_SLACK = 0.025;
/** Least share of a frame's samples that must fit the map. Chosen by hand. */
const FITTING_SHARE = 0.5;
/** Maps are made anew when any keyframe moves by more: metres, radians. Less than half a voxel of the map by default. Chosen by hand. */
const WORTH = 0.02;
const WORTH_ANGLE = 0.4 * DEGREE;
/** A loop that moves nothing is reported when this share of its way no longer counts as drift. Chosen by hand. */
const NEWS = 0.5;
/** Metres between the places that a lost head looks for itself around: each search reaches 1.5 m. Chosen by hand. */
const PLACE_SPACING = 1.2;

/** One tracked frame, as evidence. */
export interface RevisitInput {
  readonly time: number;
  readonly sensor: number;
  readonly result: TrackResult;
  readonly floorHeight: number;
  /** Whether nothing is held before the lens. */
  readonly isClear: boolean;
  /** Masked depth, and its samples. */
  readonly depth: Uint16Array;
  readonly unitsPerMetre: number;
  readonly samples: Samples;
}

/** A loop was closed; keyframes and tracker have it already. */
export interface Correction {
  /** How the world moved near the head; null when nothing had to move. */
  readonly newFromOld: Pose | null;
  /** Metres of way between the two visits, and by how much the place moved: metres, radians. */
  readonly way: number;
  readonly distance: number;
  readonly angle: number;
}

/** The newest keyframe, as the next one is measured from it. */
interface LastKeyframe {
  readonly worldFromLens: Pose;
  readonly way: number;
  readonly built: number;
}

/**
 * Keeps keyframes of what the tracker sees, notices when a place comes back, and has the tracker's maps made anew when that
 * shows that the way between was bent. Each frame does a bounded, counted piece of the work.
 */
export class Revisits {
  readonly store: KeyframeStore;
  readonly finder: LoopFinder;
  readonly #tracker: Tracker;
  #last: LastKeyframe | null = null;
  /** Whether the head was lost since the last keyframe: nothing ties the next one to it then. */
  #isUntied = false;
  #remake: SurfelRemake | null = null;

  /** @param budget bytes for keyframes */
  constructor(tracker: Tracker, budget: number, area: LoopSearch = LOOP_SEARCH) {
    this.#tracker = tracker;
    this.store = new KeyframeStore(budget);
    this.finder = new LoopFinder(this.store, area);
  }

  /** Takes a frame after the tracker has. @returns the correction when a loop is closed and done with, else null */
  take(input: RevisitInput): Correction | null {
    const { turned } = input.result;
    if (turned !== null) {
      this.store.move(turned);
      this.#moveLast(turned);
    }
    this.#isUntied ||= input.result.hold === "lost";
    if (input.isClear) this.#keep(input);
    if (this.#remake !== null) return this.#continue(this.#remake);
    const closed = this.finder.step();
    return closed === null ? null : this.#begin(closed);
  }

  #moveLast(newFromOld: Pose): void {
    if (this.#last === null) return;
    this.#last = { ...this.#last, worldFromLens: compose(newFromOld, this.#last.worldFromLens) };
  }

  /** Makes a keyframe of a frame whose place is sure, some way from the last one. */
  #keep({ time, sensor, result, floorHeight, depth, unitsPerMetre, samples }: RevisitInput): void {
    const { worldFromLens } = result;
    const { way, doubt, slack } = this.#tracker;
    const isSure = result.hold !== "sliding" || slack <= MOST_SLACK;
    if (!(result.isSteady && isSure && result.share > FITTING_SHARE)) return;
    if (this.#last !== null) {
      const last = this.#last.worldFromLens;
      const moved = compose(invert(last), worldFromLens);
      const isNear = lengthOf(moved.position) < KEYFRAME_STEP;
      if (isNear && angleBetween(last.rotation, worldFromLens.rotation) < KEYFRAME_TURN) return;
    }
    const gone = way - (this.#last?.way ?? 0);
    // What was built into the map since the last keyframe is doubt between the two.
    const built = Math.max(0, Math.sqrt(doubt.built) - Math.sqrt(this.#last?.built ?? 0));
    this.store.add({
      time,
      sensor,
      worldFromLens,
      floorHeight,
      way,
      doubt,
      depth,
      unitsPerMetre,
      samples,
      sigma: this.#isUntied ? UNTIED : STEP_SIGMA + WAY_SIGMA * gone + built + slack,
      yawSigma: this.#isUntied ? UNTIED_YAW : STEP_YAW + WAY_YAW * gone,
    });
    this.#isUntied = false;
    this.#tracker.places = withPlace(this.#tracker.places, result.worldFromBase.position);
    this.#last = { worldFromLens, way, built: doubt.built };
  }

  /** Begins to make the maps anew; reports the loop at once when that is not worth it. */
  #begin(closed: LoopClosed): Correction | null {
    const { frames } = this.store;
    // What lies between the two visits is placed by both, back to where the head was lost.
    for (let n = frames.length - 1; n >= 0; n--) {
      const frame = frames[n]!;
      if (frame.id <= closed.old.id) break;
      if (frame.doubt.built > closed.old.doubt.built) frame.doubt = closed.old.doubt;
      if (frame.step !== null && frame.step.sigma >= UNTIED) break;
    }
    const isWorth = closed.poses.some((pose, n) => {
      const before = frames[n]!.worldFromLens;
      const far = distance(pose.position, before.position);
      return far > WORTH || angleBetween(pose.rotation, before.rotation) > WORTH_ANGLE;
    });
    if (!isWorth) {
      const before = this.#tracker.doubt.drifted;
      this.#tracker.returnTo(closed.old.doubt);
      // On a round driven again and again each place is one that was seen before: only a loop that eases the doubt is news.
      const isNews = before - this.#tracker.doubt.drifted >= NEWS * closed.way;
      return isNews ? { newFromOld: null, way: closed.way, distance: 0, angle: 0 } : null;
    }
    this.#remake = new SurfelRemake(this.store, closed, this.#tracker.map.empty());
    this.store.isFixed = true;
    this.finder.restart();
    return null;
  }

  #continue(remake: SurfelRemake): Correction | null {
    if (!remake.step()) return null;
    const { newFromOld, closed, maps } = remake;
    remake.correctKeyframes();
    this.#moveLast(newFromOld);
    // Not before: until here the head was where it was thought to be, with all that doubt.
    this.#tracker.adopt(maps, newFromOld);
    this.#tracker.returnTo(closed.old.doubt);
    let places: readonly Vec3[] = [];
    for (const { worldFromLens, floorHeight } of this.store.frames) {
      const [x, y] = worldFromLens.position;
      places = withPlace(places, [x, y, floorHeight]);
    }
    this.#tracker.places = places;
    this.#remake = null;
    this.store.isFixed = false;
    this.finder.restart();
    return { newFromOld, way: closed.way, distance: closed.distance, angle: closed.angle };
  }
}

/** Adds a position to places some way apart, unless one is near. */
function withPlace(places: readonly Vec3[], position: Vec3): readonly Vec3[] {
  const isNew = places.every((p) => hypot2(p[0] - position[0], p[1] - position[1]) > PLACE_SPACING);
  return isNew ? [...places, position] : places;
}
