import { atan2Of } from "../geometry/elementary.ts";
import type { Pose, Vec3 } from "../geometry/optics.ts";
import { compose, fromYawPitchRoll, IDENTITY, toYawPitchRoll, turn } from "../geometry/rigid.ts";
import { subtract, wrapAngle } from "../geometry/vec.ts";
import { ExpectedView } from "./expected-view.ts";
import type { Keyframe } from "./keyframes.ts";
import type { KnownPlace } from "./known-place.ts";
import { levelDistance, MOST_POINTS, MOST_QUERY, PlaceQueries, type PlaceQuery } from "./place-query.ts";
import { PlaceSweep, type SweptPlace } from "./place-sweep.ts";
import { placement, setPlacement } from "./placement.ts";
import { PlaceMatcher } from "./places.ts";
import { emptySamples, MOST_PACKED, unpackSamples } from "./samples.ts";
import { GoneSurfels } from "./seen-through.ts";

const DEGREE = Math.PI / 180;
/** Candidates that are looked at closely. Chosen by hand, like all numbers below. */
const CANDIDATES = 12;
/** The best of the last search, which are looked at again. */
const CARRIED = 3;
/** Fewest mapped surfaces in view, in all views. */
const FEWEST_FOUND = 400;
/** Keyframes whose view is compared with the expected one. */
const VIEWS = 8;
/** Keyframes that this run must have, and how many more before the next search. */
const FEWEST_FRAMES = 4;
const NEXT_SEARCH = 2;
/** Radians: the views must spread over this much in heading, or the base must have moved this far, metres. */
const OTHER_HEADING = 60 * DEGREE;
const OTHER_PLACE = 1;
/** Prior of a candidate, 1 sigma: half the spacing of the search, in all directions. */
const DOUBT = { tilt: 0.4 * DEGREE, yaw: 3 * DEGREE, position: 0.2, isPositionKnown: true };

/** A place where this run's keyframes may be, on the known map. */
export interface PlaceCandidate {
  /** newFromOld: from the world of this run to that of the place; about the vertical. */
  readonly newFromOld: Pose;
  /** Of the search from above: points on surfaces, less those on free floor. */
  readonly score: number;
  /** Share of the upright samples that lie on the map after registration. */
  share: number;
  /** Mapped surfaces in view that are seen, looked through, and hidden. */
  found: number;
  pierced: number;
  covered: number;
}

/** This run's keyframes are recognised on the known map. */
export interface PlaceFound extends PlaceCandidate {
  /** The newest keyframe of the query. */
  readonly frame: Keyframe;
}

/** How much of what a candidate's views show contradicts the known map, as a share: surfaces that are not on it, and those looked through. */
const misfitOf = ({ share, found, pierced }: PlaceCandidate): number =>
  1 - share + pierced / Math.max(1, found + pierced);

/** Candidates with the least misfit first. */
const byMisfit = (candidates: readonly PlaceCandidate[]): PlaceCandidate[] =>
  candidates.toSorted((a, b) => misfitOf(a) - misfitOf(b));

/** Share of the expected surfaces that something hides. */
const hiddenOf = ({ found, covered }: PlaceCandidate): number => covered / Math.max(1, found + covered);

/**
 * How far the best candidate is believed. Where the walls alone are in view, a room that is not on the map looks like another one that is: so a
 * look around is needed. What people, moved furniture and unmapped corners contradict is allowed after a whole turn only, if every
 * other place contradicts more, and if the next search agrees. Chosen by hand on 50 generated homes: see docs/how-poses-are-found.md.
 */
function beliefIn(best: PlaceCandidate, rival: number, cover: number): "certain" | "likely" | "none" {
  const misfit = misfitOf(best);
  const hidden = hiddenOf(best);
  if (best.found < FEWEST_FOUND) return "none";
  const isClean = misfit <= 0.03 && best.pierced <= 0.005 * best.found && hidden <= 0.15;
  if (isClean) return cover >= 240 && rival >= misfit + 0.05 ? "certain" : "none";
  const isLikely = misfit <= 0.16 && hidden <= 0.2 && cover >= 345 && rival >= misfit + 0.15;
  return isLikely ? "likely" : "none";
}

/**
 * Finds out where this run takes place on the map of an earlier run, from any position and heading. It compares all that this run has seen so
 * far with the whole map: first from above, at every position and heading; then the best candidates by registration and by the surfaces that
 * should be in view. A wrong place is worse than none, so one candidate must agree and no other may come near.
 *
 * Work is done in steps of some milliseconds. Steps are counted, not timed, so that the result does not depend on the machine.
 * Source: exhaustive correlation of a scan with a map, as in Olson 2009.
 */
export class PlaceSeeker {
  readonly place: KnownPlace;
  readonly #queries = new PlaceQueries();
  readonly #view = new ExpectedView();
  readonly #matcher = new PlaceMatcher(MOST_QUERY, 0.5);
  readonly #samples = emptySamples(MOST_PACKED);
  readonly #at = placement();
  readonly #checked: PlaceCandidate[] = [];
  /** Does the next step of the work. */
  #next: (frames: readonly Keyframe[]) => PlaceFound | null;
  /** Null until the map is cleared of what has gone. */
  #sweep: PlaceSweep | null = null;
  /** Id of the newest keyframe at the last search. */
  #searchedAt = -1;
  /** newFromOld of the last search, if it was likely; null otherwise. */
  #likely: Pose | null = null;

  /** @param place its map must not change */
  constructor(place: KnownPlace) {
    this.place = place;
    const { fine } = place.maps;
    const gone = new GoneSurfels(fine, place.frames);
    const prepare = (): null => {
      if (!gone.step()) return null;
      this.#sweep = new PlaceSweep(fine, MOST_POINTS);
      this.#next = this.#wait;
      return null;
    };
    this.#next = prepare;
  }

  /** Drops the search in progress, because this run's keyframes have moved. */
  restart(): void {
    if (this.#sweep !== null) this.#next = this.#wait;
    this.#searchedAt = -1;
    this.#likely = null;
    this.#checked.length = 0;
  }

  /** Does one step of work. @param frames this run's keyframes, oldest first, all tied to the newest */
  step(frames: readonly Keyframe[]): PlaceFound | null {
    return this.#next(frames);
  }

  /** Waits until this run has seen enough that is new, and begins a search. */
  readonly #wait = (frames: readonly Keyframe[]): null => {
    const newest = frames.at(-1);
    if (newest === undefined || frames.length < FEWEST_FRAMES) return null;
    if (newest.id < this.#searchedAt + NEXT_SEARCH || !frames.some((frame) => isOtherView(frame, newest))) {
      return null;
    }
    this.#searchedAt = newest.id;
    this.#queries.begin(frames);
    this.#next = this.#ask;
    return null;
  };

  readonly #ask = (): null => {
    const query = this.#queries.step();
    if (query === null) return null;
    const sweep = this.#sweep!;
    sweep.begin();
    // What was good before is looked at again: a later view from above may rank it lower than its rival.
    const before = byMisfit(this.#checked).slice(0, CARRIED);
    this.#checked.length = 0;
    const check = (): PlaceFound | null => {
      const old = before.pop();
      const place = old === undefined && this.#checked.length < CANDIDATES ? sweep.takeBest() : null;
      const candidate = old ?? (place === null ? null : this.#candidate(query, place));
      if (candidate !== null) {
        this.#check(query, candidate);
        return null;
      }
      this.#next = this.#wait;
      return this.#decide(query);
    };
    this.#next = () => {
      if (sweep.step(query.points)) this.#next = check;
      return null;
    };
    return null;
  };

  #candidate({ origin, frames }: PlaceQuery, { x, y, yaw, score }: SweptPlace): PlaceCandidate {
    // The base stands on the floor of the known keyframe that is nearest.
    let nearest = Number.POSITIVE_INFINITY;
    let floor = 0;
    for (const { worldFromLens, floorHeight } of this.place.frames) {
      const far = levelDistance(worldFromLens.position, [x, y, 0]);
      if (far < nearest) [nearest, floor] = [far, floorHeight];
    }
    const rise = floor - frames.at(-1)!.floorHeight;
    const rotation = fromYawPitchRoll(yaw, 0, 0);
    const [ox, oy] = turn(rotation, origin);
    const newFromOld = { rotation, position: [x - ox, y - oy, rise] as Vec3 };
    return { newFromOld, score, share: 0, found: 0, pierced: 0, covered: 0 };
  }

  /** Registers the query at a candidate, and compares its views with the expected ones. */
  #check(query: PlaceQuery, candidate: PlaceCandidate): void {
    const { fine } = this.place.maps;
    const stages = [
      { map: this.place.maps.coarse, gate: 0.4, lastGate: 0.15, iterations: 6, stride: 4 },
      { map: fine, gate: 0.12, lastGate: 0.06, iterations: 8, stride: 1 },
    ];
    const atOrigin: Pose = { rotation: IDENTITY.rotation, position: query.origin };
    this.#matcher.fits(query.samples, compose(candidate.newFromOld, atOrigin), DOUBT, stages);
    const { rotation, position } = this.#matcher.pose;
    const turned = fromYawPitchRoll(toYawPitchRoll(rotation)[0], 0, 0);
    const newFromOld = { rotation: turned, position: subtract(position, turn(turned, query.origin)) };
    const checked: PlaceCandidate = {
      ...candidate,
      newFromOld,
      share: this.#matcher.uprightShare,
      found: 0,
      pierced: 0,
      covered: 0,
    };
    const step = Math.max(1, query.frames.length / VIEWS);
    for (let n = query.frames.length - 1; n >= 0; n -= step) {
      const frame = query.frames[Math.round(n)]!;
      unpackSamples(this.#samples, frame.samples);
      this.#view.take(this.#samples);
      setPlacement(this.#at, compose(newFromOld, frame.worldFromLens));
      const { found, pierced, covered } = this.#view.compare(fine, this.#at);
      checked.found += found;
      checked.pierced += pierced;
      checked.covered += covered;
    }
    this.#checked.push(checked);
  }

  #decide({ frames }: PlaceQuery): PlaceFound | null {
    const frame = frames.at(-1)!;
    const ranked = byMisfit(this.#checked);
    const best = ranked[0];
    if (best === undefined) return null;
    const rival = ranked.find((other) => isElsewhere(other.newFromOld, best.newFromOld, frame));
    const misfit = rival === undefined ? 1 : misfitOf(rival);
    const belief = beliefIn(best, misfit, coverOf(frames));
    const before = this.#likely;
    this.#likely = belief === "likely" ? best.newFromOld : null;
    const isAgreed = before !== null && this.#likely !== null && !isElsewhere(before, best.newFromOld, frame);
    return belief === "certain" || isAgreed ? { ...best, frame } : null;
  }
}

function isOtherView(a: Keyframe, b: Keyframe): boolean {
  const turned = wrapAngle(yawOf(a.worldFromLens) - yawOf(b.worldFromLens));
  return (
    Math.abs(turned) > OTHER_HEADING ||
    levelDistance(a.worldFromLens.position, b.worldFromLens.position) > OTHER_PLACE
  );
}

/** Degrees of heading that the views of keyframes cover, each 60 degrees wide. */
function coverOf(frames: readonly Keyframe[]): number {
  const seen = new Uint8Array(72);
  for (const { worldFromLens } of frames) {
    const middle = Math.round(yawOf(worldFromLens) / (5 * DEGREE));
    for (let n = -6; n < 6; n++) seen[(middle + n + 144) % 72] = 1;
  }
  return 5 * seen.reduce((a, b) => a + b, 0);
}

/** Whether two candidates have the keyframe at different poses. */
function isElsewhere(a: Pose, b: Pose, { worldFromLens }: Keyframe): boolean {
  const [p, q] = [compose(a, worldFromLens), compose(b, worldFromLens)];
  const turned = Math.abs(wrapAngle(toYawPitchRoll(a.rotation)[0] - toYawPitchRoll(b.rotation)[0]));
  return levelDistance(p.position, q.position) > 0.2 || turned > 5 * DEGREE;
}

/** Direction about the vertical in which a lens looks. */
function yawOf(worldFromLens: Pose): number {
  const [x, y] = turn(worldFromLens.rotation, [0, 0, 1]);
  return atan2Of(y, x);
}
