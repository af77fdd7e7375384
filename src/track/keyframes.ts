import { decodeImage, encodeImage, maxEncodedSize } from "../coding/depth-codec.ts";
import { hypot2, square } from "../geometry/elementary.ts";
import type { Pose } from "../geometry/optics.ts";
import { compose } from "../geometry/rigid.ts";
import { distance } from "../geometry/vec.ts";
import type { WorldDoubt } from "./doubt.ts";
import { edgeBetween, type PoseEdge } from "./pose-graph.ts";
import { packSamples, type Samples } from "./samples.ts";

/** The newest keyframes are never dropped: the loop finder and the next keyframe need them. Chosen by hand. */
const NEWEST = 20;
/** 1 sigma, metres and radians: largest doubt about the motion between neighbours in the memory of a run, whose map ties them all. Chosen by hand. */
const TIED_SIGMA = 0.05;
const TIED_YAW = Math.PI / 180;
/** Bytes of a keyframe apart from its depth and samples: an estimate for the budget. */
const OVERHEAD = 300;

/**
 * Metres, 1 sigma: a keyframe with more built-in doubt is left out of maps until a loop closure has corrected it. Chosen by hand. The
 * tracker builds no map with more doubt than this (`MOST_DOUBT` in map-builder.ts).
 */
const SOUND = 0.3;

/** Whether maps may be made from a keyframe. */
export const isSound = ({ doubt }: Keyframe): boolean => doubt.built <= square(SOUND);

/** A frame that is kept with its pose, so that maps can be rebuilt from it. */
export interface Keyframe {
  readonly id: number;
  /** Microseconds. */
  readonly time: number;
  /** Which sensor saw it. */
  readonly sensor: number;
  /** Corrected when a loop is closed. */
  worldFromLens: Pose;
  /** Height of the floor below the base, in the same world. */
  floorHeight: number;
  /** Metres: path length up to this keyframe; and the tracker's doubt about the world at that time. */
  readonly way: number;
  doubt: WorldDoubt;
  /** The measured motion from the previous keyframe; null for the first. */
  step: PoseEdge | null;
  readonly pixels: number;
  readonly unitsPerMetre: number;
  /** Masked depth, losslessly compressed; and packed samples. */
  readonly depth: Uint8Array;
  readonly samples: Uint8Array;
}

/** The part of a keyframe that maps are rebuilt from, with its pose at the time of reading. */
export interface KeyframeView
  extends Readonly<
    Pick<Keyframe, "sensor" | "worldFromLens" | "floorHeight" | "pixels" | "unitsPerMetre" | "depth">
  > {
  /** See `isSound`. */
  readonly isSound: boolean;
}

/** Reads keyframes one by one. */
export interface KeyframeReader {
  /** The next keyframe; null when there are no more. */
  next(): KeyframeView | null;
}

/** The inputs of a keyframe. */
export interface Evidence {
  readonly time: number;
  readonly sensor: number;
  readonly worldFromLens: Pose;
  readonly floorHeight: number;
  readonly way: number;
  readonly doubt: WorldDoubt;
  /** 1 sigma of the motion since the keyframe before: metres, radians. */
  readonly sigma: number;
  readonly yawSigma: number;
  /** Masked depth, 0 where there is none. */
  readonly depth: Uint16Array;
  readonly unitsPerMetre: number;
  readonly samples: Samples;
}

/**
 * Keyframes within a budget of bytes, oldest first. Maps are rebuilt from them. Over the budget the keyframes closest to their neighbours
 * are dropped, so that every place keeps some.
 */
export class KeyframeStore {
  readonly frames: Keyframe[] = [];
  /** Loop closures: edges between ids. */
  readonly closures: PoseEdge[] = [];
  /** While true no keyframe is dropped, whatever the budget: `SurfelRemake` relies on their order in `frames`. */
  isFixed = false;
  readonly #budget: number;
  #bytes = 0;
  #nextId = 0;
  #encoded = new Uint8Array(0);

  /** @param budget bytes; @throws {RangeError} if it is not above 0 */
  constructor(budget: number) {
    if (!(budget > 0)) throw new RangeError(`a budget of ${budget} bytes holds no keyframes`);
    this.#budget = budget;
  }

  get byteSize(): number {
    return this.#bytes;
  }

  get newest(): Keyframe | null {
    return this.frames.at(-1) ?? null;
  }

  add(evidence: Evidence): Keyframe {
    const { depth, worldFromLens, sigma, yawSigma } = evidence;
    const most = maxEncodedSize(depth.length);
    if (this.#encoded.length < most) this.#encoded = new Uint8Array(most);
    const size = encodeImage(this.#encoded, 0, depth);
    const id = this.#nextId++;
    const before = this.newest;
    const keyframe: Keyframe = {
      id,
      time: evidence.time,
      sensor: evidence.sensor,
      worldFromLens,
      floorHeight: evidence.floorHeight,
      way: evidence.way,
      doubt: evidence.doubt,
      step:
        before === null
          ? null
          : edgeBetween(before.worldFromLens, worldFromLens, { from: before.id, to: id, sigma, yawSigma }),
      pixels: depth.length,
      unitsPerMetre: evidence.unitsPerMetre,
      depth: this.#encoded.slice(0, size),
      samples: packSamples(evidence.samples),
    };
    this.frames.push(keyframe);
    this.#bytes += sizeOf(keyframe);
    while (!this.isFixed && this.#bytes > this.#budget && this.#dropOne());
    return keyframe;
  }

  /** Index of a keyframe in `frames`, or -1. */
  indexOf(id: number): number {
    let [low, high] = [0, this.frames.length - 1];
    while (low <= high) {
      const middle = (low + high) >> 1;
      const there = this.frames[middle]!.id;
      if (there === id) return middle;
      if (there < id) low = middle + 1;
      else high = middle - 1;
    }
    return -1;
  }

  /** All edges, between indices of `frames`. */
  edges(): PoseEdge[] {
    const edges: PoseEdge[] = [];
    for (const [n, { step }] of this.frames.entries()) {
      if (n > 0 && step !== null) edges.push({ ...step, from: n - 1, to: n });
    }
    for (const edge of this.closures) {
      const [from, to] = [this.indexOf(edge.from), this.indexOf(edge.to)];
      if (from >= 0 && to >= 0) edges.push({ ...edge, from, to });
    }
    return edges;
  }

  /**
   * Puts the keyframes of an earlier run before the present ones, whose ids change. Nothing ties the two: the caller adds a closure.
   * @param untied 1 sigma of the unknown motion between the two runs: metres, radians
   */
  prepend(frames: readonly Keyframe[], untied: { readonly sigma: number; readonly yawSigma: number }): void {
    const last = frames.at(-1);
    if (last === undefined) return;
    const shift = last.id + 1;
    const present = this.frames.map((frame): Keyframe => {
      const step = frame.step && { ...frame.step, from: frame.step.from + shift, to: frame.step.to + shift };
      return { ...frame, id: frame.id + shift, step };
    });
    const first = present[0];
    if (first !== undefined) {
      const ends = { from: last.id, to: first.id, ...untied };
      first.step = edgeBetween(last.worldFromLens, first.worldFromLens, ends);
    }
    const ties = this.closures.map((edge) => ({ ...edge, from: edge.from + shift, to: edge.to + shift }));
    this.closures.splice(0, this.closures.length, ...ties);
    this.frames.splice(0, this.frames.length, ...frames.map((frame) => ({ ...frame })), ...present);
    this.#nextId += shift;
    for (const frame of frames) this.#bytes += sizeOf(frame);
  }

  /**
   * A copy for a later run, within another budget of bytes. Its closures have done their work, so motions are now those between the present poses.
   */
  memory(budget: number): readonly Keyframe[] {
    const copy = new KeyframeStore(budget);
    for (const [n, frame] of this.frames.entries()) {
      const before = this.frames[n - 1];
      const ends = before && {
        from: before.id,
        to: frame.id,
        sigma: Math.min(frame.step?.sigma ?? TIED_SIGMA, TIED_SIGMA),
        yawSigma: Math.min(frame.step?.yawSigma ?? TIED_YAW, TIED_YAW),
      };
      const step = ends ? edgeBetween(before!.worldFromLens, frame.worldFromLens, ends) : null;
      copy.frames.push({ ...frame, step });
    }
    copy.#bytes = this.#bytes;
    while (copy.#bytes > budget && copy.#dropOne());
    return copy.frames;
  }

  /** Moves every keyframe along with the world. */
  move(newFromOld: Pose): void {
    for (const frame of this.frames) {
      frame.worldFromLens = compose(newFromOld, frame.worldFromLens);
      frame.floorHeight += newFromOld.position[2];
    }
  }

  /**
   * Reads the present keyframes, oldest first, and then those that are added while it reads.
   * @param first index of the first one that is wanted
   */
  read(first = 0): KeyframeReader {
    const order = this.frames.slice(first);
    let at = 0;
    const next = (): KeyframeView | null => {
      if (at === order.length) {
        const last = order.at(-1)?.id ?? this.frames[first - 1]?.id ?? -1;
        for (const frame of this.frames) if (frame.id > last) order.push(frame);
      }
      const frame = order[at++];
      if (frame === undefined) return null;
      const { sensor, worldFromLens, floorHeight, pixels, unitsPerMetre, depth } = frame;
      return { sensor, worldFromLens, floorHeight, pixels, unitsPerMetre, depth, isSound: isSound(frame) };
    };
    return { next };
  }

  /** Drops the keyframe that is closest to its neighbours. @returns false when none may be dropped */
  #dropOne(): boolean {
    const tied = new Set(this.closures.flatMap(({ from, to }) => [from, to]));
    let least = Number.POSITIVE_INFINITY;
    let at = -1;
    for (let n = 1; n < this.frames.length - NEWEST; n++) {
      if (tied.has(this.frames[n]!.id)) continue;
      const gap = distance(
        this.frames[n - 1]!.worldFromLens.position,
        this.frames[n + 1]!.worldFromLens.position,
      );
      if (gap < least) [least, at] = [gap, n];
    }
    if (at < 0) return false;
    const [gone] = this.frames.splice(at, 1);
    this.#bytes -= sizeOf(gone!);
    const [before, after] = [this.frames[at - 1]!, this.frames[at]!];
    const [first, second] = [gone!.step!, after.step!];
    const sigma = hypot2(first.sigma, second.sigma);
    const yawSigma = hypot2(first.yawSigma, second.yawSigma);
    after.step = edgeBetween(before.worldFromLens, after.worldFromLens, {
      from: before.id,
      to: after.id,
      sigma,
      yawSigma,
    });
    return true;
  }
}

const sizeOf = ({ depth, samples }: Keyframe): number => depth.length + samples.length + OVERHEAD;

/** Writes a keyframe's masked depth into `out`, or into the first part of it; returns that part. */
export function unpackDepth(
  out: Uint16Array,
  { depth, pixels }: Pick<Keyframe, "depth" | "pixels">,
): Uint16Array {
  const image = out.length === pixels ? out : out.subarray(0, pixels);
  decodeImage(image, depth, 0, depth.length);
  return image;
}
