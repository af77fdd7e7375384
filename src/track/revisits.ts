import { hypot2, lengthOf } from "../geometry/elementary.ts";
import type { Pose, Vec3 } from "../geometry/optics.ts";
import { angleBetween, compose, invert } from "../geometry/rigid.ts";
import { distance } from "../geometry/vec.ts";
import type { TrackResult } from "./frame.ts";
import { type Keyframe, type KeyframeReader, KeyframeStore } from "./keyframes.ts";
import type { KnownPlace } from "./known-place.ts";
import { LOOP_SEARCH, type LoopClosed, LoopFinder, type LoopSearch } from "./loops.ts";
import { type PlaceFound, PlaceSeeker } from "./place-seeker.ts";
import { edgeBetween } from "./pose-graph.ts";
import type { Samples } from "./samples.ts";
import { SurfelRemake } from "./surfel-remake.ts";
import type { Tracker } from "./tracker.ts";

const DEGREE = Math.PI / 180;
/** Steps of looking for a place after each frame: some ten milliseconds. Chosen by hand. */
const STEPS = 2;
/** 1 sigma of the motion between the keyframes that join two runs: metres, radians. Chosen by hand. */
const JOIN_SIGMA = 0.01;
const JOIN_YAW = 0.2 * DEGREE;
/** Motion between two keyframes: metres, radians. Chosen by hand: their views still overlap for the most part. */
export const KEYFRAME_STEP = 0.2;
export const KEYFRAME_TURN = 12 * DEGREE;
/** 1 sigma of the motion between keyframes: metres, and metres per metre; radians, and radians per metre. Chosen by hand. */
const STEP_SIGMA = 0.004;
const WAY_SIGMA = 0.03;
const STEP_YAW = 0.1 * DEGREE;
const WAY_YAW = 0.3 * DEGREE;
/** 1 sigma where the head was lost between two keyframes: metres, radians. Large enough to constrain nothing. */
const LOST_STEP = 20;
const UNTIED_YAW = 10 * DEGREE;
/** Metres, 1 sigma: frames with more doubt against the map near by do not become keyframes. Chosen by hand. */
const MOST_SIGMA = 0.025;
/** Least share of a keyframe's samples that must fit the map. Chosen by hand. */
const FITTING_SHARE = 0.5;
/** Maps are rebuilt when any keyframe moves by more than this: metres, radians. Less than half a voxel of the default map. Chosen by hand. */
const LEAST_CORRECTION = 0.02;
const LEAST_CORRECTION_ANGLE = 0.4 * DEGREE;
/** A loop with zero correction is reported when it removes this share of its path length from the drift. Chosen by hand. */
const REPORTED_SHARE = 0.5;
/** Metres between the places around which a lost head searches. Each search reaches 1.5 m. Chosen by hand. */
const PLACE_SPACING = 1.2;

/** One tracked frame. */
export interface RevisitInput {
  readonly time: number;
  readonly sensor: number;
  readonly result: TrackResult;
  readonly floorHeight: number;
  /** Whether the lens is uncovered. */
  readonly isClear: boolean;
  /** Masked depth, and its samples. */
  readonly depth: Uint16Array;
  readonly unitsPerMetre: number;
  readonly samples: Samples;
}

/** A loop closure that is already applied to keyframes and tracker. */
export interface Correction {
  /** Motion of the world near the head; null for a correction of zero. */
  readonly newFromOld: Pose | null;
  /** Metres: path length between the two visits. And the correction of the pose: metres, radians. */
  readonly way: number;
  readonly distance: number;
  readonly angle: number;
  /** Whether the place of an earlier run was recognised: the world is that of the earlier run from now on. */
  readonly isPlaceFound: boolean;
}

/** The newest keyframe, from which the motion to the next one is measured. */
interface LastKeyframe {
  readonly worldFromLens: Pose;
  readonly way: number;
  readonly built: number;
}

/**
 * Loop closure: keeps keyframes of tracked frames, recognises places of earlier visits, of this run and of an earlier one, and rebuilds the tracker's
 * maps when that moves keyframes. Each frame does a bounded part of the work; it is counted in steps, not timed.
 */
export class Revisits {
  readonly store: KeyframeStore;
  readonly finder: LoopFinder;
  readonly #tracker: Tracker;
  #last: LastKeyframe | null = null;
  /** Whether the head was lost since the last keyframe, so that the motion to the next one is unknown. */
  #wasLost = false;
  #remake: SurfelRemake | null = null;
  /** Looks for this run's place on the map of an earlier one; null without one, and once it is found. */
  #seeker: PlaceSeeker | null = null;
  /** What it has found, until the next frame. */
  #found: PlaceFound | null = null;
  /** Number of keyframes of the earlier run, once its place is found; 0 before. */
  #known = 0;

  /** @param budget bytes for keyframes */
  constructor(tracker: Tracker, budget: number, area: LoopSearch = LOOP_SEARCH) {
    this.#tracker = tracker;
    this.store = new KeyframeStore(budget);
    this.finder = new LoopFinder(this.store, area);
  }

  /** From now on looks for the place of an earlier run. */
  seek(place: KnownPlace): void {
    this.#seeker = new PlaceSeeker(place);
  }

  /** Goes on looking for the place. What it finds is applied with the next frame. Not part of `take`, so that no answer waits for it. */
  seekOn(): void {
    if (this.#seeker === null || this.#remake !== null) return;
    const frames = tiedToNewest(this.store.frames);
    for (let n = 0; n < STEPS && this.#found === null; n++) this.#found = this.#seeker.step(frames);
  }

  /** No longer looks for it. */
  giveUpSeeking(): void {
    this.#seeker = null;
    this.#found = null;
  }

  /** Reads the keyframes of this run alone. */
  ownKeyframes(): KeyframeReader {
    return this.store.read(this.#known);
  }

  /** Takes a frame after the tracker has. @returns the correction when a loop closure is complete, else null */
  take(input: RevisitInput): Correction | null {
    const { turned } = input.result;
    if (turned !== null) {
      this.store.move(turned);
      this.#moveLast(turned);
      this.#restartSeeker();
    }
    this.#wasLost ||= input.result.hold === "lost";
    if (input.isClear) this.#keep(input);
    if (this.#remake !== null) return this.#continue(this.#remake);
    const found = this.#found;
    this.#found = null;
    if (found !== null && this.#seeker !== null && this.store.indexOf(found.frame.id) >= 0) {
      this.#join(this.#seeker.place, found);
      return null;
    }
    const closed = this.finder.step();
    return closed === null ? null : this.#begin(closed);
  }

  /** Puts this run's keyframes on the map of an earlier run, and begins to add them to its surfels. */
  #join({ frames, maps }: KnownPlace, { newFromOld, frame: { id } }: PlaceFound): void {
    const { store } = this;
    const newest = store.frames[store.indexOf(id)]!;
    const at = compose(newFromOld, newest.worldFromLens);
    const old = frames.reduce((best, frame) => (costOf(frame, at) < costOf(best, at) ? frame : best));
    // Places of the earlier run are places of long ago.
    const last = frames.at(-1)!;
    const shift = (store.frames[0]?.way ?? 0) - last.way - this.finder.leastWay;
    store.prepend(
      frames.map((frame) => ({ ...frame, way: frame.way + shift })),
      { sigma: LOST_STEP, yawSigma: UNTIED_YAW },
    );
    this.#known = frames.length;
    const poses = store.frames.map(({ worldFromLens }, n) =>
      n < frames.length ? worldFromLens : compose(newFromOld, worldFromLens),
    );
    for (const frame of store.frames.slice(frames.length)) frame.doubt = old.doubt;
    const to = last.id + 1 + id;
    store.closures.push(
      edgeBetween(old.worldFromLens, at, { from: old.id, to, sigma: JOIN_SIGMA, yawSigma: JOIN_YAW }),
    );
    const closed = {
      poses,
      old,
      distance: distance(at.position, newest.worldFromLens.position),
      angle: angleBetween(at.rotation, newest.worldFromLens.rotation),
      way: 0,
      isPlaceFound: true,
    };
    this.#seeker = null;
    this.#remake = new SurfelRemake(store, closed, maps, frames.length);
    store.isFixed = true;
    this.finder.restart();
  }

  #restartSeeker(): void {
    this.#seeker?.restart();
    this.#found = null;
  }

  #moveLast(newFromOld: Pose): void {
    if (this.#last === null) return;
    this.#last = { ...this.#last, worldFromLens: compose(newFromOld, this.#last.worldFromLens) };
  }

  /** Makes a keyframe of a frame with little doubt, if it is far enough from the last one. */
  #keep({ time, sensor, result, floorHeight, depth, unitsPerMetre, samples }: RevisitInput): void {
    const { worldFromLens } = result;
    const { way, doubt, worstSigma } = this.#tracker;
    const isSure = result.hold !== "sliding" || worstSigma <= MOST_SIGMA;
    if (!(result.isSteady && isSure && result.share > FITTING_SHARE)) return;
    if (this.#last !== null) {
      const last = this.#last.worldFromLens;
      const moved = compose(invert(last), worldFromLens);
      const isNear = lengthOf(moved.position) < KEYFRAME_STEP;
      if (isNear && angleBetween(last.rotation, worldFromLens.rotation) < KEYFRAME_TURN) return;
    }
    const gone = way - (this.#last?.way ?? 0);
    // Doubt that was built into the map since the last keyframe is doubt about the motion between the two.
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
      sigma: this.#wasLost ? LOST_STEP : STEP_SIGMA + WAY_SIGMA * gone + built + worstSigma,
      yawSigma: this.#wasLost ? UNTIED_YAW : STEP_YAW + WAY_YAW * gone,
    });
    this.#wasLost = false;
    this.#tracker.places = withPlace(this.#tracker.places, result.worldFromBase.position);
    this.#last = { worldFromLens, way, built: doubt.built };
  }

  /** Begins to rebuild the maps. When the correction is too small for that, reports the loop at once. */
  #begin(closed: LoopClosed): Correction | null {
    const { frames } = this.store;
    // Keyframes between the two visits are constrained by both, back to where the head was lost.
    for (let n = frames.length - 1; n >= 0; n--) {
      const frame = frames[n]!;
      if (frame.id <= closed.old.id) break;
      if (frame.doubt.built > closed.old.doubt.built) frame.doubt = closed.old.doubt;
      if (frame.step !== null && frame.step.sigma >= LOST_STEP) break;
    }
    const isWorth = closed.poses.some((pose, n) => {
      const before = frames[n]!.worldFromLens;
      const far = distance(pose.position, before.position);
      return far > LEAST_CORRECTION || angleBetween(pose.rotation, before.rotation) > LEAST_CORRECTION_ANGLE;
    });
    if (!isWorth) {
      const before = this.#tracker.doubt.drifted;
      this.#tracker.returnTo(closed.old.doubt);
      // On repeated rounds every place is a known one. Only a loop that reduces the doubt is reported.
      const isReported = before - this.#tracker.doubt.drifted >= REPORTED_SHARE * closed.way;
      return isReported
        ? { newFromOld: null, way: closed.way, distance: 0, angle: 0, isPlaceFound: false }
        : null;
    }
    this.#remake = new SurfelRemake(this.store, closed, this.#tracker.map.empty());
    this.store.isFixed = true;
    this.finder.restart();
    this.#restartSeeker();
    return null;
  }

  #continue(remake: SurfelRemake): Correction | null {
    if (!remake.step()) return null;
    const { newFromOld, closed, maps } = remake;
    remake.correctKeyframes();
    this.#moveLast(newFromOld);
    // Only now: until here poses were given with the old maps and the old doubt.
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
    const { way, distance: far, angle, isPlaceFound } = closed;
    return { newFromOld, way, distance: far, angle, isPlaceFound };
  }
}

/** The newest keyframes, back to where the head was lost. */
function tiedToNewest(frames: readonly Keyframe[]): readonly Keyframe[] {
  const cut = frames.findLastIndex(({ step }) => step !== null && step.sigma >= LOST_STEP);
  return cut <= 0 ? frames : frames.slice(cut);
}

/** How far a keyframe is from a pose, metres and radians together. */
const costOf = ({ worldFromLens }: Keyframe, at: Pose): number =>
  distance(worldFromLens.position, at.position) + angleBetween(worldFromLens.rotation, at.rotation);

/** Adds a position to the places, unless one of them is near. */
function withPlace(places: readonly Vec3[], position: Vec3): readonly Vec3[] {
  const isNew = places.every((p) => hypot2(p[0] - position[0], p[1] - position[1]) > PLACE_SPACING);
  return isNew ? [...places, position] : places;
}
