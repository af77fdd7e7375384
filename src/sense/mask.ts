import { hypot3, log2Of, square, tanOf } from "../geometry/elementary.ts";
import { Kernel, roomFor } from "../geometry/kernel.ts";
import type { Optics } from "../geometry/optics.ts";
import { type RayTable, rayTable } from "../geometry/rays.ts";
import { MASK_KERNEL } from "./mask-kernel.ts";
import { checkRangeNoise, DEFAULT_RANGE_NOISE, type RangeNoise, rangeSigma } from "./noise.ts";

/** Why a pixel is usable or not. The numbers are what `MaskResult.reason` holds. */
export const REASON = {
  ok: 0,
  noReturn: 1,
  saturated: 2,
  weak: 3,
  flying: 4,
  outOfRange: 5,
} as const;

/** Criteria of a valid return. */
export interface MaskSettings {
  /** Returns with less amplitude are "weak", in the sensor's own unit. Ignored when it gives no amplitude. */
  readonly minAmplitude: number;
  /** The count that means saturation, or null without one. */
  readonly saturationCount: number | null;
  /** Amplitudes from here on mean saturation, or null. */
  readonly saturationAmplitude: number | null;
  /** Radians. Depth steps steeper than a surface at this angle to the ray must be confirmed by neighbouring pixels. */
  readonly grazing: number;
  /** Largest difference in inverse depth, beyond noise and as a share of it, between neighbours that confirm each other. */
  readonly agreement: number;
  /** Noise model of depth; it uses amplitudes if the sensor gives them. */
  readonly noise: RangeNoise;
}

export const DEFAULT_MASK_SETTINGS: MaskSettings = {
  minAmplitude: 0,
  saturationCount: 65535,
  saturationAmplitude: 65535,
  grazing: (8 * Math.PI) / 180,
  agreement: 0.01,
  noise: DEFAULT_RANGE_NOISE,
};

/** One frame, judged. The arrays are (height * width) row-major, belong to the mask and are overwritten by its next `apply`. */
export interface MaskResult {
  /** A `REASON` per pixel. */
  readonly reason: Uint8Array;
  /** How many pixels have each reason, indexed by `REASON`. */
  readonly tally: Uint32Array;
  /** Distance along the optical axis (a scan: along the beam) in 1 / unitsPerMetre, below 32768; 0 is "not usable". */
  readonly depth: Uint16Array;
  readonly unitsPerMetre: number;
}

/** `depth` must stay below this, so that its users may take differences and sums of it in 16 signed bits. */
const DEPTH_LIMIT = 32767;
/** Pixels that the kernel takes at a time, and the most that it counts. */
const LANES = 8;
const MOST_PIXELS = 32767 * LANES;
const TALLIES = 6;

/** What mask.wat exports; addresses and pitches in bytes. */
interface Exports {
  judge(
    counts: number,
    signals: number,
    factor: number,
    pixels: number,
    least: number,
    most: number,
    full: number,
    weakest: number,
    strongest: number,
    depth: number,
    reason: number,
    tally: number,
  ): void;
  jumps(depth: number, pixels: number, pitch: number, shift1: number, shift2: number, list: number): number;
}

/**
 * Validates depth frames of one sensor: gives each pixel a reason, and converts the
 * sensor's counts to z-depth.
 *
 * A "flying" pixel is a blend of two surfaces at an edge; it lies between them, or with time-of-flight even in front
 * of both. Along a row or a column, with 1/z linear on any plane: where depth jumps by more than a surface at the
 * `grazing` angle would make it, a pixel is valid if a neighbour on either side has its depth, or the next two on a
 * side lie on a line with it. That keeps floors seen at a grazing angle, whose depth jumps from row to row but on a
 * line. A pixel with farther ones on both sides is valid, too: thin legs are one pixel wide. A single pixel behind
 * both neighbours is invalid: at most it shows a slit of free space, and mixed pixels look like that where the
 * range is ambiguous.
 *
 * The tests of every pixel run eight pixels at a time in WebAssembly (mask.wat). Nothing is allocated after construction.
 */
export class DepthMask {
  /** The rays for `MaskResult.depth`: point in the lens frame = ray * depth / unitsPerMetre. */
  readonly rays: RayTable;
  readonly #result: MaskResult;
  readonly #width: number;
  readonly #height: number;
  readonly #kernel: Exports;
  /** The unmasked frame, in the kernel's memory. */
  readonly #counts: Uint16Array;
  readonly #signals: Uint16Array;
  /** From counts to `depth`, 0 where no ray arrives; null when it is 1 everywhere. */
  readonly #factor: Float32Array | null;
  readonly #tally: Uint32Array;
  /** The least jump is the sum of depth shifted right by these two. */
  readonly #jumpShifts: readonly [number, number];
  /** Pixels beside a jump: 4 * index + 1 if it jumps from the pixel before, + 2 if from the one above. */
  readonly #jumps: Int32Array;
  readonly #flying: Int32Array;
  readonly #minCount: number;
  readonly #maxCount: number;
  readonly #saturationCount: number;
  readonly #minAmplitude: number;
  readonly #maxAmplitude: number;
  /** Relative change of inverse depth from pixel to pixel that makes a jump; arrays of one, which are passed without boxing. */
  readonly #jumpRow: Float64Array;
  readonly #jumpCol: Float64Array;
  readonly #agreement: number;
  /** Three sigma in units of depth: by amplitude (null when the noise does not go by it), and by depth. */
  readonly #noiseByAmplitude: Float32Array | null;
  readonly #noiseByDepth: Float32Array;

  /** @throws {RangeError} if the optics or a setting are not valid, naming the field */
  constructor(optics: Optics, settings: MaskSettings = DEFAULT_MASK_SETTINGS) {
    checkSettings(settings);
    // A scan has no image plane: its depth stays along the beam.
    this.rays = rayTable(optics.model === "scan" ? optics : { ...optics, measures: "z" });
    const { width, height, unit } = optics;
    const pixels = width * height;
    const coarser = Math.ceil(optics.maxRange / unit / (DEPTH_LIMIT - 1));
    const unitsPerMetre = 1 / (unit * coarser);
    this.#width = width;
    this.#height = height;
    const isRange = optics.measures === "range";
    const factor = new Float32Array(pixels);
    for (let i = 0; i < pixels; i++) {
      const length = hypot3(this.rays.x[i]!, this.rays.y[i]!, this.rays.z[i]!);
      if (length > 0) factor[i] = 1 / ((isRange ? length : 1) * coarser);
    }
    const isPlain = factor.every((f) => f === 1);
    this.#minCount = Math.max(1, Math.ceil(optics.minRange / unit - 1e-6));
    this.#maxCount = Math.min(65535, Math.floor(optics.maxRange / unit + 1e-6));
    if (this.#minCount > this.#maxCount) [this.#minCount, this.#maxCount] = [65535, 0]; // then nothing is inside
    this.#saturationCount = settings.saturationCount ?? 0; // 0 is no return, whatever else
    this.#minAmplitude = Math.ceil(settings.minAmplitude);
    this.#maxAmplitude = Math.floor((settings.saturationAmplitude ?? 65536) - 1);
    const [fx, fy] =
      optics.model === "scan"
        ? [1 / Math.abs(optics.step), 1 / Math.abs(optics.step)]
        : [optics.fx, optics.fy];
    // Between two pixels 1/f apart, a surface at that angle to the ray changes inverse depth by this share.
    this.#jumpRow = Float64Array.of(Math.min(1, 1 / (fx * tanOf(settings.grazing))));
    this.#jumpCol = Float64Array.of(Math.min(1, 1 / (fy * tanOf(settings.grazing))));
    this.#agreement = settings.agreement;
    this.#jumpShifts = shiftsBelow(Math.min(this.#jumpRow[0]!, this.#jumpCol[0]!));
    const padded = Math.ceil(pixels / LANES) * LANES;
    const image = 2 * padded;
    const above = roomFor(2 * width + 16);
    const arrays = [image, image, isPlain ? 0 : 2 * image, above + image, padded, 4 * TALLIES, 4 * pixels];
    const kernel = new Kernel<Exports>(
      MASK_KERNEL,
      arrays.reduce((sum, bytes) => sum + roomFor(bytes), 0),
    );
    this.#kernel = kernel.call;
    const { buffer } = kernel;
    this.#counts = new Uint16Array(buffer, kernel.take(image), pixels);
    this.#signals = new Uint16Array(buffer, kernel.take(image), pixels);
    this.#factor = isPlain ? null : new Float32Array(buffer, kernel.take(2 * image), pixels);
    this.#factor?.set(factor);
    const depth = new Uint16Array(buffer, kernel.take(above + image) + above, pixels);
    const reason = new Uint8Array(buffer, kernel.take(padded), pixels);
    this.#tally = new Uint32Array(buffer, kernel.take(4 * TALLIES), TALLIES);
    this.#jumps = new Int32Array(buffer, kernel.take(4 * pixels), pixels);
    this.#flying = new Int32Array(4 * pixels);
    const { noise } = settings;
    const table = (sigma: (k: number) => number) =>
      Float32Array.from({ length: 65536 }, (_, k) => 3 * unitsPerMetre * sigma(k));
    this.#noiseByDepth = table((depth) => rangeSigma(noise, Math.max(depth, 1) / unitsPerMetre, null));
    // The range is then irrelevant.
    this.#noiseByAmplitude =
      noise.kind === "time-of-flight" ? table((amplitude) => rangeSigma(noise, 1, amplitude)) : null;
    this.#result = { reason, tally: this.#tally, depth, unitsPerMetre };
  }

  /** Scale of `MaskResult.depth`. */
  get unitsPerMetre(): number {
    return this.#result.unitsPerMetre;
  }

  /**
   * @param counts    (height * width) in the optics' own unit and measure
   * @param amplitude as many, or null
   * @returns the same object every time
   * @throws {RangeError} if a length is not that of the optics
   */
  apply(counts: Uint16Array, amplitude: Uint16Array | null): MaskResult {
    const { depth, tally } = this.#result;
    const pixels = depth.length;
    if (counts.length !== pixels || (amplitude !== null && amplitude.length !== pixels)) {
      throw new RangeError(
        `optics are ${this.#width}x${this.#height}: got ${counts.length} counts, ${amplitude?.length ?? "no"} amplitudes`,
      );
    }
    tally.fill(0);
    this.#counts.set(counts);
    if (amplitude !== null) this.#signals.set(amplitude);
    this.#judge(amplitude !== null);
    const padded = Math.ceil(pixels / LANES) * LANES;
    tally[REASON.noReturn]! -= padded - pixels; // padding of the last group of eight
    const [shift1, shift2] = this.#jumpShifts;
    const { byteOffset } = depth;
    const pitch = 2 * this.#width;
    const found = this.#kernel.jumps(byteOffset, padded, pitch, shift1, shift2, this.#jumps.byteOffset);
    this.#dropFlying(found, amplitude);
    let rejected = 0;
    for (let why = 0; why < tally.length; why++) rejected += tally[why]!;
    tally[REASON.ok] = pixels - rejected;
    return this.#result;
  }

  /** The tests that use only the pixel's own values. */
  #judge(hasSignals: boolean): void {
    const { depth, reason, tally } = this.#result;
    const padded = Math.ceil(depth.length / LANES) * LANES;
    for (let first = 0; first < padded; first += MOST_PIXELS) {
      this.#kernel.judge(
        this.#counts.byteOffset + 2 * first,
        hasSignals ? this.#signals.byteOffset + 2 * first : 0,
        this.#factor === null ? 0 : this.#factor.byteOffset + 4 * first,
        Math.min(MOST_PIXELS, padded - first),
        this.#minCount,
        this.#maxCount,
        this.#saturationCount,
        this.#minAmplitude,
        this.#maxAmplitude,
        depth.byteOffset + 2 * first,
        reason.byteOffset + first,
        tally.byteOffset,
      );
    }
  }

  /** Rejects flying pixels. All decisions use the unmasked depths, so their order does not matter. */
  #dropFlying(found: number, amplitude: Uint16Array | null): void {
    const { reason, depth, tally } = this.#result;
    const w = this.#width;
    const h = this.#height;
    const jumps = this.#jumps;
    const flying = this.#flying;
    const isByAmplitude = amplitude !== null && this.#noiseByAmplitude !== null;
    const noise = isByAmplitude ? this.#noiseByAmplitude! : this.#noiseByDepth;
    const key = isByAmplitude ? amplitude! : depth;
    let count = 0;
    for (let n = 0; n < found; n++) {
      const jump = jumps[n]!;
      const i = jump >> 2;
      const row = (i / w) | 0;
      const col = i - row * w;
      // Both pixels of a jump are tested.
      if (jump & 1 && col > 0) {
        if (this.#isFlying(i, 1, col, w - 1 - col, this.#jumpRow, noise, key)) flying[count++] = i;
        if (this.#isFlying(i - 1, 1, col - 1, w - col, this.#jumpRow, noise, key)) flying[count++] = i - 1;
      }
      if (jump & 2) {
        if (this.#isFlying(i, w, row, h - 1 - row, this.#jumpCol, noise, key)) flying[count++] = i;
        if (this.#isFlying(i - w, w, row - 1, h - row, this.#jumpCol, noise, key)) flying[count++] = i - w;
      }
    }
    for (let n = 0; n < count; n++) {
      const i = flying[n]!;
      if (reason[i] === REASON.flying) continue; // on both axes, or from both sides
      reason[i] = REASON.flying;
      depth[i] = 0;
      tally[REASON.flying]!++;
    }
  }

  /**
   * Looks along one axis: `before` and `after` pixels follow on each side, `step` apart. `noise[key[i]]` is three sigma of
   * the depth of pixel i.
   */
  #isFlying(
    i: number,
    step: number,
    before: number,
    after: number,
    share: Float64Array,
    noise: Float32Array,
    key: Uint16Array,
  ): boolean {
    const depth = this.#result.depth;
    const za = before > 0 ? depth[i - step]! : 0;
    const zb = after > 0 ? depth[i + step]! : 0;
    const z = depth[i]!;
    // Fast path: most pixels have a neighbour that confirms them within one noise; the same test as below, in units of depth.
    const within = z * this.#agreement + noise[key[i]!]!;
    const near = (z * within) / (z + within);
    if (Math.abs(z - za) < near || Math.abs(z - zb) < near) return false;
    const w = 1 / z;
    const jump = w * share[0]!;
    // A neighbour without a return counts as far away, but does not make a jump on its own.
    const a = za === 0 ? 0 : 1 / za;
    const b = zb === 0 ? 0 : 1 / zb;
    const toA = w - a;
    const toB = w - b;
    if (!((za !== 0 && Math.abs(toA) > jump) || (zb !== 0 && Math.abs(toB) > jump))) return false;
    if (toA > jump && toB > jump) return false; // in front of both
    return !(
      (za !== 0 && this.#bearsOut(i, -step, before, noise, key)) ||
      (zb !== 0 && this.#bearsOut(i, step, after, noise, key))
    );
  }

  /**
   * Whether the next pixel in that direction, of `left`, has the same inverse depth, or lies on a line with the one
   * after it. Both returned.
   */
  #bearsOut(i: number, step: number, left: number, noise: Float32Array, key: Uint16Array): boolean {
    const { depth } = this.#result;
    const w = 1 / depth[i]!;
    const next = 1 / depth[i + step]!;
    const near = w * this.#agreement;
    const z = left > 1 ? depth[i + 2 * step]! : 0;
    const last = z === 0 ? 0 : 1 / z;
    const apart = Math.abs(w - next) - near;
    const offLine = z === 0 ? Number.POSITIVE_INFINITY : Math.abs(w - 2 * next + last) - near;
    if (apart <= 0 || offLine <= 0) return true; // confirmed without the noise term
    const own = square(noise[key[i]!]! * w * w);
    const nextNoise = square(noise[key[i + step]!]! * next * next);
    if (apart * apart <= own + nextNoise) return true;
    if (z === 0) return false;
    const lastNoise = square(noise[key[i + 2 * step]!]! * last * last);
    return offLine * offLine <= own + 4 * nextNoise + lastNoise;
  }
}

function checkSettings(settings: MaskSettings): void {
  const inside = (field: keyof MaskSettings, low: number, high: number) => {
    const value = settings[field];
    if (!(typeof value === "number" && value >= low && value <= high)) {
      throw new RangeError(`mask.${field} is ${value}; it must be ${low} to ${high}`);
    }
  };
  inside("minAmplitude", 0, 65535);
  if (settings.saturationCount !== null) inside("saturationCount", 1, 65535);
  if (settings.saturationAmplitude !== null) inside("saturationAmplitude", 1, 65535);
  inside("grazing", 0.001, 1.5);
  inside("agreement", 0, 1);
  checkRangeNoise(settings.noise);
}

/** Two right shifts of a depth whose sum is as large as possible, but not larger than the smallest jump by `share` of inverse depth. */
function shiftsBelow(share: number): readonly [number, number] {
  const least = share / (1 + share); // of depth
  const first = Math.min(15, Math.ceil(-log2Of(least)));
  const rest = least - 1 / (1 << first);
  return [first, rest > 1 / 32768 ? Math.ceil(-log2Of(rest)) : 15];
}
