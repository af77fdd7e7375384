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
/** Mark pixels beside a depth jump along a row or a column while a frame is judged; never seen outside. */
const ROW_SUSPECT = 8;
const COL_SUSPECT = 16;

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
  /** Pixels beside a jump. */
  readonly #suspects: Int32Array;
  readonly #minCount: number;
  readonly #maxCount: number;
  readonly #saturationCount: number;
  readonly #minAmplitude: number;
  readonly #maxAmplitude: number;
  /** Relative changes of inverse depth from pixel to pixel that make a jump. */
  readonly #jumpRow: number;
  readonly #jumpCol: number;
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
    this.#suspects = new Int32Array(pixels);
    this.#minAmplitude = settings.minAmplitude;
    this.#maxAmplitude = (settings.saturationAmplitude ?? 65536) - 1;
    const [fx, fy] =
      optics.model === "scan"
        ? [1 / Math.abs(optics.step), 1 / Math.abs(optics.step)]
        : [optics.fx, optics.fy];
    // Between two pixels 1/f apart, a surface at that angle to the ray changes inverse depth by this share.
    this.#jumpRow = Math.min(1, 1 / (fx * Math.tan(settings.grazing)));
    this.#jumpCol = Math.min(1, 1 / (fy * Math.tan(settings.grazing)));
    this.#agreement = settings.agreement;
    const { noise } = settings;
    const table = (sigma: (k: number) => number) =>
      Float32Array.from({ length: 65536 }, (_, k) => 3 * unitsPerMetre * sigma(k));
    this.#noiseByDepth = table((depth) => rangeSigma(noise, Math.max(depth, 1) / unitsPerMetre, null));
    // The range then plays no part.
    this.#noiseByAmplitude =
      noise.kind === "time-of-flight" ? table((amplitude) => rangeSigma(noise, 1, amplitude)) : null;
    this.#result = {
      reason: new Uint8Array(pixels),
      tally: new Uint32Array(6),
      depth: new Uint16Array(pixels),
      unitsPerMetre,
    };
  }

  /**
   * @param counts    (height * width) in the optics' own unit and measure
   * @param amplitude as many, or null
   * @returns the same object every time
   * @throws {RangeError} if a length is not that of the optics
   */
  apply(counts: Uint16Array, amplitude: Uint16Array | null): MaskResult {
    const pixels = this.#suspects.length;
    if (counts.length !== pixels || (amplitude !== null && amplitude.length !== pixels)) {
      throw new RangeError(
        `optics are ${this.#width}x${this.#height}: got ${counts.length} counts, ${amplitude?.length ?? "no"} amplitudes`,
      );
    }
    const { tally } = this.#result;
    tally.fill(0);
    // Without amplitudes any number between these limits will do in their place.
    const found =
      amplitude === null
        ? this.#classify(counts, counts, 0, 65535)
        : this.#classify(counts, amplitude, this.#minAmplitude, this.#maxAmplitude);
    this.#dropFlying(found, amplitude);
    tally[REASON.ok] = pixels - tally.reduce((sum, n) => sum + n, 0);
    return this.#result;
  }

  /** Everything that a pixel's own numbers say; and lists the pixels on both sides of every jump in depth. */
  #classify(counts: Uint16Array, amplitude: Uint16Array, minAmplitude: number, maxAmplitude: number): number {
    const { reason, depth } = this.#result;
    const worth = this.#worth;
    const factor = this.#factor;
    const width = this.#width;
    const height = this.#height;
    // A jump by the share k of inverse depth is one of at least k / (1 + k) of depth; in 1/65536, rounded down.
    const across = ((65536 * this.#jumpRow) / (1 + this.#jumpRow)) | 0;
    const along = ((65536 * this.#jumpCol) / (1 + this.#jumpCol)) | 0;
    let found = 0;
    reason.fill(REASON.ok);
    for (let row = 0, i = 0; row < height; row++) {
      let left = 0;
      const above = row === 0 ? 0 : width; // the first row is its own neighbour above: no jump
      for (const end = i + width; i < end; i++) {
        const signal = amplitude[i]!;
        let z = worth[counts[i]!]!;
        if (factor !== null) z = (z * factor[i]! + 0.5) | 0;
        // The sign bit of such a sum of bits is set if any term is negative: one branch instead of several.
        if (((signal - minAmplitude) | (maxAmplitude - signal)) < 0) z = 0;
        depth[i] = z;
        if (z === 0) {
          this.#reject(i, counts[i]!, signal, minAmplitude, maxAmplitude);
          left = 0;
          continue;
        }
        const toLeft = z - left;
        const toUp = z - depth[i - above]!;
        const jumpLeft = Math.imul(z, across) >> 16;
        const jumpUp = Math.imul(z, along) >> 16;
        if (((jumpLeft - toLeft) | (jumpLeft + toLeft) | (jumpUp - toUp) | (jumpUp + toUp)) < 0) {
          found = this.#suspect(
            i,
            above,
            left !== 0 && Math.abs(toLeft) > jumpLeft,
            Math.abs(toUp) > jumpUp,
            found,
          );
        }
        left = z;
      }
    }
    return found;
  }

  #reject(i: number, count: number, signal: number, minAmplitude: number, maxAmplitude: number): void {
    let why: number = REASON.outOfRange; // or no ray arrives at that pixel
    if (count === 0) why = REASON.noReturn;
    else if (count === this.#saturationCount || signal > maxAmplitude) why = REASON.saturated;
    else if (signal < minAmplitude) why = REASON.weak;
    this.#result.reason[i] = why;
    this.#result.tally[why]!++;
  }

  /** Lists pixel i and the neighbours from which it jumps, each once. */
  #suspect(i: number, above: number, besideLeft: boolean, besideUp: boolean, found: number): number {
    const { reason, depth } = this.#result;
    const suspects = this.#suspects;
    let n = found;
    if (besideLeft) {
      if (reason[i - 1] === REASON.ok) suspects[n++] = i - 1;
      reason[i - 1]! |= ROW_SUSPECT;
      reason[i] = ROW_SUSPECT;
    }
    if (besideUp && depth[i - above] !== 0) {
      if (reason[i - above] === REASON.ok) suspects[n++] = i - above;
      reason[i - above]! |= COL_SUSPECT;
      reason[i]! |= COL_SUSPECT;
    }
    if (reason[i] !== REASON.ok) suspects[n++] = i;
    return n;
  }

  /** Rejects flying pixels. All verdicts are reached on the depths as they came, so that order does not matter. */
  #dropFlying(found: number, amplitude: Uint16Array | null): void {
    const { reason, depth, tally } = this.#result;
    const suspects = this.#suspects;
    const width = this.#width;
    const isByAmplitude = amplitude !== null && this.#noiseByAmplitude !== null;
    const noise = isByAmplitude ? this.#noiseByAmplitude! : this.#noiseByDepth;
    const key = isByAmplitude ? amplitude! : depth;
    let flying = 0;
    for (let n = 0; n < found; n++) {
      const i = suspects[n]!;
      const beside = reason[i]!;
      reason[i] = REASON.ok;
      const row = (i / width) | 0;
      const col = i - row * width;
      if (
        (beside & ROW_SUSPECT && this.#isFlying(i, 1, col, width - 1 - col, this.#jumpRow, noise, key)) ||
        (beside & COL_SUSPECT &&
          this.#isFlying(i, width, row, this.#height - 1 - row, this.#jumpCol, noise, key))
      ) {
        suspects[flying++] = i; // never ahead of n
      }
    }
    for (let n = 0; n < flying; n++) {
      const i = suspects[n]!;
      reason[i] = REASON.flying;
      depth[i] = 0;
    }
    tally[REASON.flying] = flying;
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
    share: number,
    noise: Float32Array,
    key: Uint16Array,
  ): boolean {
    const depth = this.#result.depth;
    const za = before > 0 ? depth[i - step]! : 0;
    const zb = after > 0 ? depth[i + step]! : 0;
    const w = 1 / depth[i]!;
    const jump = w * share;
    // A neighbour without a return counts as far away, but does not make a jump on its own.
    const a = za === 0 ? 0 : 1 / za;
    const b = zb === 0 ? 0 : 1 / zb;
    const toA = w - a;
    const toB = w - b;
    if (!((za !== 0 && Math.abs(toA) > jump) || (zb !== 0 && Math.abs(toB) > jump))) return false;
    if (toA > jump && toB > jump) return false; // in front of both
    return !(
      (za !== 0 && this.#bearsOut(i, -step, before, w, a, noise, key)) ||
      (zb !== 0 && this.#bearsOut(i, step, after, w, b, noise, key))
    );
  }

  /**
   * Whether the `next` pixel in that direction, of `left`, has the same inverse depth `w`, or lies on a line with the one
   * after it.
   */
  #bearsOut(
    i: number,
    step: number,
    left: number,
    w: number,
    next: number,
    noise: Float32Array,
    key: Uint16Array,
  ): boolean {
    const near = w * this.#agreement;
    const z = left > 1 ? this.#result.depth[i + 2 * step]! : 0;
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
