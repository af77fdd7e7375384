import { atan2Of } from "../geometry/elementary.ts";
import type { Pose } from "../geometry/optics.ts";
import { compose, conjugate, invert, multiply } from "../geometry/rigid.ts";
import { distance, wrapAngle } from "../geometry/vec.ts";
import type { Keyframe, KeyframeStore } from "./keyframes.ts";
import { emptyMaps, type MapPair } from "./local-map.ts";
import { placement, setPlacement } from "./placement.ts";
import { type PlaceMap, PlaceMatcher } from "./places.ts";
import { edgeBetween, misfit, optimise, type PoseEdge } from "./pose-graph.ts";
import { emptySamples, unpackSamples } from "./samples.ts";

const DEGREE = Math.PI / 180;

/** Limits of the search for loop closures. */
export interface LoopSearch {
  /** Metres: shortest path length between two visits of a place that form a loop. */
  readonly leastWay: number;
  /** Drift, 1 sigma, as a share of the path length. */
  readonly drift: number;
  /** Metres: largest search radius around the expected position. */
  readonly mostRadius: number;
}

/** Chosen by hand: in three rooms the drift is under 0.2 % of the path (`score-poses --rounds`), so 1 % is five times that. */
export const LOOP_SEARCH: LoopSearch = { leastWay: 8, drift: 0.01, mostRadius: 3 };

/** Drift of the heading, 1 sigma, radians per metre; and its least doubt, radians. Chosen by hand. */
const YAW_DRIFT = 0.1 * DEGREE;
const LEAST_YAW = 0.5 * DEGREE;
/** Radians, 1 sigma: tilt of keyframes, the noise of an orientation sensor. */
const TILT_SIGMA = 0.3 * DEGREE;
/** Consecutive keyframes that must agree before a loop is closed, and their tolerance: metres, radians. Chosen by hand. */
const AGREEING = 3;
const AGREEMENT = 0.06;
const YAW_AGREEMENT = 1 * DEGREE;
/** 1 sigma of the measurement of a loop closure: metres, radians. Chosen by hand. */
const CLOSURE_SIGMA = 0.01;
const CLOSURE_YAW = 0.2 * DEGREE;
/** Radius in metres around a keyframe within which others form the map that it is compared with, and the most of them that are used. */
const PATCH = 1.5;
const PATCH_FRAMES = 8;
/** Radians: views that differ by more overlap too little. At this angle the views of a camera of 70 degrees overlap by a quarter. */
const SAME_VIEW = 50 * DEGREE;
/** Chi-squared with four degrees of freedom, 99.9 %. */
const MOST_MISFIT = 18.5;
/** Share of a keyframe that must lie on the other visit's map, which consists of only a few keyframes. Chosen by hand. */
const LEAST_SHARE = 0.7;
/** Metres: fine voxels of the maps that keyframes are compared with. Coarse voxels are four times as large. */
const FINE_VOXEL = 0.06;
/** Most samples of a keyframe (`packSamples` keeps fewer). */
const CAPACITY = 2048;

/** A keyframe that fits the surroundings of an older one. It is not believed until more agree. */
interface Fitted {
  readonly edge: PoseEdge;
  /** worldFromLens of the newer keyframe by the older ones. */
  readonly pose: Pose;
}

/** A closed loop. */
export interface LoopClosed {
  /** New poses of the keyframes, in the order of the store. */
  readonly poses: readonly Pose[];
  /** The keyframe of the older visit. Its doubt about the world now applies to the newer one, too. */
  readonly old: Keyframe;
  /** Motion of the newest keyframe, metres and radians. */
  readonly distance: number;
  readonly angle: number;
  /** Metres: path length between the two visits. */
  readonly way: number;
  /** Whether the older visit was in an earlier run, whose place was recognised. */
  readonly isPlaceFound: boolean;
}

/** Number of candidates that reached each test. */
export interface LoopCounts {
  /** Keyframes compared with an older one. */
  looked: number;
  /** Those that fitted it, in both directions. */
  fitted: number;
  /** Closures that the pose graph rejected, and closures made. */
  refuted: number;
  closed: number;
}

/**
 * Recognises places of earlier visits and closes the loop. A wrong closure is worse than none, so each must pass every test:
 * the new keyframe fits the map of the old ones, and fits nowhere else within its doubt;
 * an old keyframe fits the map of the new ones at the same pose;
 * three keyframes in a row agree;
 * the pose graph accepts it with no more misfit than the sigmas allow.
 * Work is done in steps of about one registration each. Steps are counted, not timed, so that the result does not depend on the machine.
 */
export class LoopFinder {
  readonly counts: LoopCounts = { looked: 0, fitted: 0, refuted: 0, closed: 0 };
  readonly #store: KeyframeStore;
  readonly #area: LoopSearch;
  readonly #places = new PlaceMatcher(CAPACITY, LEAST_SHARE);
  /** Maps of the keyframes around one of the two visits, built on demand. */
  readonly #maps: MapPair;
  readonly #map: PlaceMap;
  readonly #samples = emptySamples(CAPACITY);
  readonly #at = placement();
  /** Remaining steps for the current keyframe. */
  #todo: (() => void)[] = [];
  #lookedAt = -1;
  /** The latest consecutive keyframes that agree. */
  #row: Fitted[] = [];
  #closed: LoopClosed | null = null;

  constructor(store: KeyframeStore, area: LoopSearch = LOOP_SEARCH) {
    this.#store = store;
    this.#area = area;
    const maps = emptyMaps(FINE_VOXEL);
    this.#maps = maps;
    this.#map = {
      coarse: maps.coarse,
      stages: [
        { map: maps.coarse, gate: 0.4, lastGate: 0.15, iterations: 4, stride: 4 },
        { map: maps.fine, gate: 0.12, lastGate: 0.04, iterations: 6, stride: 1 },
      ],
    };
  }

  /** Metres: shortest path length between two visits of a place. */
  get leastWay(): number {
    return this.#area.leastWay;
  }

  /** Does one step of work. @returns the loop when the step closed one, else null */
  step(): LoopClosed | null {
    this.#closed = null;
    const next = this.#todo.shift();
    if (next !== undefined) next();
    else this.#look();
    return this.#closed;
  }

  /** Drops the work in progress, because poses have changed. */
  restart(): void {
    this.#todo = [];
    this.#row = [];
  }

  /** Chooses the older keyframe whose place the newest one may show again. */
  #look(): void {
    const { frames } = this.#store;
    const newest = this.#store.newest;
    if (newest === null || newest.id === this.#lookedAt) return;
    this.#lookedAt = newest.id;
    const { leastWay } = this.#area;
    let best: Keyframe | null = null;
    let least = Number.POSITIVE_INFINITY;
    for (const frame of frames) {
      const way = newest.way - frame.way;
      if (way < leastWay) break;
      const turned = Math.abs(yawBetween(frame.worldFromLens, newest.worldFromLens));
      const far = apart(frame.worldFromLens, newest.worldFromLens);
      if (turned > SAME_VIEW || far > this.#radius(frame, newest) + 1) continue;
      const cost = far + turned;
      if (cost < least) [least, best] = [cost, frame];
    }
    if (best === null) {
      this.#row = [];
      return;
    }
    this.#begin(best, newest);
  }

  /** Search radius in metres: three sigma of the drift between two keyframes and of the doubt that was built in between. */
  #radius(old: Keyframe, newest: Keyframe): number {
    const { drift, mostRadius } = this.#area;
    const built = Math.max(0, Math.sqrt(newest.doubt.built) - Math.sqrt(old.doubt.built));
    return Math.min(mostRadius, 0.3 + 3 * drift * (newest.way - old.way) + 3 * built);
  }

  /** Plans the steps that compare two keyframes. */
  #begin(old: Keyframe, newest: Keyframe): void {
    this.counts.looked++;
    const { leastWay } = this.#area;
    const way = newest.way - old.way;
    const doubt = { tilt: TILT_SIGMA, yaw: LEAST_YAW + YAW_DRIFT * way, position: 0.3 };
    let found: Pose | null = null;
    this.#todo = [
      ...this.#gather(old, (frame) => frame.way <= newest.way - leastWay),
      () => {
        unpackSamples(this.#samples, newest.samples);
        const area = { doubt, radius: this.#radius(old, newest), map: this.#map };
        const place = this.#places.find(this.#samples, newest.worldFromLens, area);
        if (place === null) this.restart();
        else found = place.pose;
      },
      ...this.#gather(newest, (frame) => frame.way > newest.way - leastWay / 2),
      () => {
        // The store may have dropped one of them since.
        const isKept = this.#store.indexOf(old.id) >= 0 && this.#store.indexOf(newest.id) >= 0;
        if (this.#isAgreed(old, newest, found!) && isKept) this.#add(old, newest, found!);
        else this.restart();
      },
    ];
  }

  /** The reverse test: whether the older keyframe fits the newer ones' map at the pose that the first test found. */
  #isAgreed(old: Keyframe, newest: Keyframe, found: Pose): boolean {
    const expected = compose(newest.worldFromLens, compose(invert(found), old.worldFromLens));
    unpackSamples(this.#samples, old.samples);
    const narrow = { tilt: TILT_SIGMA, yaw: YAW_AGREEMENT, position: 0.1 };
    const upright = this.#places.fits(this.#samples, expected, narrow, this.#map.stages);
    return upright > 0 && agree(this.#places.pose, expected);
  }

  /** Steps that build a map from the keyframes near one, at their own poses: two keyframes a step. */
  #gather(middle: Keyframe, isWanted: (frame: Keyframe) => boolean): (() => void)[] {
    const near = this.#store.frames
      .filter((frame) => isWanted(frame) && apart(frame.worldFromLens, middle.worldFromLens) < PATCH)
      .filter((frame) => Math.abs(yawBetween(frame.worldFromLens, middle.worldFromLens)) < 2 * SAME_VIEW)
      .sort(
        (a, b) => apart(a.worldFromLens, middle.worldFromLens) - apart(b.worldFromLens, middle.worldFromLens),
      )
      .slice(0, PATCH_FRAMES);
    const { fine, coarse } = this.#maps;
    const steps = [
      () => {
        fine.clear();
        coarse.clear();
      },
    ];
    for (let n = 0; n < near.length; n += 2) {
      steps.push(() => {
        for (const { samples, worldFromLens } of near.slice(n, n + 2)) {
          unpackSamples(this.#samples, samples);
          setPlacement(this.#at, worldFromLens);
          fine.fuse(this.#samples, this.#at);
          coarse.fuse(this.#samples, this.#at);
        }
      });
    }
    return steps;
  }

  /** Adds a keyframe that fits in both directions. Enough in a row close the loop. */
  #add(old: Keyframe, newest: Keyframe, pose: Pose): void {
    this.counts.fitted++;
    const ends = { from: old.id, to: newest.id, sigma: CLOSURE_SIGMA, yawSigma: CLOSURE_YAW };
    const edge = edgeBetween(old.worldFromLens, pose, ends);
    // It must move the world in the same way as the ones before it.
    const moved = compose(pose, invert(newest.worldFromLens));
    const last = this.#row.at(-1);
    if (last !== undefined) {
      const before = this.#store.frames[this.#store.indexOf(last.edge.to)];
      const expected = compose(moved, before?.worldFromLens ?? last.pose);
      if (before === undefined || !agree(expected, last.pose)) this.#row = [];
    }
    this.#row.push({ edge, pose });
    if (this.#row.length >= AGREEING) this.#close(newest, old);
  }

  /** Adds the row's edges to the pose graph and optimises it; removes them again when the graph rejects them. */
  #close(newest: Keyframe, old: Keyframe): void {
    const store = this.#store;
    const added = this.#row.map(({ edge }) => edge);
    this.#row = [];
    const before = store.closures.length;
    store.closures.push(...added);
    const edges = store.edges();
    const { poses } = optimise(
      store.frames.map(({ worldFromLens }) => worldFromLens),
      edges,
    );
    if (edges.some((edge) => misfit(edge, poses[edge.from]!, poses[edge.to]!) > MOST_MISFIT)) {
      this.counts.refuted++;
      store.closures.length = before;
      return;
    }
    this.counts.closed++;
    const at = poses[store.indexOf(newest.id)]!;
    this.#closed = {
      poses,
      old,
      way: newest.way - old.way,
      distance: apart(at, newest.worldFromLens),
      angle: Math.abs(yawBetween(newest.worldFromLens, at)),
      isPlaceFound: false,
    };
  }
}

const agree = (a: Pose, b: Pose): boolean =>
  apart(a, b) < AGREEMENT && Math.abs(yawBetween(a, b)) < YAW_AGREEMENT;

const apart = (a: Pose, b: Pose): number => distance(a.position, b.position);

/** Radians about the vertical from `a` to `b`. */
function yawBetween(a: Pose, b: Pose): number {
  const [, , z, w] = multiply(b.rotation, conjugate(a.rotation));
  return wrapAngle(2 * atan2Of(z, w));
}
