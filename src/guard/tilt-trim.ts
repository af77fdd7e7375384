import { atanOf, hypot2, square, tanOf } from "../geometry/elementary.ts";
import type { RayTable } from "../geometry/rays.ts";

/** Columns sampled across the image, and most samples of one column. Chosen by hand: 224 points cost less than a tenth of a glance. */
const COLUMNS = 16;
const SAMPLES_PER_COLUMN = 14;
/** Pixels without a return in a column after which the floor beyond may be another floor. Chosen by hand. */
const WIDEST_BLANK = 3;
/** Rays less steep than this are too flat to sample the floor with. Chosen by hand. */
const FLATTEST_RAY = 0.1;

/** Radians, 1 sigma: error of the tilt before any frame was fitted (late stamps, braking, the mount). Chosen by hand. */
const PRIOR_SIGMA = 0.03;
/** Radians, 1 sigma: difference of the tilt from the usual one (a late stamp during a dip). Chosen by hand. */
const USUAL_SIGMA = 0.008;
/** Fewest samples for a fit. Chosen by hand. */
const FEWEST = 12;
/** Number of samples at which a fit has full weight in the usual tilt. Found on drives over dark floors (score-floor). */
const MANY = 60;
/** Proved fits after which the usual tilt is the prior: until then whoever starts the base vouches for the floor. Chosen by hand. */
const SETTLED = 5;
/** Metres, 1 sigma, of a sample's height. Chosen by hand: noise of the range, texture of the floor. */
const SAMPLE_SIGMA = 0.006;
/**
 * Metres by which a trim may lower the floor in view without proof that it is a tilt; less than the shallowest drop (13 mm). Found
 * on drives that fell: npm run lab -- score-floor, seeds in tests/guard/score.test.ts.
 */
const MOST_LOWER = 0.012;
/** Metres by which a proved tilt may miss the base's floor point. Found like MOST_LOWER. */
const AT_BASE = 0.006;
/**
 * Directions in which an edge is sought, as cosine and sine of the angle to the steepest descent of the plane: 0, 20 and 40 degrees to both sides.
 * The view is a wedge, so the plane that fits best does not descend at right angles to the edge.
 */
const ACROSS_EDGE = [
  [1, 0],
  [0.9397, 0.342],
  [0.9397, -0.342],
  [0.766, 0.6428],
  [0.766, -0.6428],
] as const;
/** Places between the nearest and the farthest sample at which an edge is sought. Chosen by hand. */
const PLACES = 24;
/** Share of a level's samples that an edge must leave on each side. Chosen by hand: a few samples have any height. */
const LEAST_SIDE = 0.08;

/** Result of testing whether a fitted plane is a tilt. */
const PROOF = {
  /** It lowers the floor in view, and the samples do not extrapolate to the base's floor point: another floor. */
  refuted: 0,
  /** Unproved, but it hardly lowers the floor. */
  harmless: 1,
  /** Extrapolated to the base's floor point, the samples have height 0 there: a tilt. */
  proved: 2,
} as const;

/** A plane through the base's floor point, z = b x + c y. */
interface Plane {
  readonly b: number;
  readonly c: number;
}

/**
 * Turns a lens's attitude by small angles in pitch and roll about the base's floor point, so that the nearest floor in view lies
 * level. One degree of pitch moves the floor at 1 m by 17 mm: without the trim, tilt hides small drops and fakes others.
 *
 * Each sampled column gives points from its nearest return outwards until their height jumps, because beyond may be another
 * level. The plane through them is found by weighted least squares with Tukey's biweight and a prior, and must pass through the
 * base's floor point. It must prove that it is a tilt and not another floor; see docs/how-the-floor-is-judged.md.
 */
export class TiltTrim {
  /** By how much the given pitch (nose down) and roll were too large, radians, and the number of samples. */
  pitch = 0;
  roll = 0;
  samples = 0;
  /** The lens after the trim: row-major rotation, and position in metres. */
  readonly rotation = new Float64Array(9);
  readonly position = new Float64Array(3);
  /** The usual plane (running mean), and the number of proved fits in it. */
  #usual: Plane = { b: 0, c: 0 };
  #fits = 0;
  readonly #rays: RayTable;
  readonly #metresPerUnit: number;
  readonly #steepest: number;
  readonly #x = new Float64Array(COLUMNS * SAMPLES_PER_COLUMN);
  readonly #y = new Float64Array(COLUMNS * SAMPLES_PER_COLUMN);
  readonly #z = new Float64Array(COLUMNS * SAMPLES_PER_COLUMN);
  /** Samples between two places where an edge is sought: their number, and the sum of their heights. */
  readonly #counts = new Float64Array(PLACES);
  readonly #heights = new Float64Array(PLACES);

  /** @param maxTrim radians: a steeper fit is a ramp or another level, and is rejected */
  constructor(rays: RayTable, unitsPerMetre: number, maxTrim: number) {
    this.#rays = rays;
    this.#metresPerUnit = 1 / unitsPerMetre;
    this.#steepest = tanOf(maxTrim);
  }

  /**
   * Finds the trim of a frame.
   * @param depth    (height * width) masked z-depth, 0 for none
   * @param rotation (9) row-major levelFromLens as gravity has it
   * @param position (3) of the lens in that frame, metres; the origin is the base's floor point
   */
  fit(depth: Uint16Array, rotation: Float64Array, position: Float64Array): void {
    this.samples = this.#sample(depth, rotation, position);
    const plane = this.#findPlane();
    const { b, c } = plane ?? this.#usual;
    this.pitch = -atanOf(b);
    this.roll = atanOf(c);
    this.#level(rotation, position);
  }

  /** Points of the nearest floor in view; returns how many. */
  #sample(depth: Uint16Array, R: Float64Array, position: Float64Array): number {
    const { width, height, x: rayX, y: rayY } = this.#rays;
    // Destructuring an array would go through an iterator in each frame.
    const r0 = R[0]!;
    const r1 = R[1]!;
    const r2 = R[2]!;
    const r3 = R[3]!;
    const r4 = R[4]!;
    const r5 = R[5]!;
    const r6 = R[6]!;
    const r7 = R[7]!;
    const r8 = R[8]!;
    const px = position[0]!;
    const py = position[1]!;
    const pz = position[2]!;
    const scale = this.#metresPerUnit;
    const rows = Math.max(1, Math.floor(height / 24));
    let n = 0;
    for (let column = 0; column < COLUMNS; column++) {
      const u = Math.floor(((column + 0.5) * width) / COLUMNS);
      let lastZ = Number.NaN;
      let lastS = 0;
      let blank = 0;
      for (let v = height - 1 - rows, taken = 0; v >= 0 && taken < SAMPLES_PER_COLUMN; v -= rows) {
        const i = v * width + u;
        const t = depth[i]! * scale;
        if (t === 0) {
          if (++blank > WIDEST_BLANK && taken > 0) break;
          continue;
        }
        const down = r6 * rayX[i]! + r7 * rayY[i]! + r8;
        if (down > -FLATTEST_RAY) break;
        const z = pz + down * t;
        const dx = (r0 * rayX[i]! + r1 * rayY[i]! + r2) * t;
        const dy = (r3 * rayX[i]! + r4 * rayY[i]! + r5) * t;
        const s = Math.sqrt(dx * dx + dy * dy);
        const away = Math.sqrt((px + dx) * (px + dx) + (py + dy) * (py + dy)); // Math.hypot takes ten times as long
        // Steeper than any floor under any trim: the attitude is wrong, or an object stands there.
        if (Math.abs(z) > 0.02 + 0.15 * away) break;
        if (taken > 0 && Math.abs(z - lastZ) > 0.015 + 0.3 * Math.max(0, s - lastS)) break;
        blank = 0;
        lastZ = z;
        lastS = s;
        this.#x[n] = px + dx;
        this.#y[n] = py + dy;
        this.#z[n++] = z;
        taken++;
      }
    }
    return n;
  }

  /** The plane to trim by; null when the usual one is better. Updates the usual plane. */
  #findPlane(): Plane | null {
    const n = this.samples;
    if (n < FEWEST || this.#isLower()) return null;
    const isSettled = this.#fits >= SETTLED;
    let fit = isSettled ? this.#solve(USUAL_SIGMA, this.#usual) : null;
    // The usual tilt may have been learnt on a ramp: when it explains little, all tilts are equally likely again.
    if (fit === null || 2 * this.#count(fit, 3 * fit.cut) < n) fit = this.#solve(PRIOR_SIGMA, { b: 0, c: 0 });
    // A steeper plane is no dip but a ramp, or another level. It is not trimmed; the strips judge it.
    if (!(hypot2(fit.b, fit.c) <= this.#steepest)) return null;
    const proof = this.#prove(fit, 3 * fit.cut);
    if (proof === PROOF.refuted) return null;
    if (proof === PROOF.proved) {
      // Few samples, of a dark floor, have little weight in the usual plane.
      const share = Math.max(0.2 * Math.min(1, n / MANY), 1 / (1 + this.#fits++));
      const { b, c } = this.#usual;
      this.#usual = { b: b + share * (fit.b - b), c: c + share * (fit.c - c) };
    }
    return fit;
  }

  /**
   * Least squares of z = b x + c y with Tukey's biweight and a prior.
   * @returns the plane, and the height off it at which a sample no longer counts
   */
  #solve(sigma: number, around: Plane): Plane & { readonly cut: number } {
    const n = this.samples;
    const xs = this.#x;
    const ys = this.#y;
    const zs = this.#z;
    const prior = 1 / (sigma * sigma);
    let { b, c } = around;
    // The first iteration has a wide cut, so that a dip of some degrees is found at all.
    let cut = 0.15;
    for (let round = 0; round < 5; round++) {
      let weights = 0;
      let squares = 0;
      let xx = prior;
      let yy = prior;
      let xy = 0;
      let xz = prior * around.b;
      let yz = prior * around.c;
      for (let k = 0; k < n; k++) {
        const x = xs[k]!;
        const y = ys[k]!;
        const off = (zs[k]! - b * x - c * y) / cut;
        if (off > 1 || off < -1) continue;
        // Farther samples are noisier, and more likely to lie on another floor.
        const w = square(1 - off * off) / (SAMPLE_SIGMA * SAMPLE_SIGMA) / (1 + 4 * (x * x + y * y)) / 4;
        weights += w;
        squares += w * off * off;
        xx += w * x * x;
        yy += w * y * y;
        xy += w * x * y;
        xz += w * x * zs[k]!;
        yz += w * y * zs[k]!;
      }
      const det = xx * yy - xy * xy;
      b = (yy * xz - xy * yz) / det;
      c = (xx * yz - xy * xz) / det;
      cut = Math.min(0.6 * cut, Math.max(0.012, 3 * cut * Math.sqrt(squares / Math.max(weights, 1e-9))));
    }
    return { b, c, cut };
  }

  /** How many samples lie within `cut` of the plane. */
  #count({ b, c }: Plane, cut: number): number {
    let count = 0;
    for (let k = 0; k < this.samples; k++) {
      if (Math.abs(this.#z[k]! - b * this.#x[k]! - c * this.#y[k]!) <= cut) count++;
    }
    return count;
  }

  /**
   * Tests whether the plane is a tilt, and not another floor or an edge in view. A tilt passes through the base's floor point: a line through the samples,
   * extrapolated to that point, must have height 0 there, within its standard error.
   * @returns a `PROOF`
   */
  #prove({ b, c }: Plane, cut: number): number {
    const { b: usualB, c: usualC } = this.#usual;
    const db = b - usualB;
    const dc = c - usualC;
    const steep = Math.sqrt(db * db + dc * dc);
    let count = 0;
    let lower = 0;
    // A roll lowers one side and raises the other: their mean says little.
    let lowest = 0;
    let u = 0;
    let uu = 0;
    let z = 0;
    let uz = 0;
    let zz = 0;
    for (let k = 0; k < this.samples; k++) {
      const x = this.#x[k]!;
      const y = this.#y[k]!;
      const off = this.#z[k]! - b * x - c * y;
      if (off > cut || off < -cut) continue;
      const lowered = db * x + dc * y;
      const along = lowered / steep;
      const height = this.#z[k]! - usualB * x - usualC * y;
      count++;
      lower += lowered;
      if (lowered < lowest) lowest = lowered;
      u += along;
      uu += along * along;
      z += height;
      uz += along * height;
      zz += height * height;
    }
    lower /= count;
    const spread = uu - (u * u) / count;
    const slope = (uz - (u * z) / count) / spread;
    const atBase = z / count - (slope * u) / count;
    const rest = Math.max(0, zz - (z * z) / count - slope * slope * spread) / Math.max(1, count - 2);
    const sigma = Math.sqrt(rest * (1 / count + (u * u) / count / count / spread));
    if (lowest < -MOST_LOWER) {
      const tilted = zz - (z * z) / count - slope * slope * spread;
      if (this.#isEdge({ b, c }, cut, tilted)) return PROOF.refuted;
    }
    if (Math.abs(atBase) + sigma < Math.max(AT_BASE, 0.4 * -lower)) return PROOF.proved;
    // Less than the shallowest drop hides no drop. But it must not count into the usual trim: many small unproved steps
    // would add up to a drop.
    return lower < -MOST_LOWER ? PROOF.refuted : PROOF.harmless;
  }

  /**
   * Whether two level floors with an edge between them fit the samples better than a tilt does. A few of the nearest samples on the upper floor, and
   * the rest on a lower one to a side, also lie about a plane through the base's floor point.
   * @param plane  the tilt, and `cut`: metres off it at which a sample does not count
   * @param tilted sum of the squared distances of the samples from it, square metres
   */
  #isEdge({ b, c }: Plane, cut: number, tilted: number): boolean {
    const { b: usualB, c: usualC } = this.#usual;
    const steep = hypot2(b - usualB, c - usualC);
    const downX = -(b - usualB) / steep;
    const downY = -(c - usualC) / steep;
    const counts = this.#counts;
    const heights = this.#heights;
    for (const [cos, sin] of ACROSS_EDGE) {
      const ux = cos * downX - sin * downY;
      const uy = sin * downX + cos * downY;
      let nearest = Number.POSITIVE_INFINITY;
      let farthest = Number.NEGATIVE_INFINITY;
      for (let k = 0; k < this.samples; k++) {
        const along = ux * this.#x[k]! + uy * this.#y[k]!;
        if (along < nearest) nearest = along;
        if (along > farthest) farthest = along;
      }
      counts.fill(0);
      heights.fill(0);
      const scale = PLACES / (farthest - nearest + 1e-9);
      let count = 0;
      let sum = 0;
      let squares = 0;
      for (let k = 0; k < this.samples; k++) {
        const x = this.#x[k]!;
        const y = this.#y[k]!;
        const off = this.#z[k]! - b * x - c * y;
        if (off > cut || off < -cut) continue;
        const z = this.#z[k]! - usualB * x - usualC * y;
        const place = Math.floor((ux * x + uy * y - nearest) * scale);
        counts[place] = counts[place]! + 1;
        heights[place] = heights[place]! + z;
        count++;
        sum += z;
        squares += z * z;
      }
      let before = 0;
      let above = 0;
      for (let place = 0; place < PLACES - 1; place++) {
        before += counts[place]!;
        above += heights[place]!;
        const after = count - before;
        if (before < LEAST_SIDE * count || after < LEAST_SIDE * count) continue;
        const below = sum - above;
        // The place of the edge is free, too: one parameter more than a tilt has.
        if ((squares - (above * above) / before - (below * below) / after) * (1 + 9 / count) < tilted)
          return true;
      }
    }
    return false;
  }

  /** Whether "level but lower" fits the samples better than "tilted": then all floor in view is another floor, and no dip. */
  #isLower(): boolean {
    const n = this.samples;
    let z = 0;
    let zz = 0;
    let xz = 0;
    let xx = 0;
    for (let k = 0; k < n; k++) {
      z += this.#z[k]!;
      zz += this.#z[k]! * this.#z[k]!;
      xz += this.#x[k]! * this.#z[k]!;
      xx += this.#x[k]! * this.#x[k]!;
    }
    return z / n < -0.025 && (zz - (z * z) / n) * (1 + 9 / n) < zz - (xz * xz) / xx;
  }

  /** Turns the lens so that the plane z = -tan(pitch) x + tan(roll) y comes to lie level. */
  #level(rotation: Float64Array, position: Float64Array): void {
    const bx = -tanOf(this.pitch);
    const by = tanOf(this.roll);
    const norm = Math.sqrt(1 + bx * bx + by * by);
    // The shortest rotation that takes the plane's normal n to z: I + [v] + [v]^2 / (1 + cos), v = n x z (Rodrigues).
    const vx = -by / norm;
    const vy = bx / norm;
    const cos = 1 / norm;
    const k = 1 / (1 + cos);
    const q = [
      1 - k * vy * vy,
      k * vx * vy,
      vy,
      k * vx * vy,
      1 - k * vx * vx,
      -vx,
      -vy,
      vx,
      1 - k * (vx * vx + vy * vy),
    ];
    for (let i = 0; i < 3; i++) {
      const q0 = q[3 * i]!;
      const q1 = q[3 * i + 1]!;
      const q2 = q[3 * i + 2]!;
      for (let j = 0; j < 3; j++) {
        this.rotation[3 * i + j] = q0 * rotation[j]! + q1 * rotation[3 + j]! + q2 * rotation[6 + j]!;
      }
      this.position[i] = q0 * position[0]! + q1 * position[1]! + q2 * position[2]!;
    }
  }
}
