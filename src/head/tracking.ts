import type { Pose, Quat } from "../geometry/optics.ts";
import { compose } from "../geometry/rigid.ts";
import type { InertialInput, TrackNote } from "../track/frame.ts";
import type { KeyframeReader } from "../track/keyframes.ts";
import type { KnownPlace } from "../track/known-place.ts";
import type { MapPair } from "../track/local-map.ts";
import { Revisits } from "../track/revisits.ts";
import type { FrameSampler } from "../track/sampler.ts";
import { Tracker } from "../track/tracker.ts";
import type { TrackState } from "./outputs.ts";
import type { Settings } from "./settings.ts";
import { trackerSettings } from "./stage-settings.ts";

/** Inputs for finding a pose. */
export interface Trackable {
  /** The base's rotation by the orientation sensor. */
  readonly attitude: Quat;
  /** Pose of the base by odometry, in an origin of its own; null without. */
  readonly odometry: Pose | null;
  readonly baseFromLens: Pose;
}

/** A frame whose pose is to be found. */
export interface Sighting extends Trackable {
  /** Inertial samples since the frame before; null without. */
  readonly inertial: InertialInput | null;
  /** Microseconds. */
  readonly time: number;
  readonly sensor: number;
  /** Samples its depth; null for a planar scan, which is placed by the cameras' poses. */
  readonly sampler: FrameSampler | null;
  /** Masked depth. */
  readonly depth: Uint16Array;
  readonly unitsPerMetre: number;
  /** Whether the frame shows the room: the lens is not covered, and the image is not frozen. */
  readonly isClear: boolean;
  /** Whether the floor is at the world's own zero rather than under the base. */
  readonly isFloorZero: boolean;
}

/** Pose of a frame, and the events of tracking. */
export interface Placed {
  readonly worldFromBase: Pose;
  readonly worldFromLens: Pose;
  /** z of the floor below the base. */
  readonly floorHeight: number;
  /** Whether it may be written to maps. */
  readonly isFit: boolean;
  /** Null for a planar scan. */
  readonly state: TrackState | null;
  readonly notes: readonly TrackNote[];
  /** By how much a loop closure moved the world near the head, so that maps must be rebuilt; null without one. */
  readonly newFromOld: Pose | null;
  /** Whether the place of an earlier run was recognised: `newFromOld` leads into its world. */
  readonly isPlaceFound: boolean;
}

/** Finds the poses of a head's frames, in order. */
export interface Tracking {
  place(sighting: Sighting): Placed;
  /**
   * Frames have stopped coming until `time`, microseconds: true when that makes the head lost now.
   * @param hasInertial whether inertial samples still arrive
   */
  noFrameUntil(time: number, hasInertial: boolean): boolean;
  /** Keyframes, from which maps are rebuilt. */
  keyframes(): KeyframeReader;
}

/** Poses by depth and orientation, with keyframes and loops. They take nothing from the map of voxels. */
export class DepthTracking implements Tracking {
  /** Null when no keyframes are kept. */
  readonly revisits: Revisits | null;
  readonly #tracker: Tracker;

  /** @param start where the base stands at the first frame */
  constructor(start: Pose, settings: Settings) {
    this.#tracker = new Tracker(start, trackerSettings(settings));
    const budget = settings["track.keyframes"] * 1e6;
    this.revisits = budget > 0 ? new Revisits(this.#tracker, budget) : null;
  }

  /** From now on looks for the place of an earlier run. */
  seek(place: KnownPlace): void {
    this.revisits?.seek(place);
  }

  /** The surfels that frames are registered against. */
  get maps(): MapPair {
    return this.#tracker.map.pair;
  }

  /** Continues with other settings; voxel sizes and the memory for keyframes stay as they were. */
  change(settings: Settings): void {
    this.#tracker.settings = trackerSettings(settings);
  }

  place(sighting: Sighting): Placed {
    const { time, sensor, sampler, depth, unitsPerMetre, isClear, isFloorZero } = sighting;
    const tracker = this.#tracker;
    const floorOf = (base: Pose) => (isFloorZero ? 0 : base.position[2]);
    if (sampler === null) {
      const worldFromBase = tracker.extrapolate(time, sighting.attitude, sighting.odometry);
      const worldFromLens = compose(worldFromBase, sighting.baseFromLens);
      const floorHeight = floorOf(worldFromBase);
      return {
        worldFromBase,
        worldFromLens,
        floorHeight,
        isFit: tracker.isFit,
        state: null,
        notes: [],
        newFromOld: null,
        isPlaceFound: false,
      };
    }
    sampler.sample(depth, unitsPerMetre);
    const { chosen, all } = sampler;
    const { attitude, odometry, baseFromLens, inertial } = sighting;
    const result = tracker.track({ attitude, odometry, baseFromLens, inertial, isClear, time, chosen, all });
    const { hold, covariance, yawSigma, share, isFit, worldFromBase, worldFromLens } = result;
    const floorHeight = floorOf(worldFromBase);
    const frame = { time, sensor, result, floorHeight, isClear, depth, unitsPerMetre, samples: all };
    const correction = this.revisits?.take(frame) ?? null;
    const state = { hold, covariance, yawSigma, share };
    if (correction === null) {
      const { notes } = result;
      return {
        worldFromBase,
        worldFromLens,
        floorHeight,
        isFit,
        state,
        notes,
        newFromOld: null,
        isPlaceFound: false,
      };
    }
    const { newFromOld, way, distance, angle, isPlaceFound } = correction;
    const note: TrackNote = isPlaceFound
      ? { what: "place found" }
      : { what: "loop closed", way, distance, angle };
    const notes: TrackNote[] = [...result.notes, note];
    if (newFromOld === null) {
      return { worldFromBase, worldFromLens, floorHeight, isFit, state, notes, newFromOld, isPlaceFound };
    }
    const moved = compose(newFromOld, worldFromBase);
    return {
      worldFromBase: moved,
      worldFromLens: compose(newFromOld, worldFromLens),
      floorHeight: floorOf(moved),
      isFit,
      state,
      notes,
      newFromOld,
      isPlaceFound,
    };
  }

  noFrameUntil(time: number, hasInertial: boolean): boolean {
    return this.#tracker.noFrameUntil(time, hasInertial);
  }

  keyframes(): KeyframeReader {
    // Without keyframes there are no loop closures.
    return this.revisits?.store.read() ?? { next: () => null };
  }
}
