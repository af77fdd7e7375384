import { atan2Of, hypot2 } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import { isSound, type Keyframe } from "./keyframes.ts";
import { type Placement, placement, setPlacement } from "./placement.ts";
import { emptySamples, MOST_PACKED, type Samples, unpackSamples } from "./samples.ts";
import { GONE_FROM, SeenThrough } from "./seen-through.ts";
import { CELL, UPRIGHT, type UprightPoints } from "./upright-raster.ts";

/** Most points of a query from above: enough to tell rooms apart. Chosen by hand, like the numbers below. */
export const MOST_POINTS = 160;
/** Most samples of a query that are registered. */
export const MOST_QUERY = 3000;
/** Most keyframes of a query, the newest first. */
const MOST_FRAMES = 40;
/** Metres of way: keyframes from farther back have drifted against the newest. */
const FARTHEST_BACK = 12;

/** Keyframes that are worked on in one step: some milliseconds. Chosen by hand. */
const FRAMES_AT_ONCE = 10;

/** What this run has seen so far, as one view. */
export interface PlaceQuery {
  /** The keyframes in it, oldest first. */
  readonly frames: readonly Keyframe[];
  /** (3) metres: position of the lens at the newest of them, the origin of `samples` and `points`. */
  readonly origin: Vec3;
  /** Samples of all of them, about the origin, in the axes of this run's world. */
  readonly samples: Samples;
  /** The upright ones from above, about the origin. */
  readonly points: UprightPoints;
}

/** Makes queries of keyframes. One query at a time: the next one overwrites it. */
export class PlaceQueries {
  readonly #one = emptySamples(MOST_PACKED);
  readonly #samples = emptySamples(MOST_QUERY);
  readonly #points: UprightPoints = {
    count: 0,
    xy: new Float32Array(2 * MOST_POINTS),
    facing: new Float32Array(MOST_POINTS),
  };
  readonly #at: Placement = placement();
  readonly #view = new SeenThrough();
  #query: PlaceQuery | null = null;
  /** Keyframes of the query whose samples were added so far, and those that were compared with all samples. */
  #added = 0;
  #looked = 0;
  /** Number of keyframes that look through each sample. */
  readonly #through = new Uint8Array(MOST_QUERY);

  /** Begins a query. @param frames keyframes of this run whose motions are tied to each other; not empty */
  begin(frames: readonly Keyframe[]): void {
    const newest = frames.at(-1)!;
    const usable = frames
      .filter((frame) => isSound(frame) && newest.way - frame.way <= FARTHEST_BACK)
      .slice(-MOST_FRAMES);
    this.#samples.count = 0;
    this.#added = this.#looked = 0;
    const origin = newest.worldFromLens.position;
    this.#query = { frames: usable, origin, samples: this.#samples, points: this.#points };
    this.#through.fill(0);
  }

  /** Does one step of the work. @returns the query when it is made, else null */
  step(): PlaceQuery | null {
    const query = this.#query!;
    const { frames, origin } = query;
    const share = Math.floor(MOST_QUERY / Math.max(1, frames.length));
    for (let n = 0; n < FRAMES_AT_ONCE; n++) {
      if (this.#added < frames.length) this.#add(frames[this.#added++]!, origin, share);
      else if (this.#looked < frames.length) this.#look(frames[this.#looked++]!, origin);
      else {
        this.#dropSeenThrough();
        this.#lookFromAbove();
        return query;
      }
    }
    return null;
  }

  /** Adds up to `most` samples of a keyframe, evenly chosen, about the origin. */
  #add(frame: Keyframe, origin: Vec3, most: number): void {
    unpackSamples(this.#one, frame.samples);
    setPlacement(this.#at, frame.worldFromLens);
    const { rotation: R, position: t } = this.#at;
    const { count, point, normal, weight } = this.#one;
    const out = this.#samples;
    const kept = Math.min(count, most);
    for (let n = 0; n < kept; n++) {
      const from = 3 * Math.floor((n * count) / kept);
      const to = 3 * out.count;
      for (let row = 0; row < 3; row++) {
        const [a, b, c] = [R[3 * row]!, R[3 * row + 1]!, R[3 * row + 2]!];
        out.point[to + row] =
          a * point[from]! + b * point[from + 1]! + c * point[from + 2]! + t[row]! - origin[row]!;
        out.normal[to + row] = a * normal[from]! + b * normal[from + 1]! + c * normal[from + 2]!;
      }
      out.weight[out.count++] = weight[from / 3]!;
    }
  }

  /** Notes which samples a keyframe looks through. */
  #look(frame: Keyframe, origin: Vec3): void {
    const through = this.#through;
    const { point, normal, count } = this.#samples;
    unpackSamples(this.#one, frame.samples);
    this.#view.take(this.#one);
    setPlacement(this.#at, frame.worldFromLens);
    for (let k = 0; k < 3; k++) this.#at.position[k]! -= origin[k]!;
    for (let n = 0, k = 0; n < count; n++, k += 3) {
      const [x, y, z] = [point[k]!, point[k + 1]!, point[k + 2]!];
      if (this.#view.test(this.#at, x, y, z, normal[k]!, normal[k + 1]!, normal[k + 2]!) > 0) through[n]!++;
    }
  }

  /** Drops samples that other keyframes look through: of people, doors and pets that have moved on. */
  #dropSeenThrough(): void {
    const samples = this.#samples;
    const through = this.#through;
    const { point, normal, weight } = samples;
    let kept = 0;
    for (let n = 0; n < samples.count; n++) {
      if (through[n]! >= GONE_FROM) continue;
      for (let k = 0; k < 3; k++) {
        point[3 * kept + k] = point[3 * n + k]!;
        normal[3 * kept + k] = normal[3 * n + k]!;
      }
      weight[kept++] = weight[n]!;
    }
    samples.count = kept;
  }

  /** One point for each cell and direction with upright samples, evenly chosen among them. */
  #lookFromAbove(): void {
    const { count, point, normal } = this.#samples;
    const found = new Map<number, number>();
    for (let k = 0; k < 3 * count; k += 3) {
      if (Math.abs(normal[k + 2]!) > UPRIGHT) continue;
      const i = Math.floor(point[k]! / CELL) + 2048;
      const j = Math.floor(point[k + 1]! / CELL) + 2048;
      const facing = Math.floor(((atan2Of(normal[k + 1]!, normal[k]!) + Math.PI) / Math.PI) * 3.999);
      const key = (i * 4096 + j) * 8 + facing;
      if (!found.has(key)) found.set(key, k);
    }
    const all = [...found.values()];
    const points = this.#points;
    points.count = Math.min(all.length, MOST_POINTS);
    for (let n = 0; n < points.count; n++) {
      // Not in the order of the keyframes: a trial of the first points must show all of them.
      const k = all[Math.floor((((n * 61) % points.count) * all.length) / points.count)]!;
      points.xy[2 * n] = point[k]!;
      points.xy[2 * n + 1] = point[k + 1]!;
      points.facing[n] = atan2Of(normal[k + 1]!, normal[k]!);
    }
  }
}

/** Metres from above between two positions. */
export const levelDistance = (a: Vec3, b: Vec3): number => hypot2(a[0] - b[0], a[1] - b[1]);
