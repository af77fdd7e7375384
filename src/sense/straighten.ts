import { hypot2 } from "../geometry/elementary.ts";
import type { FisheyeOptics, PinholeOptics } from "../geometry/optics.ts";
import { project, rayTable } from "../geometry/rays.ts";

/** Tangent of 65 degrees: an ideal image of more than 130 degrees would consist mostly of its border. */
const WIDEST = 2.14;

/** An ideal pinhole image: pixels, focal lengths and principal point in pixels. */
export interface StraightView {
  /** Even. */
  readonly width: number;
  readonly height: number;
  readonly fx: number;
  readonly fy: number;
  readonly cx: number;
  readonly cy: number;
}

/**
 * Resamples z-depth of a lens with distortion to an ideal pinhole camera in the same place.
 *
 * The ideal image is fine enough that every pixel within 65 degrees of the axis appears in it at least once, so no
 * thin object is lost. Each of its pixels takes the nearest one of the sensor, so depths are never mixed. Depth along the
 * axis needs no change. Nothing is allocated after construction.
 */
export class Straightener {
  readonly view: StraightView;
  /** The sensor's pixel for each ideal one, or an extra one, which is always 0; null for an ideal lens. */
  readonly #source: Int32Array | null;
  readonly #padded: Uint16Array;
  readonly #image: Uint16Array;

  /** @throws {RangeError} if the optics are invalid, or distorted so much that the ideal image would exceed four times their size */
  constructor(optics: PinholeOptics | FisheyeOptics) {
    const { width, height, fx, fy, cx, cy } = optics;
    const rays = rayTable({ ...optics, measures: "z" });
    const isIdeal = optics.model === "pinhole" && (optics.distortion ?? []).every((k) => k === 0);
    if (isIdeal && width % 2 === 0) {
      this.view = { width, height, fx, fy, cx, cy };
      this.#source = null;
      this.#padded = new Uint16Array(0);
      this.#image = this.#padded;
      return;
    }
    // How far the rays reach, and the smallest steps between neighbours: they set size and fineness.
    const x = { low: 0, high: 0, step: Number.POSITIVE_INFINITY };
    const y = { low: 0, high: 0, step: Number.POSITIVE_INFINITY };
    const isUsed = (i: number) => rays.z[i] === 1 && hypot2(rays.x[i]!, rays.y[i]!) <= WIDEST;
    for (let i = 0; i < width * height; i++) {
      if (!isUsed(i)) continue;
      for (const [axis, table, next, isLast] of [
        [x, rays.x, i + 1, i % width === width - 1],
        [y, rays.y, i + width, i + width >= width * height],
      ] as const) {
        axis.low = Math.min(axis.low, table[i]!);
        axis.high = Math.max(axis.high, table[i]!);
        if (!isLast && isUsed(next)) axis.step = Math.min(axis.step, table[next]! - table[i]!);
      }
    }
    const columns = 2 * Math.ceil(((x.high - x.low) / x.step + 1) / 2);
    const rows = Math.ceil((y.high - y.low) / y.step) + 1;
    if (!(x.step > 0 && y.step > 0 && columns * rows <= 4 * width * height)) {
      throw new RangeError(
        `${width}x${height} lens is too bent: an ideal image would have ${columns}x${rows} pixels`,
      );
    }
    const view = {
      width: columns,
      height: rows,
      fx: 1 / x.step,
      fy: 1 / y.step,
      cx: -x.low / x.step,
      cy: -y.low / y.step,
    };
    this.view = view;
    this.#source = new Int32Array(columns * rows);
    this.#padded = new Uint16Array(width * height + 1);
    this.#image = new Uint16Array(columns * rows);
    const pixel = new Float64Array(2);
    for (let row = 0, i = 0; row < rows; row++) {
      for (let col = 0; col < columns; col++, i++) {
        const isSeen = project(optics, (col - view.cx) / view.fx, (row - view.cy) / view.fy, 1, pixel);
        const u = isSeen ? Math.round(pixel[0]!) : -1;
        const v = isSeen ? Math.round(pixel[1]!) : -1;
        this.#source[i] = u >= 0 && u < width && v >= 0 && v < height ? v * width + u : width * height;
      }
    }
  }

  /**
   * @param depth (height * width of the optics) z-depth in any unit, 0 where there is none
   * @returns (view.height * view.width) in the same unit: `depth` itself when the lens is ideal, else the same array
   *          every time
   * @throws {RangeError} if `depth` has not the size of the optics
   */
  apply(depth: Uint16Array): Uint16Array {
    const source = this.#source;
    const size = source === null ? this.view.width * this.view.height : this.#padded.length - 1;
    if (depth.length !== size)
      throw new RangeError(`the lens has ${size} pixels: got ${depth.length} depths`);
    if (source === null) return depth;
    const padded = this.#padded;
    const image = this.#image;
    padded.set(depth);
    for (let i = 0; i < image.length; i++) image[i] = padded[source[i]!]!;
    return image;
  }
}
