import type { Vec3 } from "../geometry/optics.ts";
import { eigenSymmetric, solveSymmetric } from "../geometry/solve.ts";
import type { Matches } from "./matches.ts";

/** Unknowns of a small motion: a rotation vector, then a translation. */
const UNKNOWNS = 6;

/**
 * Sums of weighted point-to-plane equations `n . (p + w x p + t - m) = 0` for a small rotation w about the origin of
 * the points and a translation t. A row of the Jacobian is [p x n, n].
 * Source: Chen & Medioni 1992; Low 2004 for the linearised form.
 */
export interface PlaneSums {
  /** (6 * 6) row-major, both triangles. */
  readonly information: Float64Array;
  /** (6) the right-hand side: minus the gradient, so that `information * x = pull`. */
  readonly pull: Float64Array;
  /** Sum of the weights, and of weight times squared residual. */
  weight: number;
  squares: number;
}

export function emptySums(): PlaneSums {
  return {
    information: new Float64Array(UNKNOWNS * UNKNOWNS),
    pull: new Float64Array(UNKNOWNS),
    weight: 0,
    squares: 0,
  };
}

/** Sets `out` to the sums over all matches. Long, since all 27 sums are written out: the loop keeps them in registers. */
export function sumPlanes(out: PlaneSums, matches: Matches): void {
  const { count, point, normal, residual, weight } = matches;
  let [h00, h01, h02, h03, h04, h05] = [0, 0, 0, 0, 0, 0];
  let [h11, h12, h13, h14, h15] = [0, 0, 0, 0, 0];
  let [h22, h23, h24, h25] = [0, 0, 0, 0];
  let [h33, h34, h35, h44, h45, h55] = [0, 0, 0, 0, 0, 0];
  let [g0, g1, g2, g3, g4, g5] = [0, 0, 0, 0, 0, 0];
  let total = 0;
  let squares = 0;
  for (let i = 0, k = 0; i < count; i++, k += 3) {
    const x = point[k]!;
    const y = point[k + 1]!;
    const z = point[k + 2]!;
    const nx = normal[k]!;
    const ny = normal[k + 1]!;
    const nz = normal[k + 2]!;
    const w = weight[i]!;
    const r = residual[i]!;
    const a = y * nz - z * ny;
    const b = z * nx - x * nz;
    const c = x * ny - y * nx;
    const wa = w * a;
    const wb = w * b;
    const wc = w * c;
    const wx = w * nx;
    const wy = w * ny;
    const wz = w * nz;
    h00 += wa * a;
    h01 += wa * b;
    h02 += wa * c;
    h03 += wa * nx;
    h04 += wa * ny;
    h05 += wa * nz;
    h11 += wb * b;
    h12 += wb * c;
    h13 += wb * nx;
    h14 += wb * ny;
    h15 += wb * nz;
    h22 += wc * c;
    h23 += wc * nx;
    h24 += wc * ny;
    h25 += wc * nz;
    h33 += wx * nx;
    h34 += wx * ny;
    h35 += wx * nz;
    h44 += wy * ny;
    h45 += wy * nz;
    h55 += wz * nz;
    g0 -= wa * r;
    g1 -= wb * r;
    g2 -= wc * r;
    g3 -= wx * r;
    g4 -= wy * r;
    g5 -= wz * r;
    total += w;
    squares += w * r * r;
  }
  const h = out.information;
  h[0] = h00;
  h[1] = h[6] = h01;
  h[2] = h[12] = h02;
  h[3] = h[18] = h03;
  h[4] = h[24] = h04;
  h[5] = h[30] = h05;
  h[7] = h11;
  h[8] = h[13] = h12;
  h[9] = h[19] = h13;
  h[10] = h[25] = h14;
  h[11] = h[31] = h15;
  h[14] = h22;
  h[15] = h[20] = h23;
  h[16] = h[26] = h24;
  h[17] = h[32] = h25;
  h[21] = h33;
  h[22] = h[27] = h34;
  h[23] = h[33] = h35;
  h[28] = h44;
  h[29] = h[34] = h45;
  h[35] = h55;
  const g = out.pull;
  g[0] = g0;
  g[1] = g1;
  g[2] = g2;
  g[3] = g3;
  g[4] = g4;
  g[5] = g5;
  out.weight = total;
  out.squares = squares;
}

/** How strongly a set of equations holds the translation, whatever the rotation is. */
export interface TranslationStrength {
  /** (3) information along each axis, ascending, in the units of the equations (1 / m^2 for weights of 1 / sigma^2). */
  readonly values: Float64Array;
  /** (3 * 3) unit axes: that of `values[k]` begins at 3 * k. */
  readonly axes: Float64Array;
}

export function emptyStrength(): TranslationStrength {
  return { values: new Float64Array(3), axes: new Float64Array(9) };
}

/** The unit axis of `values[k]`. */
export const axisOf = ({ axes }: TranslationStrength, k: number): Vec3 => [
  axes[3 * k]!,
  axes[3 * k + 1]!,
  axes[3 * k + 2]!,
];

const rotationPart = new Float64Array(9);
const column = new Float64Array(3);
const schur = new Float64Array(9);

/**
 * Eigen-analysis of the information on translation after the rotation is eliminated: the Schur complement
 * `T - C^T R^-1 C`. Directions with small values are not held by the geometry.
 *
 * @param information (6 * 6) symmetric, rotation first
 * @param known       (3 * 3) information on the rotation from elsewhere, added to R; null for none
 * @throws {RangeError} if a value is not finite
 * Source: Zhang, Kaess & Singh 2016, On degeneracy of optimization-based state estimation problems.
 */
export function translationStrength(
  out: TranslationStrength,
  information: Float64Array,
  known: Float64Array | null,
): void {
  const h = information;
  // A little information where there is none keeps R invertible; it is far below any threshold.
  const scale = 1e-9 * (h[0]! + h[7]! + h[14]! + h[21]! + h[28]! + h[35]!) + 1e-300;
  for (let i = 0; i < 3; i++) {
    for (let j = 0; j < 3; j++) {
      rotationPart[3 * i + j] = h[6 * i + j]! + (known?.[3 * i + j] ?? 0) + (i === j ? scale : 0);
    }
  }
  for (let j = 0; j < 3; j++) {
    for (let i = 0; i < 3; i++) column[i] = h[6 * i + 3 + j]!;
    if (!solveSymmetric(column, rotationPart, column, 3)) column.fill(0);
    for (let i = 0; i < 3; i++) {
      let s = h[6 * (3 + i) + 3 + j]!;
      for (let k = 0; k < 3; k++) s -= h[6 * k + 3 + i]! * column[k]!;
      schur[3 * i + j] = s;
    }
  }
  for (let i = 0; i < 3; i++) {
    for (let j = 0; j < i; j++) {
      const mean = (schur[3 * i + j]! + schur[3 * j + i]!) / 2;
      schur[3 * i + j] = mean;
      schur[3 * j + i] = mean;
    }
  }
  eigenSymmetric(out.values, out.axes, schur, 3);
}
