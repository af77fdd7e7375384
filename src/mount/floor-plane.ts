import { atan2Of, cosOf, cube, hypot3, lengthOf, square } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import type { RayTable } from "../geometry/rays.ts";
import { solveSymmetric } from "../geometry/solve.ts";
import { DEFAULT_RANGE_NOISE, floorAmplitude, rangeSigma, type TimeOfFlightNoise } from "../sense/noise.ts";
import type { Samples } from "../track/samples.ts";

/** The floor of one frame, in the lens frame: `normal . p = -height`, the normal up. */
export interface FloorPlane {
  readonly normal: Vec3;
  /** Of the lens above the floor, metres. */
  readonly height: number;
  /** Number of pixels in the fit. */
  readonly count: number;
  /** Mean of height / range over them: the share of a range error that becomes a height error. */
  readonly slant: number;
}

/** Cosines: between a floor's normal and the expected up direction, and between a sample's normal and its plane's. */
const UPRIGHT = cosOf((50 * Math.PI) / 180);
const SAME = cosOf((15 * Math.PI) / 180);
const TRIES = 64;
/** Tolerance for a sample on a plane: metres, and share of its distance; and metres from which a sample is below it. */
const NEAR = 0.02;
const NEAR_SHARE = 0.015;
const BELOW = 0.06;
/** Most samples under a floor, as a share of those on it: phantoms and a hole. */
const MOST_BELOW = 0.1;
/** Fewest samples on a plane that may be the floor. */
const LEAST_ON = 40;

/**
 * The lowest large plane that faces up, from hypotheses through samples spread over the frame.
 * @param up expected up direction, lens frame; up to 50 degrees off
 * @returns null when no plane has enough samples on it and few below it
 * Source: Fischler & Bolles 1981, with every hypothesis from one sample and its normal, in a fixed order.
 */
export function findFloor({ count, point, normal }: Samples, up: Vec3): FloorPlane | null {
  const candidates: number[] = [];
  for (let i = 0; i < count; i++) {
    const k = 3 * i;
    if (normal[k]! * up[0] + normal[k + 1]! * up[1] + normal[k + 2]! * up[2] > UPRIGHT) candidates.push(k);
  }
  let best: FloorPlane | null = null;
  const stride = Math.max(1, candidates.length / TRIES);
  for (let t = 0; t < candidates.length; t += stride) {
    const h = candidates[Math.floor(t)]!;
    const [a, b, c] = [normal[h]!, normal[h + 1]!, normal[h + 2]!];
    const height = -(a * point[h]! + b * point[h + 1]! + c * point[h + 2]!);
    if (!(height > 0.02)) continue;
    let on = 0;
    let below = 0;
    for (let i = 0, k = 0; i < count; i++, k += 3) {
      const [x, y, z] = [point[k]!, point[k + 1]!, point[k + 2]!];
      const over = a * x + b * y + c * z + height;
      const near = NEAR + NEAR_SHARE * z;
      if (over < -BELOW - 2 * NEAR_SHARE * z) below++;
      else if (Math.abs(over) < near && a * normal[k]! + b * normal[k + 1]! + c * normal[k + 2]! > SAME) on++;
    }
    if (on >= LEAST_ON && below <= MOST_BELOW * on && on > (best?.count ?? 0)) {
      best = { normal: [a, b, c], height, count: on, slant: 1 };
    }
  }
  return best;
}

/** Metres of range beyond which floor is too faint to help, and fewest pixels of a fit. */
const FARTHEST = 3;
/** Largest range, metres, of pixels that measure the floor's brightness. */
const NEARER = 1.5;
const LEAST_PIXELS = 60;
/** Outlier gate: metres off the plane, and sigmas of range noise. */
const GATE = 0.025;
const GATE_SIGMAS = 4;
/** Additional sigmas of the gate in each iteration, because the head may have nodded since the last frame. */
const SLACK = [30, 8, 0, 0, 0];
/** Number of sectors around the lens. The floor ends at another distance in each; `SAY` pixels must agree on it. */
const SECTORS = 72;
const SAY = 3;
/** Width of a ring around the lens, metres; and the share of its pixels that must return. */
const RING = 0.1;
const LEAST_ASKED = 12;
const ANSWERED = 0.8;
/** Distance kept from the end of the floor, metres. */
const KEPT_OFF = 0.1;

/**
 * Fits the floor of one sensor's frames. In inverse depth a plane is linear in its unknowns, 1 / z = m . ray with m = -normal /
 * height; least squares of the depths themselves by Gauss-Newton, each weighted by its own noise, so that grazing rays neither
 * bend nor raise the floor. In each direction it is followed only to the first object that stands on it: the foot of a wall would
 * lift the far end and tilt the whole plane.
 */
export class FloorFitter {
  readonly #rays: RayTable;
  readonly #noise: TimeOfFlightNoise;
  /** The sampled pixels, and the lengths of their rays. */
  readonly #pixels: Int32Array;
  readonly #length: Float64Array;
  readonly #sector: Uint8Array;
  readonly #said: Float64Array;
  readonly #asked = new Int32Array(Math.ceil(FARTHEST / RING));
  readonly #answered = new Int32Array(Math.ceil(FARTHEST / RING));
  /** (SAY per sector) the nearest distances of something other than floor, ascending. */
  readonly #ends = new Float64Array(SAY * SECTORS);
  readonly #information = new Float64Array(9);
  readonly #pull = new Float64Array(3);
  readonly #m = new Float64Array(3);

  constructor(rays: RayTable, noise: TimeOfFlightNoise = DEFAULT_RANGE_NOISE) {
    this.#rays = rays;
    this.#noise = noise;
    // Some thousand pixels are plenty: their common error dominates.
    const { width, height } = rays;
    const step = Math.max(1, Math.round(Math.sqrt((width * height) / 6000)));
    const pixels: number[] = [];
    for (let v = step >> 1; v < height; v += step) {
      for (let u = step >> 1; u < width; u += step) pixels.push(v * width + u);
    }
    this.#pixels = Int32Array.from(pixels);
    this.#length = Float64Array.from(pixels, (i) => hypot3(rays.x[i]!, rays.y[i]!, rays.z[i]!));
    this.#sector = new Uint8Array(pixels.length);
    this.#said = new Float64Array(pixels.length);
  }

  /**
   * @param depth     (height * width) z-depth in 1 / unitsPerMetre, 0 where there is none
   * @param amplitude of the same pixels, or null
   * @param near      approximate floor
   * @returns null when too few pixels lie on it
   */
  fit(
    depth: Uint16Array,
    unitsPerMetre: number,
    amplitude: Uint16Array | null,
    near: FloorPlane,
  ): FloorPlane | null {
    const { x, y } = this.#rays;
    const pixels = this.#pixels;
    const m = this.#m;
    for (let k = 0; k < 3; k++) m[k] = -near.normal[k]! / near.height;
    this.#findSectors(near.normal);
    const bright = this.#brightness(amplitude, near);
    const horizon = this.#horizon(depth, near);
    let count = 0;
    let slant = 0;
    for (const slack of SLACK) {
      const tall = 1 / hypot3(m[0]!, m[1]!, m[2]!);
      this.#findEnds(depth, unitsPerMetre, { bright, tall, slack });
      this.#information.fill(0);
      this.#pull.fill(0);
      count = 0;
      slant = 0;
      for (let p = 0; p < pixels.length; p++) {
        const i = pixels[p]!;
        const z = depth[i]! / unitsPerMetre;
        if (z === 0) continue;
        const [a, b] = [x[i]!, y[i]!];
        const inverse = m[0]! * a + m[1]! * b + m[2]!;
        // Weights and gates use the expected floor: computed from the noisy depth they would be biased.
        const range = this.#length[p]! / inverse;
        if (!(inverse > 0 && range < horizon)) continue;
        const sigma = rangeSigma(this.#noise, range, floorAmplitude(bright, tall, range));
        const off = z - 1 / inverse; // metres along the axis
        const doubt = sigma / this.#length[p]!;
        const gate = GATE + GATE_SIGMAS * sigma * (tall / range);
        if (Math.abs(off) * inverse * tall > gate || Math.abs(off) > (GATE_SIGMAS + slack) * doubt) continue;
        // An object there hides the floor from `gate` below its visible end on.
        const end = this.#ends[SAY * this.#sector[p]! + SAY - 1]!;
        if (range > end * Math.max(0, 1 - gate / tall) - KEPT_OFF) continue;
        // A Newton step for 1 / m . ray = z, so that the noise of z is not biased by an inverse.
        this.#add(1 / square(doubt * inverse * inverse), a, b, inverse - off * inverse * inverse);
        count++;
        slant += tall / range;
      }
      if (count < LEAST_PIXELS || !solveSymmetric(m, this.#information, this.#pull, 3)) return null;
    }
    const tall = 1 / hypot3(m[0]!, m[1]!, m[2]!);
    return {
      normal: [-m[0]! * tall, -m[1]! * tall, -m[2]! * tall],
      height: tall,
      count,
      slant: slant / count,
    };
  }

  /**
   * Range beyond which the floor is too dark: most of its pixels return nothing. Beyond it only feet
   * of brighter walls would count as floor.
   */
  #horizon(depth: Uint16Array, { normal, height }: FloorPlane): number {
    const { x, y } = this.#rays;
    const asked = this.#asked.fill(0);
    const answered = this.#answered.fill(0);
    for (let p = 0; p < this.#pixels.length; p++) {
      const i = this.#pixels[p]!;
      const range = (-height * this.#length[p]!) / (normal[0] * x[i]! + normal[1] * y[i]! + normal[2]);
      if (!(range > 0 && range < FARTHEST)) continue;
      const ring = Math.floor(range / RING);
      asked[ring]!++;
      if (depth[i] !== 0) answered[ring]!++;
    }
    for (let ring = 0; ring < asked.length; ring++) {
      if (asked[ring]! >= LEAST_ASKED && answered[ring]! < ANSWERED * asked[ring]!) return ring * RING;
    }
    return FARTHEST;
  }

  /**
   * Amplitude of the floor's material at 1 m and normal incidence: the median over its nearer pixels. Noise is computed from
   * it, not from each pixel's own amplitude: a bright wall's foot would outweigh the whole floor.
   */
  #brightness(amplitude: Uint16Array | null, { normal, height }: FloorPlane): number {
    if (amplitude === null) return this.#noise.amplitudeAtOneMetre;
    const { x, y } = this.#rays;
    let count = 0;
    for (let p = 0; p < this.#pixels.length; p++) {
      const i = this.#pixels[p]!;
      const range = (-height * this.#length[p]!) / (normal[0] * x[i]! + normal[1] * y[i]! + normal[2]);
      if (range > 0 && range < NEARER && amplitude[i]! > 0)
        this.#said[count++] = (amplitude[i]! * cube(range)) / height;
    }
    if (count === 0) return this.#noise.amplitudeAtOneMetre;
    return this.#said.subarray(0, count).sort()[count >> 1]!;
  }

  /** The sector of each pixel. */
  #findSectors([a, b, c]: Vec3): void {
    const { x, y } = this.#rays;
    // Two axes in the floor: the projection of the optical axis, and the one across.
    const ahead = normalized([-a * c, -b * c, 1 - c * c], [0, -c, b]);
    const [ax, ay, az] = ahead;
    const [lx, ly, lz] = [b * az - c * ay, c * ax - a * az, a * ay - b * ax];
    for (let p = 0; p < this.#pixels.length; p++) {
      const i = this.#pixels[p]!;
      const forward = ax * x[i]! + ay * y[i]! + az;
      const left = lx * x[i]! + ly * y[i]! + lz;
      const turned = atan2Of(left, forward) / (2 * Math.PI) + 0.5;
      this.#sector[p] = Math.min(SECTORS - 1, Math.floor(SECTORS * turned));
    }
  }

  /** Finds, for each sector, the distance along the floor at which something else begins. */
  #findEnds(
    depth: Uint16Array,
    unitsPerMetre: number,
    { bright, tall, slack }: { readonly bright: number; readonly tall: number; readonly slack: number },
  ): void {
    const { x, y } = this.#rays;
    const m = this.#m;
    const ends = this.#ends.fill(Number.POSITIVE_INFINITY);
    // Until the frame's own nod is known, the floor itself would look like something else.
    if (slack > 10) return;
    for (let p = 0; p < this.#pixels.length; p++) {
      const i = this.#pixels[p]!;
      const z = depth[i]! / unitsPerMetre;
      const inverse = m[0]! * x[i]! + m[1]! * y[i]! + m[2]!;
      if (z === 0 || !(inverse > 0)) continue;
      const range = this.#length[p]! / inverse;
      let at = SAY * this.#sector[p]! + SAY - 1;
      if (!(range < ends[at]!)) continue;
      const sigma = rangeSigma(this.#noise, range, floorAmplitude(bright, tall, range));
      const over = Math.abs(z * inverse - 1) * tall;
      if (over < GATE + (GATE_SIGMAS + slack) * sigma * (tall / range)) continue;
      for (; at % SAY > 0 && ends[at - 1]! > range; at--) ends[at] = ends[at - 1]!;
      ends[at] = range;
    }
  }

  #add(w: number, a: number, b: number, value: number): void {
    const I = this.#information;
    I[0]! += w * a * a;
    I[3]! += w * a * b;
    I[4]! += w * b * b;
    I[6]! += w * a;
    I[7]! += w * b;
    I[8]! += w;
    this.#pull[0]! += w * a * value;
    this.#pull[1]! += w * b * value;
    this.#pull[2]! += w * value;
  }
}

/** Normalised; `otherwise` when there is no direction (the lens looks straight down). */
function normalized(v: Vec3, otherwise: Vec3): Vec3 {
  const norm = lengthOf(v);
  return norm > 1e-6 ? [v[0] / norm, v[1] / norm, v[2] / norm] : otherwise;
}
