import type { BlockGrid } from "./grid.ts";
import type { PinholeView } from "./pinhole-view.ts";
import { COARSEST, type DepthPyramid, FINEST, PAD } from "./pyramid.ts";

/** A little less than half a voxel, so that a corner which just touches the image is no evidence. */
const HALF_VOXEL = 0.45;
/** Share of a voxel's extent in depth that counts as its far side: the outermost corners are left out. */
const FAR_SIDE = 0.4;

// Indices into `#steps`: increments for one voxel along each world axis.
const U = 0; // (3) to the numerator of u
const V = 3; // (3) to the numerator of v
const DEPTH = 6; // (3) to depth
const BEHIND = 9; // the voxel's far side, from its centre
const WIDTH = 10; // a voxel's width in the image times depth
const HALF_U = 11; // half a voxel's extent along u and v times depth
const HALF_V = 12;
const NEAR_BEHIND = 13; // the far side for voxels next to the lens
const STEPS = 14;

/**
 * Decides voxel by voxel which of a brick are free: those whose far side is nearer than the nearest depth in the pyramid cell that
 * they fall into. All lengths are in the lens frame and in depth units.
 */
export class FreeVoxels {
  /** The result: one bit a voxel, the first 32 and the other 32. */
  free0 = 0;
  free1 = 0;
  /** Centre of the present brick; passing three doubles in a call would allocate them. */
  readonly centre = new Float64Array(3);
  readonly #grid: BlockGrid;
  readonly #view: PinholeView;
  readonly #pyramid: DepthPyramid;
  /** Depth units per voxel. */
  readonly #unit: number;
  /** The last pixel that the pyramid covers. */
  readonly #lastU: number;
  readonly #lastV: number;
  readonly #steps = new Float64Array(STEPS);

  constructor(grid: BlockGrid, view: PinholeView, pyramid: DepthPyramid) {
    this.#grid = grid;
    this.#view = view;
    this.#pyramid = pyramid;
    this.#unit = view.unitsPerMetre * grid.voxelSize;
    this.#lastU = pyramid.width - 1;
    this.#lastV = pyramid.height - 1;
  }

  /** @param R (9) row-major worldFromLens of the frame */
  setFrame(R: Float64Array): void {
    const { fx, fy } = this.#view;
    const cx = this.#view.cx + 0.5;
    const cy = this.#view.cy + 0.5;
    const unit = this.#unit;
    const steps = this.#steps;
    // The numerators of u and v, and depth, are linear in the voxel's place.
    for (let axis = 0; axis < 3; axis++) {
      steps[U + axis] = unit * (fx * R[3 * axis]! + cx * R[3 * axis + 2]!);
      steps[V + axis] = unit * (fy * R[3 * axis + 1]! + cy * R[3 * axis + 2]!);
      steps[DEPTH + axis] = unit * R[3 * axis + 2]!;
    }
    steps[BEHIND] =
      FAR_SIDE * (Math.abs(steps[DEPTH]!) + Math.abs(steps[DEPTH + 1]!) + Math.abs(steps[DEPTH + 2]!));
    steps[WIDTH] = fx * unit;
    steps[HALF_U] = HALF_VOXEL * fx * unit * (Math.abs(R[0]!) + Math.abs(R[3]!) + Math.abs(R[6]!));
    steps[HALF_V] = HALF_VOXEL * fy * unit * (Math.abs(R[1]!) + Math.abs(R[4]!) + Math.abs(R[7]!));
    steps[NEAR_BEHIND] = (unit * (Math.abs(R[2]!) + Math.abs(R[5]!) + Math.abs(R[8]!))) / 2;
  }

  /**
   * Tests a brick that is wholly in front of the lens, four voxels at a time.
   * @param words  start of its words in the pool, negative without any; voxels that are already free are not tested
   * @param behind the farthest depth in the brick's footprint
   * @param isRim  whether its footprint reaches beyond the image
   */
  decide(words: number, behind: number, isRim: boolean): void {
    const steps = this.#steps;
    const { fx, fy, cx, cy } = this.#view;
    const X = this.centre[0]!;
    const Y = this.centre[1]!;
    const Z = this.centre[2]!;
    // The pyramid cell is no wider than the voxel's own footprint, so all its rays cross the voxel.
    let level = 31 - Math.clz32((steps[WIDTH]! / Z) | 0);
    if (level < FINEST) level = FINEST;
    if (level > COARSEST) level = COARSEST;
    const origin = this.#pyramid.origin[level]!;
    const pitch = this.#pyramid.pitch[level]!;
    const aX = steps[U]!;
    const aY = steps[U + 1]!;
    const aZ = steps[U + 2]!;
    const bX = steps[V]!;
    const bY = steps[V + 1]!;
    const bZ = steps[V + 2]!;
    const dX = steps[DEPTH]!;
    const dY = steps[DEPTH + 1]!;
    const dZ = steps[DEPTH + 2]!;
    const half = steps[BEHIND]!;
    let a = fx * X + (cx + 0.5) * Z - 1.5 * (aX + aY + aZ);
    let b = fy * Y + (cy + 0.5) * Z - 1.5 * (bX + bY + bZ);
    let d = Z - 1.5 * (dX + dY + dZ);
    const pool = this.#grid.pool;
    const limit = behind - half;
    const { nearest } = this.#pyramid;
    const halfU = (steps[HALF_U]! / Z) | 0;
    const halfV = (steps[HALF_V]! / Z) | 0;
    const lastU = this.#lastU;
    const lastV = this.#lastV;
    let free0 = 0;
    let free1 = 0;
    for (let row = 0; row < 16; row++) {
      if ((d < limit || d + 3 * dX < limit) && (words < 0 || pool[words + row] !== 0)) {
        const r0 = 1 / d;
        const r1 = 1 / (d + dX);
        const r2 = 1 / (d + 2 * dX);
        const r3 = 1 / (d + 3 * dX);
        let u0 = (a * r0) | 0;
        let v0 = (b * r0) | 0;
        let u1 = ((a + aX) * r1) | 0;
        let v1 = ((b + bX) * r1) | 0;
        let u2 = ((a + 2 * aX) * r2) | 0;
        let v2 = ((b + 2 * bX) * r2) | 0;
        let u3 = ((a + 3 * aX) * r3) | 0;
        let v3 = ((b + 3 * bX) * r3) | 0;
        if (isRim && (u0 | v0 | u3 | v3 | (lastU - u0) | (lastU - u3) | (lastV - v0) | (lastV - v3)) < 0) {
          u0 = towardsImage(u0, halfU, lastU);
          v0 = towardsImage(v0, halfV, lastV);
          u1 = towardsImage(u1, halfU, lastU);
          v1 = towardsImage(v1, halfV, lastV);
          u2 = towardsImage(u2, halfU, lastU);
          v2 = towardsImage(v2, halfV, lastV);
          u3 = towardsImage(u3, halfU, lastU);
          v3 = towardsImage(v3, halfV, lastV);
        }
        const z = d + half;
        const bits =
          ((z - nearest[origin + (v0 >> level) * pitch + (u0 >> level)]!) >>> 31) |
          (((z + dX - nearest[origin + (v1 >> level) * pitch + (u1 >> level)]!) >>> 31) << 1) |
          (((z + 2 * dX - nearest[origin + (v2 >> level) * pitch + (u2 >> level)]!) >>> 31) << 2) |
          (((z + 3 * dX - nearest[origin + (v3 >> level) * pitch + (u3 >> level)]!) >>> 31) << 3);
        if (row < 8) free0 |= bits << (row << 2);
        else free1 |= bits << ((row - 8) << 2);
      }
      if ((row & 3) === 3) {
        a += aZ - 3 * aY;
        b += bZ - 3 * bY;
        d += dZ - 3 * dY;
      } else {
        a += aY;
        b += bY;
        d += dY;
      }
    }
    this.free0 = free0;
    this.free1 = free1;
  }

  /** Tests a brick around or very close to the lens, where some voxels lie behind it. `R` is as in `setFrame`. */
  decideNear(R: Float64Array): void {
    const X = this.centre[0]!;
    const Y = this.centre[1]!;
    const Z = this.centre[2]!;
    const { fx, fy } = this.#view;
    const unit = this.#unit;
    const cx = this.#view.cx + 0.5;
    const cy = this.#view.cy + 0.5;
    const { nearest, origin, pitch } = this.#pyramid;
    const half = this.#steps[NEAR_BEHIND]!;
    let free0 = 0;
    let free1 = 0;
    for (let i = 0; i < 64; i++) {
      const x = ((i & 3) - 1.5) * unit;
      const y = (((i >> 2) & 3) - 1.5) * unit;
      const z = ((i >> 4) - 1.5) * unit;
      const d = Z + R[2]! * x + R[5]! * y + R[8]! * z;
      if (d < unit) continue;
      const a = fx * (X + R[0]! * x + R[3]! * y + R[6]! * z) + cx * d;
      const b = fy * (Y + R[1]! * x + R[4]! * y + R[7]! * z) + cy * d;
      let level = 31 - Math.clz32(((fx * unit) / d) | 0);
      if (level < FINEST) level = FINEST;
      if (level > COARSEST) level = COARSEST;
      // The padding around a level is this many cells wide; beyond it nothing is in view.
      const out = (PAD - 1) << level;
      if (!(a > -out * d && b > -out * d && a < (this.#lastU + out) * d && b < (this.#lastV + out) * d))
        continue;
      const halfU = this.#steps[HALF_U]! / d;
      const halfV = this.#steps[HALF_V]! / d;
      const u = Math.min(Math.max(a / d, Math.min(a / d + halfU, 0)), Math.max(a / d - halfU, this.#lastU));
      const v = Math.min(Math.max(b / d, Math.min(b / d + halfV, 0)), Math.max(b / d - halfV, this.#lastV));
      const cell = origin[level]! + (v >> level) * pitch[level]! + (u >> level);
      const bit = (d + half - nearest[cell]!) >>> 31;
      if (i < 32) free0 |= bit << i;
      else free1 |= bit << (i - 32);
    }
    this.free0 = free0;
    this.free1 = free1;
  }
}

/** Moves a pixel outside 0 .. last to the border of the image, by `half` at most; without branches. */
function towardsImage(pixel: number, half: number, last: number): number {
  // max(pixel, min(pixel + half, 0)), then min(that, max(that - half, last)).
  let s = pixel + half;
  let t = pixel - (s & (s >> 31));
  const low = pixel - (t & (t >> 31));
  s = low - half - last;
  t = low - last - (s & ~(s >> 31));
  return low - (t & ~(t >> 31));
}
