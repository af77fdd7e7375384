import type { RayTable } from "../geometry/rays.ts";
import { DEFAULT_NORMAL_SETTINGS, NormalEstimator, type NormalSettings } from "../sense/normals.ts";
import { emptySamples, type Samples } from "./samples.ts";

export interface SamplerOptions {
  /** Number of balanced samples. */
  readonly wanted: number;
  /** Approximate number of windows per frame; it sets the stride in pixels. */
  readonly candidates?: number;
  readonly normals?: NormalSettings;
}

/**
 * Default number of windows. Chosen by hand: three for each of the 900 samples that are the default of `track.samples`, so that rare
 * directions get their share.
 */
export const CANDIDATES = 2700;
/** Least cosine of a candidate's incidence angle: 81 degrees. Chosen by hand. */
const MIN_INCIDENCE = 0.15;
/** Metres: systematic error of a plane's distance near the lens, which averaging over a window does not remove. Chosen by hand. */
const STEADY_ERROR = 0.002;
/** 1/m: factor of z^2 in that error. Chosen by hand. */
const STEADY_GROWTH = 0.0005;
/** Each face of a cube around the directions is cut into CELLS x CELLS bins. */
const CELLS = 3;
const BINS = 6 * CELLS * CELLS;

/**
 * Turns a depth frame into points on small planes, and chooses among them evenly over the directions of their normals. So the few samples of
 * a side wall weigh as much as the many of the floor, and constrain what the floor cannot.
 * Source: Rusinkiewicz & Levoy 2001, normal-space sampling. Nothing is allocated after construction.
 */
export class FrameSampler {
  readonly #stride: number;
  readonly #normals: NormalEstimator;
  /** All samples that lie on a plane. */
  readonly all: Samples;
  /** The balanced choice among `all`. */
  readonly chosen: Samples;
  readonly #bin: Uint8Array;
  readonly #counts = new Int32Array(BINS);
  readonly #credit = new Float64Array(BINS);
  #shift = 0;

  /** @throws {RangeError} if a number is not valid, or the rays are not an image of z-depth */
  constructor(
    rays: RayTable,
    { wanted, candidates = CANDIDATES, normals = DEFAULT_NORMAL_SETTINGS }: SamplerOptions,
  ) {
    if (!(candidates >= 1 && wanted >= 1)) {
      throw new RangeError(`candidates ${candidates}, wanted ${wanted}: both must be 1 or more`);
    }
    const stride = Math.max(1, Math.round(Math.sqrt((rays.width * rays.height) / candidates)));
    this.#stride = stride;
    const capacity = Math.ceil(rays.width / stride) * Math.ceil(rays.height / stride);
    this.#normals = new NormalEstimator(rays, Math.min(capacity, rays.x.length), normals);
    this.all = emptySamples(capacity);
    this.chosen = emptySamples(Math.min(wanted, capacity));
    this.#bin = new Uint8Array(capacity);
  }

  /**
   * Fills `all` and `chosen`. The windows move by one pixel from frame to frame.
   * @param depth (height * width) z-depth in 1 / unitsPerMetre, 0 where there is none
   */
  sample(depth: Uint16Array, unitsPerMetre: number): void {
    const stride = this.#stride;
    this.#shift = (this.#shift + 1) % stride;
    const { count, point, normal, rms } = this.#normals.estimate(depth, unitsPerMetre, stride, this.#shift);
    const { all } = this;
    this.#counts.fill(0);
    let kept = 0;
    for (let i = 0, k = 0; i < count; i++, k += 3) {
      const x = point[k]!;
      const y = point[k + 1]!;
      const z = point[k + 2]!;
      const a = normal[k]!;
      const b = normal[k + 1]!;
      const c = normal[k + 2]!;
      const facing = -(x * a + y * b + z * c); // range times cosine of incidence
      if (facing * facing < MIN_INCIDENCE * MIN_INCIDENCE * (x * x + y * y + z * z)) continue;
      const bin = directionBin(a, b, c);
      this.#bin[kept] = bin;
      this.#counts[bin]!++;
      const o = 3 * kept;
      all.point[o] = x;
      all.point[o + 1] = y;
      all.point[o + 2] = z;
      all.normal[o] = a;
      all.normal[o + 1] = b;
      all.normal[o + 2] = c;
      // The noise of the mean would be too small: windows of neighbouring candidates overlap and share their errors.
      const noise = rms[i]!;
      const steady = STEADY_ERROR + STEADY_GROWTH * z * z;
      all.weight[kept] = 1 / (noise * noise + steady * steady);
      kept++;
    }
    all.count = kept;
    this.#choose();
  }

  /** Chooses all samples of each direction, up to a cap that makes the total the wanted number. */
  #choose(): void {
    const { all, chosen } = this;
    const wanted = chosen.weight.length;
    const counts = this.#counts;
    const credit = this.#credit;
    const cap = capFor(counts, wanted);
    for (let bin = 0; bin < BINS; bin++) credit[bin] = 0.5;
    let n = 0;
    for (let i = 0; i < all.count && n < wanted; i++) {
      // Spreads the choice evenly over the candidates of a direction: each adds cap / count, and a sample is taken at each whole number.
      const bin = this.#bin[i]!;
      const due = credit[bin]! + Math.min(1, cap / counts[bin]!);
      if (due < 1) {
        credit[bin] = due;
        continue;
      }
      credit[bin] = due - 1;
      const k = 3 * i;
      const o = 3 * n;
      chosen.point[o] = all.point[k]!;
      chosen.point[o + 1] = all.point[k + 1]!;
      chosen.point[o + 2] = all.point[k + 2]!;
      chosen.normal[o] = all.normal[k]!;
      chosen.normal[o + 1] = all.normal[k + 1]!;
      chosen.normal[o + 2] = all.normal[k + 2]!;
      chosen.weight[n] = all.weight[i]!;
      n++;
    }
    chosen.count = n;
  }
}

/** The cap at which `sum(min(count, cap))` is about `wanted`. */
function capFor(counts: Int32Array, wanted: number): number {
  let low = 0;
  let high = wanted;
  for (let i = 0; i < 12; i++) {
    const cap = (low + high) / 2;
    let sum = 0;
    for (let bin = 0; bin < BINS; bin++) sum += Math.min(counts[bin]!, cap);
    if (sum > wanted) high = cap;
    else low = cap;
  }
  return low;
}

/** Cell of a cube's surface that a direction passes through. */
function directionBin(x: number, y: number, z: number): number {
  const ax = Math.abs(x);
  const ay = Math.abs(y);
  const az = Math.abs(z);
  let face: number;
  let u: number;
  let v: number;
  if (ax >= ay && ax >= az) {
    face = x < 0 ? 0 : 1;
    u = y / ax;
    v = z / ax;
  } else if (ay >= az) {
    face = y < 0 ? 2 : 3;
    u = x / ay;
    v = z / ay;
  } else {
    face = z < 0 ? 4 : 5;
    u = x / az;
    v = y / az;
  }
  const col = Math.min(CELLS - 1, Math.floor(((u + 1) * CELLS) / 2));
  const row = Math.min(CELLS - 1, Math.floor(((v + 1) * CELLS) / 2));
  return (face * CELLS + row) * CELLS + col;
}
