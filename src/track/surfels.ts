import type { Matches } from "./matches.ts";
import type { Placement } from "./placement.ts";
import type { Samples } from "./samples.ts";
import { doubled, VoxelIndex } from "./voxel-index.ts";

/** Floats per surfel: mean point (3), unit normal (3), weight, number of samples, doubt about its position in metres. */
export const SURFEL_FLOATS = 9;
/** Every occupied voxel has room for two surfels: the two sides of a board, or the two walls of a corner. */
const PAIR_FLOATS = 2 * SURFEL_FLOATS;
/** Least cosine between normals of one surface: 37 degrees. Chosen by hand. */
const SAME_SURFACE = 0.8;
/** Squared sine of 17 degrees: a surface whose normal is this close to perpendicular to an axis does not depend on the position along it. Chosen by hand. */
const SQUARE_TO = 0.09;

export interface MatchOptions {
  /** Metres: a sample farther from its surfel's plane is not matched. */
  readonly gate: number;
  /** Every `stride`-th sample is used, beginning with number `first` (default 0). */
  readonly stride: number;
  readonly first?: number;
}

export interface FuseOptions {
  /** Metres: a sample within this distance of a surfel's plane is fused into it. Half a voxel by default. */
  readonly reach?: number;
  /**
   * (3 * n) unit axes along which the placement is uncertain. Only samples whose normals are perpendicular to all of them, within 17 degrees,
   * are added, because only they do not depend on it. Null, the default, adds all.
   */
  readonly free?: Float64Array | null;
  /** Metres, 1 sigma: error of the placement against the world's origin; 0 by default. */
  readonly doubt?: number;
}

/**
 * The map that frames are registered against: small planes ("surfels") in the voxels of a sparse grid.
 *
 * A sample belongs to the surfel of its own voxel or to that of the next voxel along its normal, whichever has more weight. Otherwise noise
 * would split a surface on a voxel boundary into two surfels. Each would follow its own half of the samples, and constrain nothing.
 *
 * The private methods take numbers, not objects: they run once or more per sample.
 */
export class SurfelMap {
  readonly voxelSize: number;
  /** Surfels are plain means up to this weight, then running means that forget slowly. */
  readonly #maxWeight: number;
  readonly #inverse: number;
  /** The pair of surfels of voxel number n begins at (n - 1) * PAIR_FLOATS. */
  readonly #voxels = new VoxelIndex();
  #surfels: Float32Array = new Float32Array(1024 * PAIR_FLOATS);

  /** @throws {RangeError} if a number is not above 0 */
  constructor(voxelSize: number, maxWeight: number) {
    if (!(voxelSize > 0 && maxWeight > 0)) {
      throw new RangeError(`voxel size ${voxelSize} m, largest weight ${maxWeight}: both must be above 0`);
    }
    this.voxelSize = voxelSize;
    this.#maxWeight = maxWeight;
    this.#inverse = 1 / voxelSize;
  }

  /** Number of occupied voxels. */
  get count(): number {
    return this.#voxels.count;
  }

  clear(): void {
    this.#voxels.clear();
  }

  /** All surfels, SURFEL_FLOATS numbers each. */
  toFloats(): Float32Array {
    const out: number[] = [];
    this.forEach((surfel) => {
      for (const value of surfel) out.push(value);
    });
    return Float32Array.from(out);
  }

  /** Adds surfels that `toFloats` gave. A mean that has moved into another voxel is now there. */
  addFloats(floats: Float32Array): void {
    for (let at = 0; at + SURFEL_FLOATS <= floats.length; at += SURFEL_FLOATS) {
      const s = this.#make(floats[at]!, floats[at + 1]!, floats[at + 2]!);
      if (s >= 0) this.#surfels.set(floats.subarray(at, at + SURFEL_FLOATS), s);
    }
  }

  /** Keeps the surfels that `keeps` says yes to; it is asked in the order of `forEach`. */
  filter(keeps: (surfel: Float32Array) => boolean): void {
    this.forEach((surfel) => {
      if (!keeps(surfel)) surfel.fill(0);
    });
  }

  /** Calls `visit` with each surfel's numbers; the array is reused. */
  forEach(visit: (surfel: Float32Array) => void): void {
    for (let at = 0; at < this.count * PAIR_FLOATS; at += SURFEL_FLOATS) {
      if (this.#surfels[at + 6]! > 0) visit(this.#surfels.subarray(at, at + SURFEL_FLOATS));
    }
  }

  /**
   * Finds the surfels that samples lie on.
   * @param out receives points relative to the lens position, in world axes; sample weights; the surfels' planes
   */
  match(out: Matches, samples: Samples, at: Placement, options: MatchOptions): void {
    const { gate, stride, first = 0 } = options;
    const { point, normal, weight, count } = samples;
    const R = at.rotation;
    const [r0, r1, r2] = [R[0]!, R[1]!, R[2]!];
    const [r3, r4, r5] = [R[3]!, R[4]!, R[5]!];
    const [r6, r7, r8] = [R[6]!, R[7]!, R[8]!];
    const [tx, ty, tz] = [at.position[0]!, at.position[1]!, at.position[2]!];
    let found = 0;
    let total = 0;
    let scatter = 0;
    let youth = 0;
    for (let i = first; i < count; i += stride) {
      const k = 3 * i;
      const a = normal[k]!;
      const b = normal[k + 1]!;
      const c = normal[k + 2]!;
      const x = point[k]!;
      const y = point[k + 1]!;
      const z = point[k + 2]!;
      const px = r0 * x + r1 * y + r2 * z;
      const py = r3 * x + r4 * y + r5 * z;
      const pz = r6 * x + r7 * y + r8 * z;
      const nx = r0 * a + r1 * b + r2 * c;
      const ny = r3 * a + r4 * b + r5 * c;
      const nz = r6 * a + r7 * b + r8 * c;
      const s = this.#pick(px + tx, py + ty, pz + tz, nx, ny, nz);
      if (s < 0) continue;
      const surfels = this.#surfels;
      const mx = surfels[s + 3]!;
      const my = surfels[s + 4]!;
      const mz = surfels[s + 5]!;
      const residual =
        mx * (px + tx - surfels[s]!) + my * (py + ty - surfels[s + 1]!) + mz * (pz + tz - surfels[s + 2]!);
      if (!(residual <= gate && residual >= -gate)) continue;
      const o = 3 * found;
      out.point[o] = px;
      out.point[o + 1] = py;
      out.point[o + 2] = pz;
      out.normal[o] = mx;
      out.normal[o + 1] = my;
      out.normal[o + 2] = mz;
      out.residual[found] = residual;
      out.doubt[found] = surfels[s + 8]!;
      const w = weight[i]!;
      out.weight[found] = w;
      total += w;
      scatter += w * (1 - nx * mx - ny * my - nz * mz);
      youth += w / surfels[s + 7]!;
      found++;
    }
    out.count = found;
    out.scatter = total > 0 ? scatter / total : 0;
    out.youth = total > 0 ? youth / total : 1;
  }

  /** Adds samples to the map. */
  fuse(samples: Samples, at: Placement, options: FuseOptions = {}): void {
    const { reach = this.voxelSize / 2, free = null, doubt = 0 } = options;
    const { point, normal, weight, count } = samples;
    const R = at.rotation;
    const [r0, r1, r2] = [R[0]!, R[1]!, R[2]!];
    const [r3, r4, r5] = [R[3]!, R[4]!, R[5]!];
    const [r6, r7, r8] = [R[6]!, R[7]!, R[8]!];
    const [tx, ty, tz] = [at.position[0]!, at.position[1]!, at.position[2]!];
    for (let i = 0, k = 0; i < count; i++, k += 3) {
      const a = normal[k]!;
      const b = normal[k + 1]!;
      const c = normal[k + 2]!;
      const u = point[k]!;
      const v = point[k + 1]!;
      const w = point[k + 2]!;
      const x = r0 * u + r1 * v + r2 * w + tx;
      const y = r3 * u + r4 * v + r5 * w + ty;
      const z = r6 * u + r7 * v + r8 * w + tz;
      const nx = r0 * a + r1 * b + r2 * c;
      const ny = r3 * a + r4 * b + r5 * c;
      const nz = r6 * a + r7 * b + r8 * c;
      if (free !== null) {
        let share = 0;
        for (let a = 0; a < free.length; a += 3) {
          const along = nx * free[a]! + ny * free[a + 1]! + nz * free[a + 2]!;
          share += along * along;
        }
        if (share > SQUARE_TO) continue;
      }
      let s = this.#pick(x, y, z, nx, ny, nz);
      if (s >= 0) {
        const f = this.#surfels;
        const off = f[s + 3]! * (x - f[s]!) + f[s + 4]! * (y - f[s + 1]!) + f[s + 5]! * (z - f[s + 2]!);
        if (off > reach || off < -reach) continue; // another surface in the same voxel
      } else {
        s = this.#make(x, y, z);
        if (s < 0) continue;
      }
      this.#add(s, x, y, z, nx, ny, nz, weight[i]!, doubt);
    }
  }

  /**
   * Counts the points that lie on surfels with the frame at a position. It takes numbers, not objects: a search calls it thousands of times.
   *
   * @param point  (3 * count) relative to the position, in world axes
   * @param normal (3 * count) world axes
   * @param gate   metres: a point farther from its surfel's plane does not lie on it
   */
  countOn(
    { point, normal, count }: Pick<Samples, "point" | "normal" | "count">,
    x: number,
    y: number,
    z: number,
    gate: number,
  ): number {
    let on = 0;
    for (let k = 0; k < 3 * count; k += 3) {
      const px = point[k]! + x;
      const py = point[k + 1]! + y;
      const pz = point[k + 2]! + z;
      const s = this.#pick(px, py, pz, normal[k]!, normal[k + 1]!, normal[k + 2]!);
      if (s < 0) continue;
      const f = this.#surfels;
      const off = f[s + 3]! * (px - f[s]!) + f[s + 4]! * (py - f[s + 1]!) + f[s + 5]! * (pz - f[s + 2]!);
      if (off <= gate && off >= -gate) on++;
    }
    return on;
  }

  /** Turns and moves the whole map: every surfel goes to `rotation * (p - centre) + centre`. */
  turn(rotation: Float64Array, centre: ArrayLike<number>): void {
    const used = this.count * PAIR_FLOATS;
    const old = this.#surfels.slice(0, used);
    const R = rotation;
    const [cx, cy, cz] = [centre[0]!, centre[1]!, centre[2]!];
    this.clear();
    for (let o = 0; o < used; o += SURFEL_FLOATS) {
      if (old[o + 6] === 0) continue;
      const [px, py, pz] = [old[o]! - cx, old[o + 1]! - cy, old[o + 2]! - cz];
      const [a, b, c] = [old[o + 3]!, old[o + 4]!, old[o + 5]!];
      const x = R[0]! * px + R[1]! * py + R[2]! * pz + cx;
      const y = R[3]! * px + R[4]! * py + R[5]! * pz + cy;
      const z = R[6]! * px + R[7]! * py + R[8]! * pz + cz;
      const nx = R[0]! * a + R[1]! * b + R[2]! * c;
      const ny = R[3]! * a + R[4]! * b + R[5]! * c;
      const nz = R[6]! * a + R[7]! * b + R[8]! * c;
      const there = this.#compatibleAt(x, y, z, nx, ny, nz);
      const s = there >= 0 ? there : this.#make(x, y, z);
      if (s < 0) continue;
      const samples = this.#surfels[s + 7]! + old[o + 7]!;
      this.#add(s, x, y, z, nx, ny, nz, old[o + 6]!, old[o + 8]!);
      this.#surfels[s + 7] = samples;
    }
  }

  #compatibleAt(x: number, y: number, z: number, nx: number, ny: number, nz: number): number {
    const inverse = this.#inverse;
    const [i, j, k] = [Math.floor(x * inverse), Math.floor(y * inverse), Math.floor(z * inverse)];
    return this.#compatible(i, j, k, nx, ny, nz);
  }

  /** Index of the surfel that a sample belongs to, or -1. */
  #pick(x: number, y: number, z: number, nx: number, ny: number, nz: number): number {
    const inverse = this.#inverse;
    const fx = x * inverse;
    const fy = y * inverse;
    const fz = z * inverse;
    const i = Math.floor(fx);
    const j = Math.floor(fy);
    const k = Math.floor(fz);
    const own = this.#compatible(i, j, k, nx, ny, nz);
    // The neighbour across the nearer face, along the axis that is closest to the normal.
    const ax = Math.abs(nx);
    const ay = Math.abs(ny);
    const az = Math.abs(nz);
    let next: number;
    if (az >= ax && az >= ay) next = this.#compatible(i, j, fz - k < 0.5 ? k - 1 : k + 1, nx, ny, nz);
    else if (ax >= ay) next = this.#compatible(fx - i < 0.5 ? i - 1 : i + 1, j, k, nx, ny, nz);
    else next = this.#compatible(i, fy - j < 0.5 ? j - 1 : j + 1, k, nx, ny, nz);
    if (own < 0) return next;
    return next >= 0 && this.#surfels[next + 6]! > this.#surfels[own + 6]! ? next : own;
  }

  /** The surfel of a voxel with a similar normal, or -1. */
  #compatible(i: number, j: number, k: number, nx: number, ny: number, nz: number): number {
    const pair = this.#voxels.find(i, j, k);
    if (pair === 0) return -1;
    const f = this.#surfels;
    const s = (pair - 1) * PAIR_FLOATS;
    const first = nx * f[s + 3]! + ny * f[s + 4]! + nz * f[s + 5]!;
    const t = s + SURFEL_FLOATS;
    const second = nx * f[t + 3]! + ny * f[t + 4]! + nz * f[t + 5]!; // 0 when there is none
    if (first >= second) return first > SAME_SURFACE ? s : -1;
    return second > SAME_SURFACE ? t : -1;
  }

  /** Index for a new surfel in the voxel around a point. If both are used it replaces the one with less weight. -1 beyond the grid's range. */
  #make(x: number, y: number, z: number): number {
    const inverse = this.#inverse;
    const i = Math.floor(x * inverse);
    const j = Math.floor(y * inverse);
    const k = Math.floor(z * inverse);
    const before = this.#voxels.count;
    const pair = this.#voxels.add(i, j, k);
    if (pair === 0) return -1;
    if (pair > before) {
      if (pair * PAIR_FLOATS > this.#surfels.length) this.#surfels = doubled(this.#surfels);
      this.#surfels.fill(0, (pair - 1) * PAIR_FLOATS, pair * PAIR_FLOATS);
    }
    const f = this.#surfels;
    const s = (pair - 1) * PAIR_FLOATS;
    if (f[s + 6] === 0) return s;
    const t = s + SURFEL_FLOATS;
    const lighter = f[t + 6]! <= f[s + 6]! ? t : s;
    f.fill(0, lighter, lighter + SURFEL_FLOATS);
    return lighter;
  }

  #add(
    s: number,
    x: number,
    y: number,
    z: number,
    nx: number,
    ny: number,
    nz: number,
    weight: number,
    doubt: number,
  ): void {
    const f = this.#surfels;
    const before = f[s + 6]!;
    f[s + 8] = before > 0 ? Math.min(f[s + 8]!, doubt) : doubt;
    const share = weight / (before + weight);
    f[s]! += share * (x - f[s]!);
    f[s + 1]! += share * (y - f[s + 1]!);
    f[s + 2]! += share * (z - f[s + 2]!);
    const mx = f[s + 3]! + share * (nx - f[s + 3]!);
    const my = f[s + 4]! + share * (ny - f[s + 4]!);
    const mz = f[s + 5]! + share * (nz - f[s + 5]!);
    const norm = 1 / Math.sqrt(mx * mx + my * my + mz * mz);
    f[s + 3] = mx * norm;
    f[s + 4] = my * norm;
    f[s + 5] = mz * norm;
    f[s + 6] = Math.min(before + weight, this.#maxWeight);
    f[s + 7]! += 1;
  }
}
