import type { Pose, Vec3 } from "../geometry/optics.ts";
import { angleBetween, compose, invert } from "../geometry/rigid.ts";
import { isSound, KeyframeStore, unpackSamples } from "./keyframes.ts";
import { DEFAULT_LOOP_SETTINGS, type LoopClosed, LoopFinder, type LoopSettings } from "./loops.ts";
import { emptySamples } from "./sampler.ts";
import { placement, type Samples, type SurfelMap, setPlacement } from "./surfels.ts";
import { type Tracker, type TrackResult, worldSigma } from "./tracker.ts";

const DEGREE = Math.PI / 180;
/** A keyframe is made so far from the one before: metres, radians. */
export const KEYFRAME_STEP = 0.2;
export const KEYFRAME_TURN = 12 * DEGREE;
/** 1 sigma of the motion between keyframes: metres, and per metre; radians, and per metre. */
const STEP_SIGMA = 0.004;
const WAY_SIGMA = 0.03;
const STEP_YAW = 0.1 * DEGREE;
const WAY_YAW = 0.3 * DEGREE;
/** Metres, 1 sigma: frames whose place against the map near by is less sure are no evidence of where things are. */
const MOST_SLACK = 0.025;
/** Maps are made anew when any keyframe moves by more: metres, radians. */
const WORTH = 0.02;
const WORTH_ANGLE = 0.4 * DEGREE;
/** A loop that moves nothing is told of when so much of its way no longer counts as drift. */
const NEWS = 0.5;
/** 1 sigma where the head was lost between: metres, radians. */
const UNTIED = 20;
const UNTIED_YAW = 10 * DEGREE;
/** Metres between the places that a lost head looks for itself around. */
const PLACE = 1.2;
/** Keyframes that go into the new surfel maps in one step. */
const FUSED_AT_ONCE = 4;

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
  /** Where the newest poses are now: new world from old, as it is near the head; null when nothing had to move. */
  readonly newFromOld: Pose | null;
  /** Metres of way between the two visits, and by how much the place moved: metres, radians. */
  readonly way: number;
  readonly distance: number;
  readonly angle: number;
}

/** New surfel maps in the making. */
interface Remaking {
  readonly fine: SurfelMap;
  readonly coarse: SurfelMap;
  readonly closed: LoopClosed;
  /** Poses that the first keyframes will have, and how many are in the maps already. */
  readonly poses: readonly Pose[];
  done: number;
  readonly newFromOld: Pose;
}

/**
 * Keeps keyframes of what the tracker sees, notices when a place comes back, and makes the tracker's maps anew when that
 * shows how the way between was bent. Each frame does a bounded, counted piece of the work.
 */
export class Revisits {
  readonly store: KeyframeStore;
  readonly finder: LoopFinder;
  readonly #tracker: Tracker;
  readonly #samples = emptySamples(2048);
  readonly #at = placement();
  #last: Pose | null = null;
  #lastWay = 0;
  #lastBuilt = 0;
  /** Whether the head was lost since the last keyframe: nothing then ties the next one to it. */
  #isUntied = false;
  #remaking: Remaking | null = null;

  /** @param budget bytes for keyframes */
  constructor(tracker: Tracker, budget: number, settings: LoopSettings = DEFAULT_LOOP_SETTINGS) {
    this.#tracker = tracker;
    this.store = new KeyframeStore(budget);
    this.finder = new LoopFinder(this.store, settings);
  }

  /** Takes a frame after the tracker has; what was corrected, if anything was. */
  take(input: RevisitInput): Correction | null {
    const { turned } = input.result;
    if (turned !== null) {
      this.store.move(turned);
      if (this.#last !== null) this.#last = compose(turned, this.#last);
    }
    this.#isUntied ||= input.result.hold === "lost";
    if (input.isClear) this.#keep(input);
    if (this.#remaking !== null) return this.#remake(this.#remaking);
    const closed = this.finder.step();
    return closed === null ? null : this.#begin(closed);
  }

  #keep({ time, sensor, result, floorHeight, depth, unitsPerMetre, samples }: RevisitInput): void {
    const { worldFromLens } = result;
    const { way, doubt, slack } = this.#tracker;
    const isSure = result.hold !== "sliding" || slack <= MOST_SLACK;
    if (!(result.isSteady && isSure && result.share > 0.5)) return;
    if (this.#last !== null) {
      const moved = compose(invert(this.#last), worldFromLens);
      const isNear = Math.hypot(...moved.position) < KEYFRAME_STEP;
      if (isNear && angleBetween(this.#last.rotation, worldFromLens.rotation) < KEYFRAME_TURN) return;
    }
    const gone = way - this.#lastWay;
    // What was built into the map since is doubt between these two.
    const built = Math.max(0, Math.sqrt(doubt.built) - Math.sqrt(this.#lastBuilt));
    this.store.add({
      ...{ time, sensor, worldFromLens, floorHeight, way, doubt, depth, unitsPerMetre, samples },
      sigma: this.#isUntied ? UNTIED : STEP_SIGMA + WAY_SIGMA * gone + built + slack,
      yawSigma: this.#isUntied ? UNTIED_YAW : STEP_YAW + WAY_YAW * gone,
    });
    this.#isUntied = false;
    const { position } = result.worldFromBase;
    const isNew = this.#tracker.places.every(
      (p) => Math.hypot(p[0] - position[0], p[1] - position[1]) > PLACE,
    );
    if (isNew) this.#tracker.places = [...this.#tracker.places, position];
    this.#last = worldFromLens;
    this.#lastWay = way;
    this.#lastBuilt = doubt.built;
  }

  /** Begins to make the maps anew; what to say at once when that is not worth it. */
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
      const far = Math.hypot(...pose.position.map((v, i) => v - before.position[i]!));
      return far > WORTH || angleBetween(pose.rotation, before.rotation) > WORTH_ANGLE;
    });
    if (!isWorth) {
      const before = this.#tracker.doubt.drifted;
      this.#tracker.returnTo(closed.old.doubt);
      // On a round driven again and again each place is one that was seen before: only what eases the doubt is news.
      const isNews = before - this.#tracker.doubt.drifted >= NEWS * closed.way;
      return isNews ? { newFromOld: null, way: closed.way, distance: 0, angle: 0 } : null;
    }
    const last = frames.length - 1;
    const newFromOld = compose(closed.poses[last]!, invert(frames[last]!.worldFromLens));
    this.#remaking = { ...this.#tracker.emptyMaps(), closed, poses: closed.poses, done: 0, newFromOld };
    this.store.isFixed = true;
    this.finder.restart();
    return null;
  }

  #remake(making: Remaking): Correction | null {
    const { frames } = this.store;
    const { fine, coarse, poses, newFromOld, closed } = making;
    // Keyframes made since keep their place to the last of those that were there.
    const poseOf = (n: number): Pose => poses[n] ?? compose(newFromOld, frames[n]!.worldFromLens);
    for (let k = 0; k < FUSED_AT_ONCE && making.done < frames.length; k++, making.done++) {
      if (!isSound(frames[making.done]!)) continue;
      unpackSamples(this.#samples, frames[making.done]!.samples);
      setPlacement(this.#at, poseOf(making.done));
      const doubt = worldSigma(frames[making.done]!.doubt);
      fine.fuse(this.#samples, this.#at, fine.voxelSize / 2, null, doubt);
      coarse.fuse(this.#samples, this.#at, coarse.voxelSize / 2, null, doubt);
    }
    if (making.done < frames.length) return null;
    frames.forEach((frame, n) => {
      const pose = poseOf(n);
      frame.floorHeight += pose.position[2] - frame.worldFromLens.position[2];
      frame.worldFromLens = pose;
    });
    if (this.#last !== null) this.#last = compose(newFromOld, this.#last);
    // Not before: until here the head was where it was thought to be, with all that doubt.
    this.#tracker.adopt(fine, coarse, newFromOld);
    this.#tracker.returnTo(closed.old.doubt);
    const places: Vec3[] = [];
    for (const { worldFromLens, floorHeight } of frames) {
      const { position } = worldFromLens;
      const isNew = places.every((p) => Math.hypot(p[0] - position[0], p[1] - position[1]) > PLACE);
      if (isNew) places.push([position[0], position[1], floorHeight]);
    }
    this.#tracker.places = places;
    this.#remaking = null;
    this.store.isFixed = false;
    this.finder.restart();
    return { newFromOld, way: closed.way, distance: closed.distance, angle: closed.angle };
  }
}
