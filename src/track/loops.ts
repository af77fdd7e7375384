import type { Pose } from "../geometry/optics.ts";
import { compose, conjugate, invert, multiply } from "../geometry/rigid.ts";
import { type Keyframe, type KeyframeStore, unpackSamples } from "./keyframes.ts";
import { PlaceMatcher } from "./places.ts";
import { edgeBetween, misfit, optimise, type PoseEdge } from "./pose-graph.ts";
import type { Stage } from "./register.ts";
import { emptySamples } from "./sampler.ts";
import { placement, type Samples, SurfelMap, setPlacement } from "./surfels.ts";

const DEGREE = Math.PI / 180;

export interface LoopSettings {
  /** Metres of way before a place counts as come back to. */
  readonly leastWay: number;
  /** Drift that is reckoned with, 1 sigma: share of the way, radians per metre. */
  readonly drift: number;
  readonly yawDrift: number;
  /** Farthest that a place is looked for around where it is thought to be, metres. */
  readonly mostRadius: number;
  /** Keyframes in a row that must agree, and how closely: metres, radians. */
  readonly agreeing: number;
  readonly agreement: number;
  readonly yawAgreement: number;
  /** 1 sigma of a place found again. */
  readonly sigma: number;
  readonly yawSigma: number;
  /** Radians, 1 sigma: tilt of keyframes. */
  readonly tiltSigma: number;
}

export const DEFAULT_LOOP_SETTINGS: LoopSettings = {
  leastWay: 8,
  drift: 0.01,
  yawDrift: 0.1 * DEGREE,
  mostRadius: 3,
  agreeing: 3,
  agreement: 0.06,
  yawAgreement: 1 * DEGREE,
  sigma: 0.01,
  yawSigma: 0.2 * DEGREE,
  tiltSigma: 0.3 * DEGREE,
};

/** Metres around a keyframe within which others make the map it is looked for on, and how many at most. */
const PATCH = 1.5;
const PATCH_FRAMES = 8;
/** Radians: views that differ by more share too little. */
const SAME_VIEW = 50 * DEGREE;
/** Chi-squared with four degrees of freedom, 99.9 %. */
const MISFIT = 18.5;
/** Share of a keyframe that must lie on the other visit's map: that is of a few keyframes only. */
const LEAST_SHARE = 0.7;
const MAX_WEIGHT = 2e7;
const CAPACITY = 2048;

/** A place that was found again, on the way to being believed. */
interface Found {
  readonly edge: PoseEdge;
  /** Where the newer keyframe is, by the older ones. */
  readonly pose: Pose;
  readonly way: number;
}

/** What closing a loop came to. */
export interface LoopClosed {
  /** New poses of the keyframes, as they are in the store. */
  readonly poses: readonly Pose[];
  /** The older of the two visits: its doubt about the world is now the newer one's too. */
  readonly old: Keyframe;
  /** By how much the newest one moved, metres and radians. */
  readonly distance: number;
  readonly angle: number;
  /** Metres of way between the two visits. */
  readonly way: number;
}

/** How often what happened; a closure is believed only after all tests. */
export interface LoopCounts {
  looked: number;
  fitted: number;
  refuted: number;
  closed: number;
}

/**
 * Finds places that were seen long ago and closes the loop. A wrong closure is worse than none, so each must pass every
 * test: the new keyframe fits on the old ones' map and nowhere else within its doubt; an old one fits on the new ones' map
 * and says the same; three keyframes in a row agree; and the graph of poses takes it without more misfit than the sigmas
 * allow. Work is done in steps of about a registration each, counted, not timed.
 */
export class LoopFinder {
  readonly counts: LoopCounts = { looked: 0, fitted: 0, refuted: 0, closed: 0 };
  readonly #store: KeyframeStore;
  readonly #settings: LoopSettings;
  readonly #places = new PlaceMatcher(CAPACITY, LEAST_SHARE);
  readonly #fine = new SurfelMap(0.06, MAX_WEIGHT);
  readonly #coarse = new SurfelMap(0.24, MAX_WEIGHT);
  readonly #stages: readonly Stage[] = [
    { map: this.#coarse, gate: 0.4, lastGate: 0.15, iterations: 4, stride: 4 },
    { map: this.#fine, gate: 0.12, lastGate: 0.04, iterations: 6, stride: 1 },
  ];
  readonly #samples = emptySamples(CAPACITY);
  readonly #at = placement();
  /** Steps still to do for the keyframe that is looked at. */
  #todo: (() => void)[] = [];
  #lookedAt = -1;
  #row: Found[] = [];
  #closed: LoopClosed | null = null;

  constructor(store: KeyframeStore, settings: LoopSettings = DEFAULT_LOOP_SETTINGS) {
    this.#store = store;
    this.#settings = settings;
  }

  /** Does one step of work; what came of it when a loop was closed. */
  step(): LoopClosed | null {
    this.#closed = null;
    const next = this.#todo.shift();
    if (next !== undefined) next();
    else this.#look();
    return this.#closed;
  }

  /** Forgets what was begun: poses have changed. */
  restart(): void {
    this.#todo = [];
    this.#row = [];
  }

  /** Chooses what the newest keyframe may have come back to. */
  #look(): void {
    const { frames } = this.#store;
    const newest = this.#store.newest;
    if (newest === null || newest.id === this.#lookedAt) return;
    this.#lookedAt = newest.id;
    const s = this.#settings;
    let best: Keyframe | null = null;
    let least = Number.POSITIVE_INFINITY;
    for (const frame of frames) {
      const way = newest.way - frame.way;
      if (way < s.leastWay) break;
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

  /** Three sigma of the drift between two keyframes, and of the doubt that was built in between. */
  #radius(old: Keyframe, newest: Keyframe): number {
    const { drift, mostRadius } = this.#settings;
    const built = Math.max(0, Math.sqrt(newest.doubt.built) - Math.sqrt(old.doubt.built));
    return Math.min(mostRadius, 0.3 + 3 * drift * (newest.way - old.way) + 3 * built);
  }

  #begin(old: Keyframe, newest: Keyframe): void {
    this.counts.looked++;
    const s = this.#settings;
    const way = newest.way - old.way;
    const doubt = { tilt: s.tiltSigma, yaw: 0.5 * DEGREE + s.yawDrift * way, position: 0.3 };
    let found: Pose | null = null;
    const stop = (): void => {
      this.#todo = [];
      this.#row = [];
    };
    this.#todo = [
      ...this.#gather(old, (frame) => frame.way <= newest.way - s.leastWay),
      () => {
        unpackSamples(this.#samples, newest.samples);
        const place = this.#places.find(
          ...([
            this.#samples,
            newest.worldFromLens,
            doubt,
            this.#radius(old, newest),
            this.#coarse,
            this.#stages,
          ] as const),
        );
        if (place === null) stop();
        else found = place.pose;
      },
      ...this.#gather(newest, (frame) => frame.way > newest.way - s.leastWay / 2),
      () => {
        // Back again: is the old one where the new one says?
        const expected = compose(newest.worldFromLens, compose(invert(found!), old.worldFromLens));
        unpackSamples(this.#samples, old.samples);
        const narrow = { tilt: s.tiltSigma, yaw: s.yawAgreement, position: 0.1 };
        const upright = this.#places.fits(this.#samples, expected, narrow, this.#stages);
        const isAgreed =
          upright > 0 &&
          apart(this.#places.pose, expected) < s.agreement &&
          Math.abs(yawBetween(this.#places.pose, expected)) < s.yawAgreement;
        // Both must still be there: the store may have left one out since.
        const isKept = this.#store.indexOf(old.id) >= 0 && this.#store.indexOf(newest.id) >= 0;
        if (isAgreed && isKept) this.#add(old, newest, found!);
        else stop();
      },
    ];
  }

  /** Steps that build a map from keyframes near one, as their poses have it: two keyframes a step. */
  #gather(middle: Keyframe, isWanted: (frame: Keyframe) => boolean): (() => void)[] {
    const near = this.#store.frames
      .filter((frame) => isWanted(frame) && apart(frame.worldFromLens, middle.worldFromLens) < PATCH)
      .filter((frame) => Math.abs(yawBetween(frame.worldFromLens, middle.worldFromLens)) < 2 * SAME_VIEW)
      .sort(
        (a, b) => apart(a.worldFromLens, middle.worldFromLens) - apart(b.worldFromLens, middle.worldFromLens),
      )
      .slice(0, PATCH_FRAMES);
    const steps = [
      () => {
        this.#fine.clear();
        this.#coarse.clear();
      },
    ];
    for (let n = 0; n < near.length; n += 2) {
      steps.push(() => {
        for (const frame of near.slice(n, n + 2)) this.#fuse(frame, this.#samples);
      });
    }
    return steps;
  }

  #fuse({ samples, worldFromLens }: Keyframe, out: Samples): void {
    unpackSamples(out, samples);
    setPlacement(this.#at, worldFromLens);
    this.#fine.fuse(out, this.#at, this.#fine.voxelSize / 2);
    this.#coarse.fuse(out, this.#at, this.#coarse.voxelSize / 2);
  }

  #add(old: Keyframe, newest: Keyframe, pose: Pose): void {
    this.counts.fitted++;
    const s = this.#settings;
    const edge = edgeBetween(old.id, newest.id, old.worldFromLens, pose, s.sigma, s.yawSigma);
    const found = { edge, pose, way: newest.way };
    // Does it move the world as the ones before it did?
    const moved = compose(pose, invert(newest.worldFromLens));
    const last = this.#row.at(-1);
    if (last !== undefined) {
      const before = this.#store.frames[this.#store.indexOf(last.edge.to)];
      const expected = compose(moved, before?.worldFromLens ?? last.pose);
      const isAgreed =
        before !== undefined &&
        apart(expected, last.pose) < s.agreement &&
        Math.abs(yawBetween(expected, last.pose)) < s.yawAgreement;
      if (!isAgreed) this.#row = [];
    }
    this.#row.push(found);
    if (this.#row.length >= s.agreeing) this.#close(newest, old);
  }

  /** Puts what agrees into the graph, unless the graph refutes it. */
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
    if (edges.some((edge) => misfit(edge, poses[edge.from]!, poses[edge.to]!) > MISFIT)) {
      this.counts.refuted++;
      store.closures.length = before;
      return;
    }
    this.counts.closed++;
    const at = poses[store.indexOf(newest.id)]!;
    this.#closed = {
      ...{ poses, old, way: newest.way - old.way },
      distance: apart(at, newest.worldFromLens),
      angle: Math.abs(yawBetween(newest.worldFromLens, at)),
    };
  }
}

const apart = ({ position: [a, b, c] }: Pose, { position: [x, y, z] }: Pose): number =>
  Math.hypot(x - a, y - b, z - c);

/** How far `b` is turned from `a` about the vertical. */
function yawBetween(a: Pose, b: Pose): number {
  const [, , z, w] = multiply(b.rotation, conjugate(a.rotation));
  const angle = 2 * Math.atan2(z, w);
  return angle - 2 * Math.PI * Math.round(angle / (2 * Math.PI));
}
