import { atan2Of, cosOf, hypot2, lengthOf, sinOf, square } from "./elementary.ts";
import type { Pose, Quat, Vec3 } from "./optics.ts";

/** Largest system these solvers take. They are for the handful of unknowns of a pose or a plane. */
const MAX_SIZE = 8;

const scratch = new Float64Array(MAX_SIZE * MAX_SIZE);

function checkSize(n: number, length: number): void {
  if (!(Number.isInteger(n) && n >= 1 && n <= MAX_SIZE)) {
    throw new RangeError(`system of ${n} unknowns; 1 to ${MAX_SIZE} are supported`);
  }
  if (length < n * n) throw new RangeError(`matrix has ${length} values, ${n} unknowns need ${n * n}`);
}

/**
 * Solves `a x = b` for symmetric positive definite `a` by L D L^T without square roots.
 *
 * @param x receives the solution (n); may be `b` itself
 * @param a (n * n) row-major; only the lower triangle is read, nothing is written
 * @returns false, leaving `x` as it was, when a pivot falls below 1e-13 of its own diagonal entry: the equations
 *          do not determine x
 * @throws {RangeError} if n is not 1 to 8 or an array is too short
 * Source: Golub & Van Loan, Matrix Computations, 4.1.
 */
export function solveSymmetric(x: Float64Array, a: Float64Array, b: ArrayLike<number>, n: number): boolean {
  checkSize(n, a.length);
  if (x.length < n || b.length < n)
    throw new RangeError(`x has ${x.length}, b ${b.length} values, need ${n}`);
  const l = scratch; // strict lower triangle: L; diagonal: D
  for (let j = 0; j < n; j++) {
    let d = a[j * n + j]!;
    for (let k = 0; k < j; k++) d -= square(l[j * n + k]!) * l[k * n + k]!;
    if (!(d > 1e-13 * a[j * n + j]!)) return false;
    l[j * n + j] = d;
    for (let i = j + 1; i < n; i++) {
      let s = a[i * n + j]!;
      for (let k = 0; k < j; k++) s -= l[i * n + k]! * l[j * n + k]! * l[k * n + k]!;
      l[i * n + j] = s / d;
    }
  }
  for (let i = 0; i < n; i++) {
    let s = b[i]!;
    for (let k = 0; k < i; k++) s -= l[i * n + k]! * x[k]!;
    x[i] = s;
  }
  for (let i = n - 1; i >= 0; i--) {
    let s = x[i]! / l[i * n + i]!;
    for (let k = i + 1; k < n; k++) s -= l[k * n + i]! * x[k]!;
    x[i] = s;
  }
  return true;
}

/**
 * Eigenvalues and unit eigenvectors of a symmetric matrix by cyclic Jacobi rotations.
 *
 * @param values  receives n eigenvalues, ascending
 * @param vectors receives n * n values: the eigenvector of `values[k]` is `vectors[k * n .. k * n + n - 1]`
 * @param a       (n * n) row-major, symmetric; only the upper triangle is read, nothing is written
 * @throws {RangeError} if n is not 1 to 8, an array is too short or a value is not finite
 * Source: Golub & Van Loan, Matrix Computations, 8.5.
 */
export function eigenSymmetric(
  values: Float64Array,
  vectors: Float64Array,
  a: ArrayLike<number>,
  n: number,
): void {
  checkSize(n, Math.min(a.length, vectors.length));
  if (values.length < n) throw new RangeError(`values has ${values.length} entries, need ${n}`);
  const m = scratch;
  let scale = 0;
  for (let i = 0; i < n; i++) {
    for (let j = 0; j < n; j++) {
      const value = i <= j ? a[i * n + j]! : a[j * n + i]!;
      if (!Number.isFinite(value)) throw new RangeError(`matrix entry (${i}, ${j}) is ${value}`);
      m[i * n + j] = value;
      vectors[i * n + j] = i === j ? 1 : 0;
      scale += value * value;
    }
  }
  for (let sweep = 0; sweep < 60; sweep++) {
    let off = 0;
    for (let i = 0; i < n; i++) for (let j = i + 1; j < n; j++) off += square(m[i * n + j]!);
    if (off <= 1e-34 * scale) break;
    for (let p = 0; p < n; p++) for (let q = p + 1; q < n; q++) rotate(m, vectors, n, p, q);
  }
  for (let k = 0; k < n; k++) values[k] = m[k * n + k]!;
  // Insertion sort, vectors along with their values.
  for (let k = 1; k < n; k++) {
    for (let i = k; i > 0 && values[i - 1]! > values[i]!; i--) {
      swap(values, i - 1, i);
      for (let c = 0; c < n; c++) swap(vectors, (i - 1) * n + c, i * n + c);
    }
  }
}

function swap(array: Float64Array, i: number, j: number): void {
  const kept = array[i]!;
  array[i] = array[j]!;
  array[j] = kept;
}

/** One Jacobi rotation: makes m[p, q] zero. Rows of `vectors` turn along. */
function rotate(m: Float64Array, vectors: Float64Array, n: number, p: number, q: number): void {
  const apq = m[p * n + q]!;
  if (apq === 0) return;
  const theta = (m[q * n + q]! - m[p * n + p]!) / (2 * apq);
  const t = (theta >= 0 ? 1 : -1) / (Math.abs(theta) + Math.sqrt(theta * theta + 1));
  const c = 1 / Math.sqrt(t * t + 1);
  const s = t * c;
  for (let k = 0; k < n; k++) {
    const kp = m[k * n + p]!;
    const kq = m[k * n + q]!;
    m[k * n + p] = c * kp - s * kq;
    m[k * n + q] = s * kp + c * kq;
  }
  for (let k = 0; k < n; k++) {
    const pk = m[p * n + k]!;
    const qk = m[q * n + k]!;
    m[p * n + k] = c * pk - s * qk;
    m[q * n + k] = s * pk + c * qk;
    const vp = vectors[p * n + k]!;
    const vq = vectors[q * n + k]!;
    vectors[p * n + k] = c * vp - s * vq;
    vectors[q * n + k] = s * vp + c * vq;
  }
}

/** The plane `normal . point = offset`; `rms` is the root mean square distance of the points it was fitted to. */
export interface Plane {
  readonly normal: Vec3;
  readonly offset: number;
  readonly rms: number;
}

/**
 * Total least squares plane through points: the direction in which they spread least.
 *
 * @param points x, y, z triples; the unit of `offset` and `rms`
 * @param count  how many of them to use
 * @returns the plane, its normal's sign such that its largest component is positive; or null when the points lie
 *          on a line or in one spot, so that no plane is better than another
 * @throws {RangeError} if `points` is shorter than 3 * count or a value is not finite
 * Source: Pearson 1901; the eigenvector of the smallest eigenvalue of the scatter matrix.
 */
export function fitPlane(points: ArrayLike<number>, count = Math.floor(points.length / 3)): Plane | null {
  if (points.length < 3 * count) throw new RangeError(`${points.length} values are not ${count} points`);
  if (count < 3) return null;
  let mx = 0;
  let my = 0;
  let mz = 0;
  for (let i = 0; i < 3 * count; i += 3) {
    mx += points[i]!;
    my += points[i + 1]!;
    mz += points[i + 2]!;
  }
  mx /= count;
  my /= count;
  mz /= count;
  const s = new Float64Array(9);
  for (let i = 0; i < 3 * count; i += 3) {
    const x = points[i]! - mx;
    const y = points[i + 1]! - my;
    const z = points[i + 2]! - mz;
    s[0]! += x * x;
    s[1]! += x * y;
    s[2]! += x * z;
    s[4]! += y * y;
    s[5]! += y * z;
    s[8]! += z * z;
  }
  const values = new Float64Array(3);
  const v = new Float64Array(9);
  eigenSymmetric(values, v, s, 3);
  if (!(values[1]! > 1e-12 * values[2]!)) return null;
  const [x, y, z] = [v[0]!, v[1]!, v[2]!];
  const largest =
    Math.abs(x) > Math.abs(y) ? (Math.abs(x) > Math.abs(z) ? x : z) : Math.abs(y) > Math.abs(z) ? y : z;
  const sign = largest < 0 ? -1 : 1;
  const normal: Vec3 = [sign * x, sign * y, sign * z];
  return {
    normal,
    offset: normal[0] * mx + normal[1] * my + normal[2] * mz,
    rms: Math.sqrt(Math.max(values[0]!, 0) / count),
  };
}

/**
 * The rigid motion that brings `source` onto `target` with the least sum of squared distances. Always a proper
 * rotation, also for planar or mirrored points; when the points leave a rotation free (they lie on a line), the
 * smallest rotation is taken.
 *
 * @param source x, y, z triples
 * @param target as many triples, in the same order
 * @returns targetFromSource, and the root mean square distance that remains
 * @throws {RangeError} if the lengths differ or there is no point
 * Source: Horn 1987, Closed-form solution of absolute orientation using unit quaternions.
 */
export function alignRigid(
  source: ArrayLike<number>,
  target: ArrayLike<number>,
): { readonly pose: Pose; readonly rms: number } {
  const n = source.length / 3;
  if (source.length !== target.length || n < 1 || !Number.isInteger(n)) {
    throw new RangeError(`cannot align ${source.length} with ${target.length} coordinates`);
  }
  const ms = [0, 0, 0];
  const mt = [0, 0, 0];
  for (let i = 0; i < source.length; i++) {
    ms[i % 3]! += source[i]! / n;
    mt[i % 3]! += target[i]! / n;
  }
  const m = new Float64Array(9); // sum of source * target^T about their means
  for (let i = 0; i < source.length; i += 3) {
    for (let r = 0; r < 3; r++) {
      for (let c = 0; c < 3; c++) m[3 * r + c]! += (source[i + r]! - ms[r]!) * (target[i + c]! - mt[c]!);
    }
  }
  const [xx = 0, xy = 0, xz = 0, yx = 0, yy = 0, yz = 0, zx = 0, zy = 0, zz = 0] = m;
  // Horn's N, with the scalar part last as everywhere here.
  const k = Float64Array.of(
    ...[xx - yy - zz, xy + yx, zx + xz, yz - zy],
    ...[xy + yx, yy - xx - zz, yz + zy, zx - xz],
    ...[zx + xz, yz + zy, zz - xx - yy, xy - yx],
    ...[yz - zy, zx - xz, xy - yx, xx + yy + zz],
  );
  const q = nearestToIdentity(k);
  const rotated = applyQuat(q, ms[0]!, ms[1]!, ms[2]!);
  const position: Vec3 = [mt[0]! - rotated[0], mt[1]! - rotated[1], mt[2]! - rotated[2]];
  let sum = 0;
  for (let i = 0; i < source.length; i += 3) {
    const p = applyQuat(q, source[i]!, source[i + 1]!, source[i + 2]!);
    for (let c = 0; c < 3; c++) sum += square(p[c]! + position[c]! - target[i + c]!);
  }
  return { pose: { rotation: q, position }, rms: Math.sqrt(sum / n) };
}

/**
 * The unit quaternion that maximises q^T k q; among equals, the one nearest to no rotation.
 * @param k (4 * 4) symmetric
 */
export function nearestToIdentity(k: Float64Array): Quat {
  const values = new Float64Array(4);
  const v = new Float64Array(16);
  eigenSymmetric(values, v, k, 4);
  const slack = 1e-12 * Math.max(Math.abs(values[0]!), Math.abs(values[3]!));
  // The identity (0, 0, 0, 1) projected on the space of the largest eigenvalue.
  let q: [number, number, number, number] = [0, 0, 0, 0];
  for (let e = 3; e >= 0 && values[e]! >= values[3]! - slack; e--) {
    for (let c = 0; c < 4; c++) q[c]! += v[4 * e + 3]! * v[4 * e + c]!;
  }
  if (lengthOf(q) < 1e-9) q = [v[12]!, v[13]!, v[14]!, v[15]!]; // a half turn
  const norm = lengthOf(q);
  return [q[0] / norm, q[1] / norm, q[2] / norm, q[3] / norm];
}

function applyQuat([qx, qy, qz, qw]: Quat, x: number, y: number, z: number): Vec3 {
  const tx = 2 * (qy * z - qz * y);
  const ty = 2 * (qz * x - qx * z);
  const tz = 2 * (qx * y - qy * x);
  return [x + qw * tx + qy * tz - qz * ty, y + qw * ty + qz * tx - qx * tz, z + qw * tz + qx * ty - qy * tx];
}

/** `target = scale * turn(yaw) * source + (x, y)`; `meanSquare` is the mean squared distance that remains. */
export interface PlanarAlignment {
  readonly scale: number;
  readonly yaw: number;
  readonly x: number;
  readonly y: number;
  readonly meanSquare: number;
}

/**
 * The planar motion that brings `source` onto `target` with the least mean squared distance; never a mirror image.
 *
 * @param source x, y pairs
 * @param target as many pairs, in the same order
 * @param scaled whether the scale is free; else it is 1
 * @throws {RangeError} if the lengths differ or there is no point
 * Source: Umeyama 1991, for two dimensions, where the rotation has a closed form.
 */
export function alignPlanar(
  source: ArrayLike<number>,
  target: ArrayLike<number>,
  scaled = false,
): PlanarAlignment {
  const n = source.length / 2;
  if (source.length !== target.length || n < 1 || !Number.isInteger(n)) {
    throw new RangeError(`cannot align ${source.length} with ${target.length} coordinates`);
  }
  const m = [0, 0, 0, 0];
  for (let i = 0; i < source.length; i += 2) {
    m[0]! += source[i]! / n;
    m[1]! += source[i + 1]! / n;
    m[2]! += target[i]! / n;
    m[3]! += target[i + 1]! / n;
  }
  const [sx, sy, tx, ty] = m as [number, number, number, number];
  let dot = 0;
  let cross = 0;
  let spread = 0;
  let targetSpread = 0;
  for (let i = 0; i < source.length; i += 2) {
    const [a, b, c, d] = [source[i]! - sx, source[i + 1]! - sy, target[i]! - tx, target[i + 1]! - ty];
    dot += a * c + b * d;
    cross += a * d - b * c;
    spread += a * a + b * b;
    targetSpread += c * c + d * d;
  }
  const yaw = atan2Of(cross, dot);
  const scale = scaled && spread > 0 ? hypot2(dot, cross) / spread : 1;
  const [c, s] = [scale * cosOf(yaw), scale * sinOf(yaw)];
  return {
    scale,
    yaw,
    x: tx - (c * sx - s * sy),
    y: ty - (s * sx + c * sy),
    meanSquare: Math.max(targetSpread + scale * scale * spread - 2 * scale * hypot2(dot, cross), 0) / n,
  };
}
