import { square } from "../geometry/elementary.ts";
import type { RayTable } from "../geometry/rays.ts";

export interface NormalSettings {
  /** The window is 2 * reach + 1 pixels square. */
  readonly reach: number;
  /** Share of the window's pixels that must have depth. */
  readonly minShare: number;
  /** Largest rms deviation from the plane, as a share of depth. */
  readonly maxRms: number;
  /** Largest deviation of the pixel itself from the plane: a multiple of the rms, plus a share of depth. */
  readonly maxOffRms: number;
  readonly maxOffShare: number;
  /**
   * Curvature test: a window is rejected when the mean reduction in squares by the three second-order terms is
   * this many times the mean residual square (an F ratio, independent of the noise); Infinity switches it off.
   */
  readonly maxBend: number;
}

export const DEFAULT_NORMAL_SETTINGS: NormalSettings = {
  reach: 3,
  minShare: 0.6,
  maxRms: 0.03,
  maxOffRms: 3,
  maxOffShare: 0.01,
  maxBend: Number.POSITIVE_INFINITY,
};

/**
 * Surface samples of one frame, overwritten by the next `estimate`. The first `count` entries are valid; all in the
 * lens frame (x right, y down, z forward).
 */
export interface NormalSamples {
  count: number;
  /** Index into the image, row-major. */
  readonly pixel: Int32Array;
  /** (3 * count) unit, pointing back towards the lens. */
  readonly normal: Float32Array;
  /** (3 * count) metres: the point where the pixel's ray meets the fitted plane. */
  readonly point: Float32Array;
  /** Rms deviation of the window's depths from the plane, metres. */
  readonly rms: Float32Array;
}

/**
 * Normals by least squares in inverse depth: on a plane 1/z is linear in image coordinates, so the fit is a linear
 * one over a window of pixels, and unlike a fit to points it has no bias towards the lens. Within one window a distorting
 * lens is taken as linear: a fisheye of 90 degrees on 120 pixels then puts points at most 0.2 % too near or far.
 *
 * Windows need not be full: pixels without depth are left out. A window across an edge fits no plane, which is visible in
 * its rms. Nothing is allocated after construction.
 */
export class NormalEstimator {
  readonly #width: number;
  readonly #height: number;
  readonly #rays: RayTable;
  readonly #settings: NormalSettings;
  readonly #samples: NormalSamples;
  /** Sum of u^2 over a window without holes. */
  readonly #fullSquares: number;
  /** Mean of u^2 over a full window, and sums of squares of the second-order terms: along one axis, and mixed. */
  readonly #meanSquare: number;
  readonly #bendSquares: number;
  readonly #twistSquares: number;

  /**
   * @param rays       of z-depth: z = 1, as in `DepthMask.rays`
   * @param maxSamples how many samples one frame may give
   * @throws {RangeError} if a setting is not valid, or the rays are not an image of z-depth
   */
  constructor(rays: RayTable, maxSamples: number, settings: NormalSettings = DEFAULT_NORMAL_SETTINGS) {
    const { reach, minShare } = settings;
    if (!(Number.isInteger(reach) && reach >= 1 && reach <= 7)) {
      throw new RangeError(`normals.reach is ${reach}; it must be 1 to 7 pixels`);
    }
    if (!(minShare > 0 && minShare <= 1))
      throw new RangeError(`normals.minShare is ${minShare}; it must be 0 to 1`);
    for (const field of ["maxRms", "maxOffRms", "maxOffShare", "maxBend"] as const) {
      if (!(settings[field] > 0))
        throw new RangeError(`normals.${field} is ${settings[field]}; it must be above 0`);
    }
    if (!(Number.isInteger(maxSamples) && maxSamples >= 1 && maxSamples <= rays.x.length)) {
      throw new RangeError(`maxSamples is ${maxSamples}; it must be 1 to ${rays.x.length}`);
    }
    if (rays.height < 2 * reach + 1 || rays.width < 2 * reach + 1 || rays.z.some((z) => z !== 0 && z !== 1)) {
      throw new RangeError("normals need the z-depth rays of an image larger than their window");
    }
    this.#width = rays.width;
    this.#height = rays.height;
    this.#rays = rays;
    this.#settings = settings;
    this.#fullSquares = ((2 * reach + 1) * reach * (reach + 1) * (2 * reach + 1)) / 3;
    this.#meanSquare = (reach * (reach + 1)) / 3;
    let fourth = 0;
    for (let u = -reach; u <= reach; u++) fourth += square(u * u - this.#meanSquare);
    this.#bendSquares = (2 * reach + 1) * fourth;
    this.#twistSquares = square(this.#fullSquares / (2 * reach + 1));
    this.#samples = {
      count: 0,
      pixel: new Int32Array(maxSamples),
      normal: new Float32Array(3 * maxSamples),
      point: new Float32Array(3 * maxSamples),
      rms: new Float32Array(maxSamples),
    };
  }

  /**
   * Takes every `stride`-th pixel of every `stride`-th row, beginning `shift` pixels in, until the samples are full.
   *
   * @param depth         (height * width) z-depth in 1 / unitsPerMetre, 0 where there is none
   * @param unitsPerMetre as in `MaskResult`
   * @param stride        pixels between samples, 1 or more
   * @param shift         0 to stride - 1; changing it from frame to frame visits all pixels in turn
   * @returns the same object every time
   * @throws {RangeError} if the depth is not of the rays' size, or stride or shift are invalid
   */
  estimate(depth: Uint16Array, unitsPerMetre: number, stride: number, shift = 0): NormalSamples {
    const width = this.#width;
    const height = this.#height;
    if (depth.length !== width * height) {
      throw new RangeError(`rays are ${width}x${height}: got ${depth.length} depths`);
    }
    if (
      !(Number.isInteger(stride) && stride >= 1 && Number.isInteger(shift) && shift >= 0 && shift < stride)
    ) {
      throw new RangeError(`stride ${stride}, shift ${shift}: need 0 <= shift < stride`);
    }
    const samples = this.#samples;
    const reach = this.#settings.reach;
    samples.count = 0;
    for (let row = reach + shift; row < height - reach; row += stride) {
      for (let col = reach + shift; col < width - reach; col += stride) {
        if (depth[row * width + col] === 0) continue;
        if (samples.count === samples.pixel.length) return samples;
        this.#fit(depth, unitsPerMetre, row * width + col);
      }
    }
    return samples;
  }

  /**
   * Adds the pixel's plane to the samples if the fit is good. One long function: it runs for each sampled pixel, and its sums stay in
   * local variables.
   */
  #fit(depth: Uint16Array, unitsPerMetre: number, at: number): void {
    const { reach, minShare, maxRms, maxOffRms, maxOffShare, maxBend } = this.#settings;
    const width = this.#width;
    // Relative inverse depth w = z(centre) / z: near 1, so that the sums keep their digits.
    const centre = depth[at]!;
    const side = 2 * reach + 1;
    let n = side * side;
    let su = 0;
    let sv = 0;
    let suu = this.#fullSquares;
    let suv = 0;
    let svv = this.#fullSquares;
    let sw = 0;
    let suw = 0;
    let svw = 0;
    let sww = 0;
    // Fast path: as if every pixel had depth, which is usual; then half of the sums are constants. The sums over a row come
    // before their v, which is constant in it.
    let holes = 0; // the sign bit is set by any z of 0
    for (let v = -reach, start = at - reach * width; v <= reach; v++, start += width) {
      let mw = 0;
      for (let u = -reach; u <= reach; u++) {
        const z = depth[start + u]!;
        holes |= z - 1;
        const w = centre / z - 1;
        mw += w;
        suw += u * w;
        sww += w * w;
      }
      sw += mw;
      svw += mw * v;
    }
    if (holes < 0) {
      n = su = sv = suu = suv = svv = sw = suw = svw = sww = 0;
      for (let v = -reach, start = at - reach * width; v <= reach; v++, start += width) {
        let m = 0;
        let mu = 0;
        let mw = 0;
        for (let u = -reach; u <= reach; u++) {
          const z = depth[start + u]!;
          if (z === 0) continue;
          const w = centre / z - 1;
          m++;
          mu += u;
          suu += u * u;
          mw += w;
          suw += u * w;
          sww += w * w;
        }
        n += m;
        su += mu;
        sv += m * v;
        suv += mu * v;
        svv += m * v * v;
        sw += mw;
        svw += mw * v;
      }
    }
    if (n < minShare * side * side) return;
    // Least squares for w = c + a u + b v, about the mean.
    const mu = su / n;
    const mv = sv / n;
    const mw = sw / n;
    const uu = suu - su * mu;
    const uv = suv - su * mv;
    const vv = svv - sv * mv;
    const uw = suw - su * mw;
    const vw = svw - sv * mw;
    const det = uu * vv - uv * uv;
    if (!(det > 1e-6 * uu * vv)) return; // a line of pixels
    const a = (uw * vv - vw * uv) / det;
    const b = (vw * uu - uw * uv) / det;
    const c = mw - a * mu - b * mv; // of the centre itself, relative to its own depth
    const rms = Math.sqrt(Math.max(sww - sw * mw - a * uw - b * vw, 0) / n);
    if (!(rms <= maxRms && Math.abs(c) <= maxOffRms * rms + maxOffShare)) return;
    if (maxBend < Number.POSITIVE_INFINITY && this.#bend(depth, at, a, b, c) > maxBend) return;

    // From pixel steps to image coordinates, by the rays around the pixel, because lenses distort.
    const { x, y } = this.#rays;
    const xu = (x[at + 1]! - x[at - 1]!) / 2;
    const xv = (x[at + width]! - x[at - width]!) / 2;
    const yu = (y[at + 1]! - y[at - 1]!) / 2;
    const yv = (y[at + width]! - y[at - width]!) / 2;
    const bend = xu * yv - xv * yu;
    if (!(bend > 0)) return; // beside a pixel without a ray
    const rx = x[at]!;
    const ry = y[at]!;
    // The plane is p x + q y + r = 1 / z along rays (x, y, 1), so its normal is along (p, q, r).
    const p = (a * yv - b * yu) / bend;
    const q = (b * xu - a * xv) / bend;
    const r = 1 + c - p * rx - q * ry;
    const norm = -Math.sqrt(p * p + q * q + r * r);
    const z = centre / (unitsPerMetre * (1 + c));
    const samples = this.#samples;
    const k = samples.count++;
    samples.pixel[k] = at;
    samples.normal[3 * k] = p / norm;
    samples.normal[3 * k + 1] = q / norm;
    samples.normal[3 * k + 2] = r / norm;
    samples.point[3 * k] = rx * z;
    samples.point[3 * k + 1] = ry * z;
    samples.point[3 * k + 2] = z;
    samples.rms[k] = rms * z;
  }

  /**
   * Curvature of a window's residual after its plane c + a u + b v: an F ratio of three terms against the rest. Where two
   * surfaces meet, a plane through both is tilted; its rms alone hardly shows that in noise.
   */
  #bend(depth: Uint16Array, at: number, a: number, b: number, c: number): number {
    const { reach } = this.#settings;
    const mean = this.#meanSquare;
    const centre = depth[at]!;
    let [n, uu, uv, vv, squares] = [0, 0, 0, 0, 0];
    for (let v = -reach, start = at - reach * this.#width; v <= reach; v++, start += this.#width) {
      for (let u = -reach; u <= reach; u++) {
        const z = depth[start + u]!;
        if (z === 0) continue;
        const off = centre / z - 1 - (c + a * u + b * v);
        n++;
        uu += off * (u * u - mean);
        uv += off * u * v;
        vv += off * (v * v - mean);
        squares += off * off;
      }
    }
    const bent = (uu * uu + vv * vv) / this.#bendSquares + (uv * uv) / this.#twistSquares;
    return bent / 3 / (Math.max(squares - bent, 1e-12) / Math.max(1, n - 6));
  }
}
