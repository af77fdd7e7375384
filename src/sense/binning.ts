import { tanOf } from "../geometry/elementary.ts";
import type { Optics } from "../geometry/optics.ts";
import { DEFAULT_MASK_SETTINGS } from "./mask.ts";

/** Count and amplitude that mean saturation. */
const SATURATED = 65535;
const MOST_FACTOR = 8;

/**
 * The smallest whole factor by which an image has at most `mostPixels`. 1 for scans, when `mostPixels` is 0, and for an image of up to twice as
 * many: half the resolution would lose more than the time is worth.
 */
export function binningFactor(optics: Optics, mostPixels: number): number {
  const isSmall = optics.width * optics.height <= 2 * mostPixels;
  if (optics.model === "scan" || mostPixels === 0 || isSmall) return 1;
  for (let factor = 2; factor < MOST_FACTOR; factor++) {
    if (Math.floor(optics.width / factor) * Math.floor(optics.height / factor) <= mostPixels) return factor;
  }
  return MOST_FACTOR;
}

/** Optics of an image of which each pixel is a square of `factor` pixels of the sensor. A rest at the right and at the bottom is left out. */
export function binnedOptics(optics: Optics, factor: number): Optics {
  if (factor === 1 || optics.model === "scan") return optics;
  // The middle of the first square, in pixels of the sensor.
  const middle = (factor - 1) / 2;
  return {
    ...optics,
    width: Math.floor(optics.width / factor),
    height: Math.floor(optics.height / factor),
    fx: optics.fx / factor,
    fy: optics.fy / factor,
    cx: (optics.cx - middle) / factor,
    cy: (optics.cy - middle) / factor,
  };
}

/**
 * Bins depth images. A mean over two surfaces would be a point in the air, so a square is the mean of returns on one surface: of the nearest one
 * that has at least `factor` returns in the square, as many as a leg one pixel wide has there. Returns are on one surface when they differ
 * by no more than a plane at the mask's grazing angle does across the square. A square without such a surface has no return.
 */
export class ImageBinning {
  /** Of the images that come, and of the images that leave. */
  readonly optics: Optics;
  readonly binned: Optics;
  readonly #factor: number;
  /** Largest relative difference of returns on one surface. */
  readonly #tolerance: number;
  /** The returns of one square, sorted by distance, and their amplitudes. */
  readonly #near: Uint16Array;
  readonly #signal: Uint16Array;

  /** @throws {RangeError} for a scan, or a factor that is not whole, 2 to 8 */
  constructor(optics: Optics, factor: number) {
    if (optics.model === "scan" || !Number.isInteger(factor) || factor < 2 || factor > MOST_FACTOR) {
      throw new RangeError(`an image of model ${optics.model} cannot be binned by ${factor}`);
    }
    this.optics = optics;
    this.binned = binnedOptics(optics, factor);
    this.#factor = factor;
    const perPixel = 1 / Math.min(optics.fx, optics.fy) / tanOf(DEFAULT_MASK_SETTINGS.grazing);
    this.#tolerance = DEFAULT_MASK_SETTINGS.agreement + (factor - 1) * perPixel;
    this.#near = new Uint16Array(factor * factor);
    this.#signal = new Uint16Array(factor * factor);
  }

  /**
   * @param out       (binned height * width) receives counts; 0 is no return
   * @param counts    (height * width) row-major, as the sensor gives them
   * @param outSignal receives mean amplitudes; not written without amplitudes
   * @throws {RangeError} if an image has another size
   */
  apply(
    out: Uint16Array,
    counts: Uint16Array,
    outSignal: Uint16Array | null,
    amplitude: Uint16Array | null,
  ): void {
    const { width, height } = this.optics;
    const { width: columns, height: rows } = this.binned;
    if (counts.length !== width * height || out.length !== columns * rows) {
      throw new RangeError(
        `${width} x ${height} binned by ${this.#factor}: ${counts.length} counts into ${out.length}`,
      );
    }
    if (amplitude !== null && (amplitude.length !== counts.length || outSignal?.length !== out.length)) {
      throw new RangeError(`${amplitude.length} amplitudes, ${counts.length} counts`);
    }
    const factor = this.#factor;
    const size = factor * factor;
    const half = size >> 1; // to round
    const most = 1 + this.#tolerance;
    for (let row = 0, i = 0; row < rows; row++) {
      for (let column = 0; column < columns; column++, i++) {
        const first = row * factor * width + column * factor;
        let least = SATURATED;
        let largest = 0;
        let sum = 0;
        for (let v = 0, at = first; v < factor; v++, at += width) {
          for (let u = at; u < at + factor; u++) {
            const count = counts[u]!;
            sum += count;
            if (count < least) least = count;
            if (count > largest) largest = count;
          }
        }
        if (least === 0 || largest === SATURATED || largest > least * most) {
          this.#choose(i, first, out, counts, outSignal, amplitude);
          continue;
        }
        out[i] = (sum + half) / size;
        if (amplitude === null) continue;
        let signal = 0;
        for (let v = 0, at = first; v < factor; v++, at += width) {
          for (let u = at; u < at + factor; u++) signal += amplitude[u]!;
        }
        outSignal![i] = (signal + half) / size;
      }
    }
  }

  /** A square with several surfaces, or with missing returns. Coordinates and buffers of one square: an object for each would be garbage. */
  #choose(
    i: number,
    first: number,
    out: Uint16Array,
    counts: Uint16Array,
    outSignal: Uint16Array | null,
    amplitude: Uint16Array | null,
  ): void {
    const factor = this.#factor;
    const { width } = this.optics;
    const near = this.#near;
    let n = 0;
    let saturated = 0;
    for (let v = 0, at = first; v < factor; v++, at += width) {
      for (let u = at; u < at + factor; u++) {
        const count = counts[u]!;
        if (count === 0) continue;
        if (count === SATURATED) {
          saturated++;
          continue;
        }
        let k = n++;
        for (; k > 0 && near[k - 1]! > count; k--) {
          near[k] = near[k - 1]!;
          this.#signal[k] = this.#signal[k - 1]!;
        }
        near[k] = count;
        this.#signal[k] = amplitude === null ? 0 : amplitude[u]!;
      }
    }
    // The mask names the reason of what is saturated, so the count stays.
    out[i] = 2 * saturated > factor * factor ? SATURATED : 0;
    if (amplitude !== null) outSignal![i] = 0;
    const most = 1 + this.#tolerance;
    for (let begin = 0; begin + factor <= n; begin++) {
      const limit = near[begin]! * most;
      if (near[begin + factor - 1]! > limit) continue;
      let end = begin;
      let sum = 0;
      let signal = 0;
      for (; end < n && near[end]! <= limit; end++) {
        sum += near[end]!;
        signal += this.#signal[end]!;
      }
      const size = end - begin;
      out[i] = (sum + (size >> 1)) / size;
      if (amplitude !== null) outSignal![i] = (signal + (size >> 1)) / size;
      return;
    }
  }
}
