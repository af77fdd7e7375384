import { decodeImage, encodeImage, maxEncodedSize } from "../coding/depth-codec.ts";
import type { Pose } from "../geometry/optics.ts";
import { compose } from "../geometry/rigid.ts";
import { edgeBetween, type PoseEdge } from "./pose-graph.ts";
import type { Samples } from "./surfels.ts";

/** Samples are kept in this many bytes each: three coordinates in millimetres, three of a normal, a weight. */
const SAMPLE_BYTES = 11;
const MOST_SAMPLES = 2000;
/** Newest keyframes that are never left out. */
const NEWEST = 20;

/** How far the map near by may be off against the world's origin. */
export interface WorldDoubt {
  /** Metres of way since the origin, or since a loop was closed, over which the map may have drifted. */
  readonly drifted: number;
  /** m^2: doubt that was built in where the map was begun anew out of sight of the old. */
  readonly built: number;
}

/** Metres, 1 sigma: what was seen in more doubt than this is no part of maps until a loop has placed it. */
const SOUND = 0.3;

export const isSound = ({ doubt }: Keyframe): boolean => doubt.built <= SOUND ** 2;

/** A frame kept as evidence: what was seen, and from where. */
export interface Keyframe {
  readonly id: number;
  /** Microseconds. */
  readonly time: number;
  /** Which sensor saw it. */
  readonly sensor: number;
  /** Corrected when the graph of poses is. */
  worldFromLens: Pose;
  /** Height of the floor below the base, in the same world. */
  floorHeight: number;
  /** Metres of way up to here, and what the tracker's doubt about the world was. */
  readonly way: number;
  doubt: WorldDoubt;
  /** How it was measured from the keyframe before; null for the first. */
  step: PoseEdge | null;
  readonly pixels: number;
  readonly unitsPerMetre: number;
  /** Masked depth, losslessly coded, and packed samples. */
  readonly depth: Uint8Array;
  readonly samples: Uint8Array;
}

/** What maps are made anew from, of a keyframe as it lay when it was read. */
export interface KeyframeView
  extends Readonly<
    Pick<Keyframe, "sensor" | "worldFromLens" | "floorHeight" | "pixels" | "unitsPerMetre" | "depth">
  > {
  /** See `isSound`. */
  readonly isSound: boolean;
}

/** Reads keyframes one by one. */
export interface KeyframeReader {
  /** Null when there are no more. */
  next(): KeyframeView | null;
}

/** What a keyframe is made of. */
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
 * Keyframes within a budget of bytes, oldest first: the evidence that maps are made from, and can be made from again. When
 * they get too many, those closest to their neighbours go, so that every place keeps some.
 */
export class KeyframeStore {
  readonly frames: Keyframe[] = [];
  /** Places found to be the same again: edges between ids. */
  readonly closures: PoseEdge[] = [];
  /** While true none are left out, whatever the budget: others count on their places in `frames`. */
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
      ...{ id, time: evidence.time, sensor: evidence.sensor, worldFromLens },
      ...{ floorHeight: evidence.floorHeight, way: evidence.way, doubt: evidence.doubt },
      step:
        before === null
          ? null
          : edgeBetween(before.id, id, before.worldFromLens, worldFromLens, sigma, yawSigma),
      ...{ pixels: depth.length, unitsPerMetre: evidence.unitsPerMetre },
      depth: this.#encoded.slice(0, size),
      samples: packSamples(evidence.samples),
    };
    this.frames.push(keyframe);
    this.#bytes += sizeOf(keyframe);
    while (!this.isFixed && this.#bytes > this.#budget && this.#thin());
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

  /** Moves every keyframe by a motion of the whole world. */
  move(newFromOld: Pose): void {
    for (const frame of this.frames) {
      frame.worldFromLens = compose(newFromOld, frame.worldFromLens);
      frame.floorHeight += newFromOld.position[2];
    }
  }

  /** Reads those there are now, oldest first, and then those that came meanwhile. */
  read(): KeyframeReader {
    const order = this.frames.slice();
    let at = 0;
    const next = (): KeyframeView | null => {
      if (at === order.length) {
        const last = order.at(-1)?.id ?? -1;
        for (const frame of this.frames) if (frame.id > last) order.push(frame);
      }
      const frame = order[at++];
      if (frame === undefined) return null;
      const { sensor, worldFromLens, floorHeight, pixels, unitsPerMetre, depth } = frame;
      return { sensor, worldFromLens, floorHeight, pixels, unitsPerMetre, depth, isSound: isSound(frame) };
    };
    return { next };
  }

  /** Leaves out the keyframe with the nearest neighbours; false when none may go. */
  #thin(): boolean {
    const tied = new Set(this.closures.flatMap(({ from, to }) => [from, to]));
    let least = Number.POSITIVE_INFINITY;
    let at = -1;
    for (let n = 1; n < this.frames.length - NEWEST; n++) {
      if (tied.has(this.frames[n]!.id)) continue;
      const [a, b] = [this.frames[n - 1]!.worldFromLens.position, this.frames[n + 1]!.worldFromLens.position];
      const gap = Math.hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]);
      if (gap < least) [least, at] = [gap, n];
    }
    if (at < 0) return false;
    const [gone] = this.frames.splice(at, 1);
    this.#bytes -= sizeOf(gone!);
    const [before, after] = [this.frames[at - 1]!, this.frames[at]!];
    const [first, second] = [gone!.step!, after.step!];
    const sigma = Math.hypot(first.sigma, second.sigma);
    const yawSigma = Math.hypot(first.yawSigma, second.yawSigma);
    after.step = edgeBetween(
      ...([before.id, after.id, before.worldFromLens, after.worldFromLens, sigma, yawSigma] as const),
    );
    return true;
  }
}

const sizeOf = ({ depth, samples }: Keyframe): number => depth.length + samples.length + 300;

/** A keyframe's masked depth; `out` if it has as many pixels, else the first part of it. */
export function unpackDepth(
  out: Uint16Array,
  { depth, pixels }: Pick<Keyframe, "depth" | "pixels">,
): Uint16Array {
  const image = out.length === pixels ? out : out.subarray(0, pixels);
  decodeImage(image, depth, 0, depth.length);
  return image;
}

/** At most `MOST_SAMPLES`, evenly chosen. */
export function packSamples({ count, point, normal, weight }: Samples): Uint8Array {
  const kept = Math.min(count, MOST_SAMPLES);
  const bytes = new Uint8Array(SAMPLE_BYTES * kept);
  const view = new DataView(bytes.buffer);
  for (let n = 0; n < kept; n++) {
    const i = Math.floor((n * count) / kept);
    const at = SAMPLE_BYTES * n;
    for (let k = 0; k < 3; k++) {
      const mm = Math.round(1000 * point[3 * i + k]!);
      view.setInt16(at + 2 * k, Math.max(-32767, Math.min(32767, mm)), true);
      view.setInt8(at + 6 + k, Math.round(127 * normal[3 * i + k]!));
    }
    // Of 1 / sigma^2 the logarithm, in steps of 0.2 %.
    const log = Math.round(512 * Math.log2(Math.max(1, weight[i]!)));
    view.setUint16(at + 9, Math.min(65535, log), true);
  }
  return bytes;
}

/** Fills `out` with what was packed, as far as it has room. */
export function unpackSamples(out: Samples, bytes: Uint8Array): void {
  const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
  const count = Math.min(bytes.length / SAMPLE_BYTES, out.weight.length);
  for (let n = 0; n < count; n++) {
    const at = SAMPLE_BYTES * n;
    const k = 3 * n;
    out.point[k] = view.getInt16(at, true) / 1000;
    out.point[k + 1] = view.getInt16(at + 2, true) / 1000;
    out.point[k + 2] = view.getInt16(at + 4, true) / 1000;
    const [x, y, z] = [view.getInt8(at + 6), view.getInt8(at + 7), view.getInt8(at + 8)];
    const norm = 1 / Math.sqrt(x * x + y * y + z * z);
    out.normal[k] = norm * x;
    out.normal[k + 1] = norm * y;
    out.normal[k + 2] = norm * z;
    out.weight[n] = 2 ** (view.getUint16(at + 9, true) / 512);
  }
  out.count = count;
}
