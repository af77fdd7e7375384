import type { RayTable } from "../geometry/rays.ts";
import { DEFAULT_NORMAL_SETTINGS, NormalEstimator, type NormalSettings } from "../sense/normals.ts";
import type { Samples } from "./surfels.ts";

export interface SamplerSettings {
  readonly normals: NormalSettings;
  /** How many candidates are looked at, about; it sets the pixels between them. */
  readonly candidates: number;
  /** How many balanced samples are wanted. */
  readonly wanted: number;
  /** Cosine of the incidence angle below which a candidate is left out. */
  readonly minIncidence: number;
  /** Metres: error of a plane's distance that averaging does not remove, near the lens, and its growth with z^2 (1/m). */
  readonly sigma0: number;
  readonly sigma2: number;
}

export const DEFAULT_SAMPLER_SETTINGS: SamplerSettings = {
  normals: DEFAULT_NORMAL_SETTINGS,
  candidates: 2700,
  wanted: 900,
  minIncidence: 0.15,
  sigma0: 0.002,
  sigma2: 0.0005,
};

/** Each of the six faces of a cube around the directions is cut into so many squares along a side. */
const CELLS = 3;
const BINS = 6 * CELLS * CELLS;
/** Windows of neighbouring candidates overlap and share errors: a plane's distance gains about so much from averaging. */
const AVERAGED = 1;

/**
 * Turns a depth frame into points on small planes, and chooses among them evenly over the directions of their
 * normals: a few samples of a side wall then weigh as much as the many of the floor, and hold what the floor cannot.
 * Source: Rusinkiewicz & Levoy 2001, normal-space sampling. Nothing is allocated after construction.
 */
export class FrameSampler {
  readonly #settings: SamplerSettings;
  readonly #stride: number;
  readonly #normals: NormalEstimator;
  /** Everything that lies on a plane. */
  readonly all: Samples;
  /** The balanced choice among `all`. */
  readonly chosen: Samples;
  readonly #bin: Uint8Array;
  readonly #counts = new Int32Array(BINS);
  readonly #credit = new Float64Array(BINS);
  #shift = 0;

  /** @throws {RangeError} if a setting is not valid, or the rays are not an image of z-depth */
  constructor(rays: RayTable, settings: SamplerSettings = DEFAULT_SAMPLER_SETTINGS) {
    const { candidates, wanted } = settings;
    if (!(candidates >= 1 && wanted >= 1)) {
      throw new RangeError(`candidates ${candidates}, wanted ${wanted}: both must be 1 or more`);
    }
    const stride = Math.max(1, Math.round(Math.sqrt((rays.width * rays.height) / candidates)));
    this.#stride = stride;
    const capacity = Math.ceil(rays.width / stride) * Math.ceil(rays.height / stride);
    this.#settings = settings;
    this.#normals = new NormalEstimator(rays, Math.min(capacity, rays.x.length), settings.normals);
    this.all = emptySamples(capacity);
    this.chosen = emptySamples(Math.min(wanted, capacity));
    this.#bin = new Uint8Array(capacity);
  }

  /**
   * Fills `all` and `chosen`. Pixels are visited in turn from frame to frame.
   * @param depth (height * width) z-depth in 1 / unitsPerMetre, 0 where there is none
   */
  sample(depth: Uint16Array, unitsPerMetre: number): void {
    const stride = this.#stride;
    const { minIncidence, sigma0, sigma2 } = this.#settings;
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
      if (facing * facing < minIncidence * minIncidence * (x * x + y * y + z * z)) continue;
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
      const noise = rms[i]! / AVERAGED;
      const steady = sigma0 + sigma2 * z * z;
      all.weight[kept] = 1 / (noise * noise + steady * steady);
      kept++;
    }
    all.count = kept;
    this.#choose();
  }

  /** As many of each direction as there are, up to a cap that makes the total the wanted number. */
  #choose(): void {
    const { all, chosen } = this;
    const wanted = chosen.weight.length;
    const counts = this.#counts;
    const credit = this.#credit;
    const cap = capFor(counts, wanted);
    for (let bin = 0; bin < BINS; bin++) credit[bin] = 0.5;
    let n = 0;
    for (let i = 0; i < all.count && n < wanted; i++) {
      // Evenly along the candidates of its direction: each earns cap / count, and a whole one is spent.
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

export function emptySamples(capacity: number): Samples {
  return {
    count: 0,
    point: new Float32Array(3 * capacity),
    normal: new Float32Array(3 * capacity),
    weight: new Float32Array(capacity),
  };
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
