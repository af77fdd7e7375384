import type { Pose, Quat } from "../geometry/optics.ts";
import { matrixInto } from "../geometry/rigid.ts";
import type { Matches } from "./normal-equations.ts";

/** Floats per surfel: mean point (3), unit normal (3), weight, number of samples, doubt about where it lies. */
export const SURFEL_FLOATS = 9;
/** Every voxel that has any has room for two: the two sides of a board, or the two walls of a corner. */
const PAIR_FLOATS = 2 * SURFEL_FLOATS;
/** Voxels along one side of a block. */
const SIDE = 8;
const BLOCK_VOXELS = SIDE ** 3;
const EMPTY = -1;
/** Blocks on either side of the origin that a key can name. */
const REACH_XY = 1024;
const REACH_Z = 512;
/** Cosine of the angle beyond which two normals are of different surfaces. */
const SAME_SURFACE = 0.8;

/** Squared sine of 17 degrees. */
const SQUARE_TO = 0.09;

/** Points and normals of one frame in the lens frame; the first `count` are valid. */
export interface Samples {
  count: number;
  /** (3 * count) metres. */
  readonly point: Float32Array;
  /** (3 * count) unit, towards the lens. */
  readonly normal: Float32Array;
  /** 1 / sigma^2 of the distance along the normal, 1 / m^2. */
  readonly weight: Float32Array;
}

/** Where the lens is: worldFromLens. Rotation (9) row-major, position (3) metres. */
export interface Placement {
  readonly rotation: Float64Array;
  readonly position: Float64Array;
}

/**
 * Small planes ("surfels") held per voxel of a sparse grid: the map that frames are registered against.
 *
 * A sample belongs to the surfel of its own voxel or to that of the next voxel along its normal, whichever is heavier:
 * otherwise a surface that lies on a boundary of voxels would be split by its noise into two, each following its own
 * half of the samples, and hold nothing. Blocks of voxels are found by hash, so cost does not grow with the map.
 */
export class SurfelMap {
  readonly voxelSize: number;
  /** Surfels are running means until this weight, then they follow slowly. */
  readonly #maxWeight: number;
  readonly #inverse: number;
  #hashKeys: Int32Array = new Int32Array(256).fill(EMPTY);
  #hashIds: Int32Array = new Int32Array(256);
  #blockKeys: Int32Array = new Int32Array(64);
  #blockCount = 0;
  /** (512 per block) pair number of each voxel plus one, 0 for none. */
  #pairOf: Int32Array = new Int32Array(64 * BLOCK_VOXELS);
  #pairCount = 0;
  #surfels: Float32Array = new Float32Array(1024 * PAIR_FLOATS);
  /** The block looked up last. */
  #lastKey = EMPTY;
  #lastBlock = -1;

  /** @throws {RangeError} if a number is not above 0 */
  constructor(voxelSize: number, maxWeight: number) {
    if (!(voxelSize > 0 && maxWeight > 0)) {
      throw new RangeError(`voxel size ${voxelSize} m, largest weight ${maxWeight}: both must be above 0`);
    }
    this.voxelSize = voxelSize;
    this.#maxWeight = maxWeight;
    this.#inverse = 1 / voxelSize;
  }

  /** Voxels that hold anything. */
  get count(): number {
    return this.#pairCount;
  }

  get byteSize(): number {
    const { byteLength } = this.#surfels;
    return byteLength + this.#pairOf.byteLength + 8 * this.#hashKeys.length + 4 * this.#blockKeys.length;
  }

  clear(): void {
    this.#hashKeys.fill(EMPTY);
    this.#pairOf.fill(0, 0, this.#blockCount * BLOCK_VOXELS);
    this.#blockCount = 0;
    this.#pairCount = 0;
    this.#lastKey = EMPTY;
    this.#lastBlock = -1;
  }

  /** Calls `visit` with each surfel's numbers; the array is reused. */
  forEach(visit: (surfel: Float32Array) => void): void {
    for (let at = 0; at < this.#pairCount * PAIR_FLOATS; at += SURFEL_FLOATS) {
      if (this.#surfels[at + 6]! > 0) visit(this.#surfels.subarray(at, at + SURFEL_FLOATS));
    }
  }

  /**
   * Finds for every `stride`-th sample the surfel that it lies on.
   *
   * @param out  receives points relative to the lens position, in world axes; sample weights; the surfels' planes
   * @param gate metres: farther from its surfel's plane a sample is not matched
   * @returns how many samples were asked
   */
  match(out: Matches, samples: Samples, at: Placement, gate: number, stride: number, first = 0): number {
    const { point, normal, weight, count } = samples;
    const R = at.rotation;
    const [r0, r1, r2] = [R[0]!, R[1]!, R[2]!];
    const [r3, r4, r5] = [R[3]!, R[4]!, R[5]!];
    const [r6, r7, r8] = [R[6]!, R[7]!, R[8]!];
    const [tx, ty, tz] = [at.position[0]!, at.position[1]!, at.position[2]!];
    let found = 0;
    let asked = 0;
    let total = 0;
    let scatter = 0;
    let youth = 0;
    for (let i = first; i < count; i += stride) {
      const k = 3 * i;
      asked++;
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
    return asked;
  }

  /**
   * Adds samples to the map.
   * @param reach metres: a sample within this of a surfel's plane becomes part of it
   * @param free  (3 * n) unit axes along which the placement is unsure: only samples whose normal is square to them all,
   *              within 17 degrees, are added, since they alone do not depend on it; null to add all
   * @param doubt metres, 1 sigma: how far off the world's origin the placement may be
   */
  fuse(samples: Samples, at: Placement, reach: number, free: Float64Array | null = null, doubt = 0): void {
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
   * How many points lie on surfels when their frame stands at a position.
   *
   * @param point  (3 * count) relative to the position, in world axes
   * @param normal (3 * count) world axes
   */
  countOn(
    point: Float32Array,
    normal: Float32Array,
    count: number,
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
    const used = this.#pairCount * PAIR_FLOATS;
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
    // The next voxel across the nearer face, along the axis that the normal is closest to.
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

  /** The surfel of a voxel with about this normal, or -1. */
  #compatible(i: number, j: number, k: number, nx: number, ny: number, nz: number): number {
    const block = this.#find(i >> 3, j >> 3, k >> 3);
    if (block < 0) return -1;
    const pair = this.#pairOf[block * BLOCK_VOXELS + (((k & 7) << 6) | ((j & 7) << 3) | (i & 7))]!;
    if (pair === 0) return -1;
    const f = this.#surfels;
    const s = (pair - 1) * PAIR_FLOATS;
    const first = nx * f[s + 3]! + ny * f[s + 4]! + nz * f[s + 5]!;
    const t = s + SURFEL_FLOATS;
    const second = nx * f[t + 3]! + ny * f[t + 4]! + nz * f[t + 5]!; // 0 when there is none
    if (first >= second) return first > SAME_SURFACE ? s : -1;
    return second > SAME_SURFACE ? t : -1;
  }

  /** Room for a new surfel in the voxel around a point, taking the lighter one's if both are used; -1 out of reach. */
  #make(x: number, y: number, z: number): number {
    const inverse = this.#inverse;
    const i = Math.floor(x * inverse);
    const j = Math.floor(y * inverse);
    const k = Math.floor(z * inverse);
    const block = this.#findOrAdd(i >> 3, j >> 3, k >> 3);
    if (block < 0) return -1;
    const place = block * BLOCK_VOXELS + (((k & 7) << 6) | ((j & 7) << 3) | (i & 7));
    let pair = this.#pairOf[place]!;
    if (pair === 0) {
      pair = ++this.#pairCount;
      if (pair * PAIR_FLOATS > this.#surfels.length) this.#surfels = wider(this.#surfels);
      this.#pairOf[place] = pair;
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

  #find(bx: number, by: number, bz: number): number {
    const key = (bx + REACH_XY) | ((by + REACH_XY) << 11) | ((bz + REACH_Z) << 22);
    if (key === this.#lastKey) return this.#lastBlock;
    this.#lastKey = key;
    this.#lastBlock = this.#lookUp(key);
    return this.#lastBlock;
  }

  #lookUp(key: number): number {
    const keys = this.#hashKeys;
    const mask = keys.length - 1;
    for (let place = Math.imul(key, 0x9e3779b1) >>> 8; ; place++) {
      const there = keys[place & mask]!;
      if (there === key) return this.#hashIds[place & mask]!;
      if (there === EMPTY) return -1;
    }
  }

  #findOrAdd(bx: number, by: number, bz: number): number {
    const inReach =
      bx >= -REACH_XY &&
      bx < REACH_XY &&
      by >= -REACH_XY &&
      by < REACH_XY &&
      bz >= -REACH_Z &&
      bz < REACH_Z - 1;
    if (!inReach) return -1;
    const found = this.#find(bx, by, bz);
    if (found >= 0) return found;
    const key = this.#lastKey;
    const id = this.#blockCount++;
    if (id === this.#blockKeys.length) {
      this.#blockKeys = wider(this.#blockKeys);
      this.#pairOf = wider(this.#pairOf);
    }
    this.#blockKeys[id] = key;
    if (2 * this.#blockCount > this.#hashKeys.length) {
      this.#hashKeys = new Int32Array(2 * this.#hashKeys.length).fill(EMPTY);
      this.#hashIds = new Int32Array(this.#hashKeys.length);
      for (let b = 0; b < id; b++) this.#place(this.#blockKeys[b]!, b);
    }
    this.#place(key, id);
    this.#lastBlock = id;
    return id;
  }

  #place(key: number, id: number): void {
    const mask = this.#hashKeys.length - 1;
    let place = Math.imul(key, 0x9e3779b1) >>> 8;
    while (this.#hashKeys[place & mask] !== EMPTY) place++;
    this.#hashKeys[place & mask] = key;
    this.#hashIds[place & mask] = id;
  }
}

function wider<T extends Int32Array | Float32Array>(from: T): T {
  const out = new (from.constructor as new (length: number) => T)(2 * from.length);
  out.set(from);
  return out;
}

export function placement(): Placement {
  return { rotation: new Float64Array(9), position: new Float64Array(3) };
}

/** Writes a pose as rotation matrix and position. */
export function setPlacement(out: Placement, { rotation: [x, y, z, w], position }: Pose): void {
  matrixInto(out.rotation, x, y, z, w);
  out.position.set(position);
}

/** The pose of a rotation matrix and position. Source: Shepperd 1978, the largest component first. */
export function poseOf({ rotation: R, position }: Placement): Pose {
  const [a, b, c] = [R[0]!, R[4]!, R[8]!];
  let q: Quat;
  if (a + b + c > 0) {
    const s = 2 * Math.sqrt(1 + a + b + c);
    q = [(R[7]! - R[5]!) / s, (R[2]! - R[6]!) / s, (R[3]! - R[1]!) / s, s / 4];
  } else if (a > b && a > c) {
    const s = 2 * Math.sqrt(1 + a - b - c);
    q = [s / 4, (R[1]! + R[3]!) / s, (R[2]! + R[6]!) / s, (R[7]! - R[5]!) / s];
  } else if (b > c) {
    const s = 2 * Math.sqrt(1 + b - a - c);
    q = [(R[1]! + R[3]!) / s, s / 4, (R[5]! + R[7]!) / s, (R[2]! - R[6]!) / s];
  } else {
    const s = 2 * Math.sqrt(1 + c - a - b);
    q = [(R[2]! + R[6]!) / s, (R[5]! + R[7]!) / s, s / 4, (R[3]! - R[1]!) / s];
  }
  const norm = Math.hypot(...q);
  return {
    rotation: [q[0] / norm, q[1] / norm, q[2] / norm, q[3] / norm],
    position: [position[0]!, position[1]!, position[2]!],
  };
}
