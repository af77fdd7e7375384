import type { Optics } from "../geometry/optics.ts";
import { type RayTable, rayTable } from "../geometry/rays.ts";
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

/** What makes a return believable. */
export interface MaskSettings {
  /** Returns with less amplitude are "weak", in the sensor's own unit. Ignored when it gives no amplitude. */
  readonly minAmplitude: number;
  /** The count by which the sensor reports saturation, or null when it has none. */
  readonly saturationCount: number | null;
  /** Amplitudes from here on mean saturation, or null. */
  readonly saturationAmplitude: number | null;
  /** Radians. A surface at a smaller angle to the ray, from pixel to pixel, must be borne out by its neighbours. */
  readonly grazing: number;
  /** How far neighbours that bear each other out may differ in inverse depth beyond their noise, as a share of it. */
  readonly agreement: number;
  /** How uncertain a depth is; where the sensor gives amplitudes it goes by them. */
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
/**
 * Two pixels in one 32-bit word: depths need 15 bits of 16, and the sixteenth is set here before another depth is taken
 * from it, so that it is still set if that was not greater.
 */
const TOP_BITS = 0x80008000 | 0;
const LOW_BITS = 0x7fff7fff;
const ONE_EACH = 0x00010001;
/** What stands for "no return" where only a greater neighbour counts as one. */
const NOTHING = -1;

/**
 * Judges depth frames of one sensor: which pixels are believable and why the others are not, and turns the
 * sensor's counts into z-depth.
 *
 * A "flying" pixel is a blend of two surfaces at an edge; it lies between them, or with time-of-flight even in front
 * of both. Along a row or a column, with 1/z linear on any plane: where depth jumps by more than a surface at the
 * `grazing` angle would make it, a pixel is believed if a neighbour on either side has its depth, or the next two on a
 * side lie on a line with it. That keeps floors seen at a grazing angle, whose depth jumps from row to row but on a
 * line. A pixel with farther ones on both sides is believed too: thin legs are one pixel wide. A pixel alone behind
 * both neighbours is not: what it could show is at most a slit of free space, and blends do look like that where the
 * range is ambiguous.
 *
 * Nothing is allocated after construction.
 */
export class DepthMask {
  /** The rays for `MaskResult.depth`: point in the lens frame = ray * depth / unitsPerMetre. */
  readonly rays: RayTable;
  readonly #result: MaskResult;
  readonly #width: number;
  readonly #height: number;
  /** What each count is worth before its pixel's factor, 0 when it is not believable: one look-up for five questions. */
  readonly #worth: Uint16Array;
  /** From there to `depth`, 0 where no ray arrives; null when it is 1 everywhere. */
  readonly #factor: Float32Array | null;
  /** Whether every count within range is its own depth, so that only pixels that are not believable need work. */
  readonly #isPlain: boolean;
  /** `depth` and `reason`, two pixels at a time. */
  readonly #pairs: Int32Array;
  readonly #reasons: Uint16Array;
  /** A frame's amplitudes, two at a time; room for them once a frame brings some. */
  #signal: Uint16Array | null = null;
  #signals: Int32Array | null = null;
  /** The row above: its depths with `TOP_BITS`, and those less the least jump. */
  readonly #aboveHigh: Int32Array;
  readonly #aboveLess: Int32Array;
  /** The least jump is the sum of depth shifted right by these two. */
  readonly #jumpShifts: readonly [number, number];
  /** Pairs of pixels beside a jump: index * 16 + 4 bits, see `#findJumps`. */
  readonly #jumps: Int32Array;
  readonly #flying: Int32Array;
  readonly #minCount: number;
  readonly #maxCount: number;
  readonly #saturationCount: number;
  readonly #minAmplitude: number;
  readonly #maxAmplitude: number;
  /** Relative changes of inverse depth from pixel to pixel that make a jump. One each: an array is handed on unboxed. */
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
      const length = Math.hypot(this.rays.x[i]!, this.rays.y[i]!, this.rays.z[i]!);
      if (length > 0) factor[i] = isRange ? 1 / (length * coarser) : 1;
    }
    this.#factor = factor.every((f) => f === 1) ? null : factor;
    this.#minCount = Math.max(1, Math.ceil(optics.minRange / unit - 1e-6));
    this.#maxCount = Math.min(65535, Math.floor(optics.maxRange / unit + 1e-6));
    this.#saturationCount = settings.saturationCount ?? 0; // 0 is no return, whatever else
    this.#worth = new Uint16Array(65536);
    for (let count = this.#minCount; count <= this.#maxCount; count++) {
      if (count !== this.#saturationCount) this.#worth[count] = isRange ? count : Math.round(count / coarser);
    }
    // A saturation code inside the range is judged by the table.
    this.#isPlain =
      this.#factor === null &&
      this.#worth.every(
        (worth, count) => worth === count || count < this.#minCount || count > this.#maxCount,
      );
    this.#minAmplitude = settings.minAmplitude;
    this.#maxAmplitude = (settings.saturationAmplitude ?? 65536) - 1;
    const [fx, fy] =
      optics.model === "scan"
        ? [1 / Math.abs(optics.step), 1 / Math.abs(optics.step)]
        : [optics.fx, optics.fy];
    // Between two pixels 1/f apart, a surface at that angle to the ray changes inverse depth by this share.
    this.#jumpRow = Float64Array.of(Math.min(1, 1 / (fx * Math.tan(settings.grazing))));
    this.#jumpCol = Float64Array.of(Math.min(1, 1 / (fy * Math.tan(settings.grazing))));
    this.#agreement = settings.agreement;
    this.#jumpShifts = shiftsBelow(Math.min(this.#jumpRow[0]!, this.#jumpCol[0]!));
    const words = (pixels + 1) >> 1;
    this.#pairs = new Int32Array(words);
    this.#reasons = new Uint16Array(words);
    this.#aboveHigh = new Int32Array((width + 1) >> 1);
    this.#aboveLess = new Int32Array((width + 1) >> 1);
    this.#jumps = new Int32Array(words);
    this.#flying = new Int32Array(4 * pixels);
    const { noise } = settings;
    const table = (sigma: (k: number) => number) =>
      Float32Array.from({ length: 65536 }, (_, k) => 3 * unitsPerMetre * sigma(k));
    this.#noiseByDepth = table((depth) => rangeSigma(noise, Math.max(depth, 1) / unitsPerMetre, null));
    // The range then plays no part.
    this.#noiseByAmplitude =
      noise.kind === "time-of-flight" ? table((amplitude) => rangeSigma(noise, 1, amplitude)) : null;
    this.#result = {
      reason: new Uint8Array(this.#reasons.buffer, 0, pixels),
      tally: new Uint32Array(6),
      depth: new Uint16Array(this.#pairs.buffer, 0, pixels),
      unitsPerMetre,
    };
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
    const { reason, depth, tally } = this.#result;
    const pixels = depth.length;
    if (counts.length !== pixels || (amplitude !== null && amplitude.length !== pixels)) {
      throw new RangeError(
        `optics are ${this.#width}x${this.#height}: got ${counts.length} counts, ${amplitude?.length ?? "no"} amplitudes`,
      );
    }
    tally.fill(0);
    reason.fill(REASON.ok);
    const isRaw = this.#isPlain && this.#width % 2 === 0;
    let signals: Int32Array | null = null;
    if (isRaw) {
      depth.set(counts);
      if (amplitude !== null) signals = this.#pairUp(amplitude);
      // Without amplitudes any number between these limits will do in their place.
    } else if (amplitude === null) this.#classify(counts, counts, 0, 65535);
    else this.#classify(counts, amplitude, this.#minAmplitude, this.#maxAmplitude);
    this.#dropFlying(
      this.#width % 2 === 0 ? this.#findJumps(isRaw, signals) : this.#findJumpsOdd(),
      amplitude,
    );
    let rejected = 0;
    for (let why = 0; why < tally.length; why++) rejected += tally[why]!;
    tally[REASON.ok] = pixels - rejected;
    return this.#result;
  }

  #pairUp(amplitude: Uint16Array): Int32Array {
    if (this.#signal === null || this.#signals === null) {
      this.#signals = new Int32Array(this.#pairs.length);
      this.#signal = new Uint16Array(this.#signals.buffer, 0, amplitude.length);
    }
    this.#signal.set(amplitude);
    return this.#signals;
  }

  /** Everything that a pixel's own numbers say. */
  #classify(counts: Uint16Array, amplitude: Uint16Array, minAmplitude: number, maxAmplitude: number): void {
    const { depth } = this.#result;
    const worth = this.#worth;
    const factor = this.#factor;
    for (let i = 0; i < counts.length; i++) {
      const signal = amplitude[i]!;
      let z = worth[counts[i]!]!;
      if (factor !== null) z = (z * factor[i]! + 0.5) | 0;
      // The sign bit of such a sum of bits is set if any term is negative: one branch instead of several.
      if (((signal - minAmplitude) | (maxAmplitude - signal)) < 0) z = 0;
      depth[i] = z;
      if (z === 0) this.#reject(i, counts[i]!, signal, minAmplitude, maxAmplitude);
    }
  }

  #reject(i: number, count: number, signal: number, minAmplitude: number, maxAmplitude: number): void {
    let why: number = REASON.outOfRange; // or no ray arrives at that pixel
    if (count === 0) why = REASON.noReturn;
    else if (count === this.#saturationCount || signal > maxAmplitude) why = REASON.saturated;
    else if (signal < minAmplitude) why = REASON.weak;
    this.#result.reason[i] = why;
    this.#result.tally[why]!++;
  }

  /**
   * Lists the pairs of pixels of which one is beside a jump: bit 0 of an entry says that the first jumps from the pixel
   * to its left, bit 1 from the one above, bits 2 and 3 the same of the second. A pixel without a return never jumps.
   *
   * When `isRaw`, depths are counts that nobody has judged yet, and that is done on the way, by `signals` too if any.
   */
  #findJumps(isRaw: boolean, signals: Int32Array | null): number {
    const pairs = this.#pairs;
    const aboveHigh = this.#aboveHigh;
    const aboveLess = this.#aboveLess;
    const jumps = this.#jumps;
    const height = this.#height;
    const step = this.#width >> 1;
    const shift1 = this.#jumpShifts[0];
    const shift2 = this.#jumpShifts[1];
    const mask1 = Math.imul(0x7fff >> shift1, ONE_EACH);
    const mask2 = Math.imul(0x7fff >> shift2, ONE_EACH);
    const least = Math.imul(isRaw ? this.#minCount : 1, ONE_EACH);
    const most = Math.imul(isRaw ? this.#maxCount : DEPTH_LIMIT, ONE_EACH) | TOP_BITS;
    // Halved, so that 16 bits fit 15; what these let through is inside the limits, the rest is looked at one by one.
    const mostHalf = ((this.#maxAmplitude + 1) >> 1) - 1;
    const leastSignal = Math.imul(mostHalf < 0 ? 0x8000 : (this.#minAmplitude + 1) >> 1, ONE_EACH);
    const mostSignal = Math.imul(Math.max(0, mostHalf), ONE_EACH);
    aboveHigh.fill(NOTHING);
    aboveLess.fill(0);
    let found = 0;
    for (let row = 0, m = 0; row < height; row++) {
      let leftHigh = NOTHING;
      let leftLess = 0;
      for (let col = 0; col < step; col++, m++) {
        let z = pairs[m]!;
        let high = z | TOP_BITS;
        let fit = (most - (z & LOW_BITS)) & (high - least) & ~z;
        if (signals !== null) {
          const half = (signals[m]! >>> 1) & LOW_BITS;
          fit &= ((half | TOP_BITS) - leastSignal) & ((mostSignal | TOP_BITS) - half);
        }
        if ((fit & TOP_BITS) !== TOP_BITS) {
          if (isRaw) z = this.#judgePair(m, signals !== null);
          // Where there is no return, the greatest number stands for it: no neighbour is beyond that by a jump.
          const some = ((z | TOP_BITS) - ONE_EACH) & TOP_BITS;
          high = z | TOP_BITS | ~(some - (some >>> 15));
        }
        const less = z - ((z >>> shift1) & mask1) - ((z >>> shift2) & mask2);
        const besideHigh = (leftHigh >>> 16) | (high << 16);
        const besideLess = (leftLess >>> 16) | (less << 16);
        const acrossRow = (high - besideLess) & (besideHigh - less);
        const acrossCol = (high - aboveLess[col]!) & (aboveHigh[col]! - less);
        if ((acrossRow & acrossCol & TOP_BITS) !== TOP_BITS) {
          const bits = ((~acrossRow >>> 15) & ONE_EACH) | ((~acrossCol >>> 14) & (2 * ONE_EACH));
          jumps[found++] = 16 * m + ((bits | (bits >>> 14)) & 15);
        }
        aboveHigh[col] = leftHigh = high;
        aboveLess[col] = leftLess = less;
      }
    }
    return found;
  }

  /** Judges the pair of counts at m, one of which is no return or not believable, in place. */
  #judgePair(m: number, hasSignal: boolean): number {
    const { depth, tally } = this.#result;
    const pairs = this.#pairs;
    if (pairs[m] === 0) {
      this.#reasons[m] = REASON.noReturn * 0x0101;
      tally[REASON.noReturn]! += 2;
      return 0;
    }
    for (let i = 2 * m; i < 2 * m + 2; i++) {
      const count = depth[i]!;
      let worth = this.#worth[count]!;
      if (!hasSignal) {
        if (worth === 0) this.#reject(i, count, 0, 0, 0);
      } else {
        const signal = this.#signal![i]!;
        if (signal < this.#minAmplitude || signal > this.#maxAmplitude) worth = 0;
        if (worth === 0) this.#reject(i, count, signal, this.#minAmplitude, this.#maxAmplitude);
      }
      depth[i] = worth;
    }
    return pairs[m]!;
  }

  /** The same for rows of odd length, whose pairs do not lie below each other. */
  #findJumpsOdd(): number {
    const { depth } = this.#result;
    const jumps = this.#jumps;
    const width = this.#width;
    const [shift1, shift2] = this.#jumpShifts;
    const isJump = (a: number, b: number) => {
      const far = Math.max(a, b);
      return a !== 0 && b !== 0 && Math.min(a, b) < far - (far >> shift1) - (far >> shift2);
    };
    let found = 0;
    for (let m = 0; 2 * m < depth.length; m++) {
      let bits = 0;
      for (let i = 2 * m, lane = 1; i < Math.min(2 * m + 2, depth.length); i++, lane = 4) {
        if (i % width !== 0 && isJump(depth[i]!, depth[i - 1]!)) bits |= lane;
        if (i >= width && isJump(depth[i]!, depth[i - width]!)) bits |= 2 * lane;
      }
      if (bits !== 0) jumps[found++] = 16 * m + bits;
    }
    return found;
  }

  /** Rejects flying pixels. All verdicts are reached on the depths as they came, so that order does not matter. */
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
      for (let i = (jump >> 4) << 1, bits = jump & 15; bits !== 0; i++, bits >>= 2) {
        if ((bits & 3) === 0) continue;
        const row = (i / w) | 0;
        const col = i - row * w;
        // Both pixels of a jump are asked.
        if (bits & 1) {
          if (this.#isFlying(i, 1, col, w - 1 - col, this.#jumpRow, noise, key)) flying[count++] = i;
          if (this.#isFlying(i - 1, 1, col - 1, w - col, this.#jumpRow, noise, key)) flying[count++] = i - 1;
        }
        if (bits & 2) {
          if (this.#isFlying(i, w, row, h - 1 - row, this.#jumpCol, noise, key)) flying[count++] = i;
          if (this.#isFlying(i - w, w, row - 1, h - row, this.#jumpCol, noise, key)) flying[count++] = i - w;
        }
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
    // Most have a neighbour that needs no more than one noise to bear them out: the same as below in units of depth.
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
    if (apart <= 0 || offLine <= 0) return true; // needs no excuse
    const own = (noise[key[i]!]! * w * w) ** 2;
    const nextNoise = (noise[key[i + step]!]! * next * next) ** 2;
    if (apart * apart <= own + nextNoise) return true;
    if (z === 0) return false;
    const lastNoise = (noise[key[i + 2 * step]!]! * last * last) ** 2;
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

/** Two right shifts of a depth of which the sum is as large as can be, and no jump by `share` of inverse depth is smaller. */
function shiftsBelow(share: number): readonly [number, number] {
  const least = share / (1 + share); // of depth
  const first = Math.min(15, Math.ceil(-Math.log2(least)));
  const rest = least - 2 ** -first;
  return [first, rest > 2 ** -15 ? Math.ceil(-Math.log2(rest)) : 15];
}
