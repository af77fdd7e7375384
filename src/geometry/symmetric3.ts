import { square } from "./elementary.ts";
import type { Vec3 } from "./optics.ts";
import { eigenSymmetric } from "./solve.ts";

// Symmetric 3 x 3 matrices, (9) row-major: covariances of a position. For a few calls a frame.

const values = new Float64Array(3);
const vectors = new Float64Array(9);

/** v^T m v: the variance along a unit axis. */
export const varianceAlong = (m: Float64Array, [x, y, z]: Vec3): number =>
  m[0]! * x * x + m[4]! * y * y + m[8]! * z * z + 2 * (m[1]! * x * y + m[2]! * x * z + m[5]! * y * z);

/** Standard deviation along a unit axis; 0 where rounding makes the variance negative. */
export const sigmaAlong = (m: Float64Array, axis: Vec3): number =>
  Math.sqrt(Math.max(0, varianceAlong(m, axis)));

/** Variance along the axis where it is largest. */
export function largestVariance(m: Float64Array): number {
  eigenSymmetric(values, vectors, m, 3);
  return values[2]!;
}

/** m += k v v^T. */
export function addOuter(m: Float64Array, v: Vec3, k: number): void {
  for (let i = 0; i < 3; i++) for (let j = 0; j < 3; j++) m[3 * i + j]! += k * v[i]! * v[j]!;
}

/** Adds `sigma` to the standard deviation along every axis: errors of one cause add up, not their squares. */
export function widen(m: Float64Array, sigma: number): void {
  eigenSymmetric(values, vectors, m, 3);
  m.fill(0);
  for (let k = 0; k < 3; k++) {
    const variance = square(Math.sqrt(Math.max(0, values[k]!)) + sigma);
    addOuter(m, [vectors[3 * k]!, vectors[3 * k + 1]!, vectors[3 * k + 2]!], variance);
  }
}

/** Sets a matrix to a diagonal one. */
export function setDiagonal(m: Float64Array, x: number, y: number, z: number): void {
  m.fill(0);
  m[0] = x;
  m[4] = y;
  m[8] = z;
}

/** (9) a covariance of `along`^2 along a unit axis and `across`^2 square to it. */
export function axialCovariance(axis: Vec3, along: number, across: number): Float64Array {
  const out = new Float64Array(9);
  for (let i = 0; i < 3; i++) {
    for (let j = 0; j < 3; j++) {
      out[3 * i + j] =
        (along * along - across * across) * axis[i]! * axis[j]! + (i === j ? across * across : 0);
    }
  }
  return out;
}

/** m v. */
export const multiplyVector = (m: Float64Array, v: Vec3): Vec3 => [
  m[0]! * v[0] + m[1]! * v[1] + m[2]! * v[2],
  m[3]! * v[0] + m[4]! * v[1] + m[5]! * v[2],
  m[6]! * v[0] + m[7]! * v[1] + m[8]! * v[2],
];

/** a m a^T: the covariance of a linear function `a` of what has the covariance `m`; `a` need not be symmetric. */
export function propagate(a: Float64Array, m: Float64Array): Float64Array {
  const out = new Float64Array(9);
  for (let i = 0; i < 3; i++) {
    for (let j = 0; j < 3; j++) {
      for (let p = 0; p < 3; p++) {
        for (let q = 0; q < 3; q++) out[3 * i + j]! += a[3 * i + p]! * m[3 * p + q]! * a[3 * j + q]!;
      }
    }
  }
  return out;
}
