import { cosOf, sinOf } from "../geometry/elementary.ts";
import type { Pose, Vec3 } from "../geometry/optics.ts";
import { fromYawPitchRoll, multiply, toYawPitchRoll } from "../geometry/rigid.ts";
import { subtract, wrapAngle } from "../geometry/vec.ts";

/** Unknowns of a node: x, y, z and yaw. Gravity determines roll and pitch, which stay unchanged. */
const N = 4;

/** A measured motion from one node to another, in upright axes that are turned by the first node's yaw. */
export interface PoseEdge {
  readonly from: number;
  readonly to: number;
  /** Metres, and radians of yaw. */
  readonly move: Vec3;
  readonly turn: number;
  /** 1 sigma: metres along each axis, and radians. */
  readonly sigma: number;
  readonly yawSigma: number;
}

/** An edge without the measured motion. */
export type EdgeEnds = Omit<PoseEdge, "move" | "turn">;

/** The edge whose measured motion is that between two known poses. */
export function edgeBetween(a: Pose, b: Pose, { from, to, sigma, yawSigma }: EdgeEnds): PoseEdge {
  const yaw = yawOf(a);
  const [c, s] = [cosOf(yaw), sinOf(yaw)];
  const [dx, dy, dz] = subtract(b.position, a.position);
  const move: Vec3 = [c * dx + s * dy, c * dy - s * dx, dz];
  return { from, to, move, turn: wrapAngle(yawOf(b) - yaw), sigma, yawSigma };
}

/** The result of an optimisation. */
export interface Optimised {
  /** Same order as the poses given. */
  readonly poses: readonly Pose[];
  readonly iterations: number;
  /** Sum of squared residuals in sigmas, before and after. */
  readonly before: number;
  readonly after: number;
}

/**
 * Moves poses so that all edges fit best (least squares of residuals in sigmas). The first pose is fixed.
 *
 * Gauss-Newton, with Levenberg's damping where a step does not reduce the cost. The equations are solved by a Cholesky factorisation
 * that stores each row from its first entry on: the rows of a chain are short, and an edge back along it costs one long row.
 * Source: Grisetti et al. 2010, A tutorial on graph-based SLAM; George & Liu 1981 for the envelope.
 *
 * @throws {RangeError} if an edge names a node that is not there, or a sigma is not above 0
 */
export function optimise(given: readonly Pose[], edges: readonly PoseEdge[], most = 20): Optimised {
  const count = given.length;
  for (const { from, to, sigma, yawSigma } of edges) {
    const isNode = (n: number) => Number.isInteger(n) && n >= 0 && n < count;
    if (!isNode(from) || !isNode(to) || from === to || !(sigma > 0 && yawSigma > 0)) {
      throw new RangeError(`edge ${from} -> ${to}, sigmas ${sigma} m and ${yawSigma} rad, of ${count} poses`);
    }
  }
  const state = new Float64Array(N * count);
  given.forEach((pose, n) => {
    state.set(pose.position, N * n);
    state[N * n + 3] = yawOf(pose);
  });
  const before = costOf(state, edges);
  const system = new Envelope(count, edges);
  let cost = before;
  let damping = 0;
  let iterations = 0;
  while (iterations < most && count > 1) {
    iterations++;
    system.fill(state, edges, damping);
    const step = system.solve();
    step?.fill(0, 0, N);
    const tried = step === null ? null : state.map((v, i) => v + step[i]!);
    const next = tried === null ? Number.POSITIVE_INFINITY : costOf(tried, edges);
    if (tried === null || !(next <= cost)) {
      // The cost did not fall: either the minimum is reached to rounding, which ends the loop, or the step was too long and is damped.
      if (next - cost <= 1e-12 * (1 + cost) || damping > 1e6) break;
      damping = damping === 0 ? 1e-3 : 10 * damping;
      continue;
    }
    const gained = cost - next;
    state.set(tried);
    cost = next;
    damping = damping < 1e-6 ? 0 : damping / 10;
    if (gained <= 1e-10 * (1e-6 + cost)) break;
  }
  const poses = given.map((pose, n): Pose => {
    const turned = wrapAngle(state[N * n + 3]! - yawOf(pose));
    return {
      rotation: multiply(fromYawPitchRoll(turned, 0, 0), pose.rotation),
      position: [state[N * n]!, state[N * n + 1]!, state[N * n + 2]!],
    };
  });
  return { poses, iterations, before, after: cost };
}

/** Squared length, in sigmas, of an edge's residual between two poses: chi-squared with four degrees of freedom. */
export function misfit(edge: PoseEdge, a: Pose, b: Pose): number {
  const state = Float64Array.from([...a.position, yawOf(a), ...b.position, yawOf(b)]);
  return costOf(state, [{ ...edge, from: 0, to: 1 }]);
}

const residual = new Float64Array(N);

function residualOf(state: Float64Array, edge: PoseEdge): Float64Array {
  const [i, j] = [N * edge.from, N * edge.to];
  const yaw = state[i + 3]!;
  const [c, s] = [cosOf(yaw), sinOf(yaw)];
  const [dx, dy] = [state[j]! - state[i]!, state[j + 1]! - state[i + 1]!];
  residual[0] = (c * dx + s * dy - edge.move[0]) / edge.sigma;
  residual[1] = (c * dy - s * dx - edge.move[1]) / edge.sigma;
  residual[2] = (state[j + 2]! - state[i + 2]! - edge.move[2]) / edge.sigma;
  residual[3] = wrapAngle(state[j + 3]! - yaw - edge.turn) / edge.yawSigma;
  return residual;
}

function costOf(state: Float64Array, edges: readonly PoseEdge[]): number {
  let sum = 0;
  for (const edge of edges) {
    const [a, b, c, d] = residualOf(state, edge);
    sum += a! * a! + b! * b! + c! * c! + d! * d!;
  }
  return sum;
}

/** Symmetric normal equations. Each row is stored from its first entry to the diagonal. */
class Envelope {
  readonly #size: number;
  readonly #first: Int32Array;
  readonly #start: Int32Array;
  readonly #values: Float64Array;
  readonly #right: Float64Array;
  readonly #a = new Float64Array(N * N);
  readonly #b = new Float64Array(N * N);

  constructor(count: number, edges: readonly PoseEdge[]) {
    this.#size = N * count;
    const lowest = Int32Array.from({ length: count }, (_, n) => n);
    for (const { from, to } of edges) {
      const [low, high] = [Math.min(from, to), Math.max(from, to)];
      lowest[high] = Math.min(lowest[high]!, low);
    }
    this.#first = Int32Array.from({ length: this.#size }, (_, i) => N * lowest[Math.floor(i / N)]!);
    this.#start = new Int32Array(this.#size + 1);
    for (let i = 0; i < this.#size; i++) {
      this.#start[i + 1] = this.#start[i]! + i - this.#first[i]! + 1;
    }
    this.#values = new Float64Array(this.#start[this.#size]!);
    this.#right = new Float64Array(this.#size);
  }

  #add(i: number, j: number, value: number): void {
    if (j <= i) this.#values[this.#start[i]! + j - this.#first[i]!]! += value;
  }

  fill(state: Float64Array, edges: readonly PoseEdge[], damping: number): void {
    this.#values.fill(0);
    this.#right.fill(0);
    const [A, B] = [this.#a, this.#b];
    for (const edge of edges) {
      const r = residualOf(state, edge);
      const [i, j] = [N * edge.from, N * edge.to];
      const yaw = state[i + 3]!;
      const [dx, dy] = [state[j]! - state[i]!, state[j + 1]! - state[i + 1]!];
      const [c, s] = [cosOf(yaw) / edge.sigma, sinOf(yaw) / edge.sigma];
      const [u, v] = [1 / edge.sigma, 1 / edge.yawSigma];
      A.set([-c, -s, 0, c * dy - s * dx, s, -c, 0, -c * dx - s * dy, 0, 0, -u, 0, 0, 0, 0, -v]);
      B.set([c, s, 0, 0, -s, c, 0, 0, 0, 0, u, 0, 0, 0, 0, v]);
      for (let p = 0; p < N; p++) {
        for (let k = 0; k < N; k++) {
          this.#right[i + p]! -= A[N * k + p]! * r[k]!;
          this.#right[j + p]! -= B[N * k + p]! * r[k]!;
          for (let q = 0; q < N; q++) {
            this.#add(i + p, i + q, A[N * k + p]! * A[N * k + q]!);
            this.#add(j + p, j + q, B[N * k + p]! * B[N * k + q]!);
            this.#add(i + p, j + q, A[N * k + p]! * B[N * k + q]!);
            this.#add(j + p, i + q, B[N * k + p]! * A[N * k + q]!);
          }
        }
      }
    }
    for (let i = 0; i < this.#size; i++) {
      const diagonal = this.#start[i + 1]! - 1;
      // The large entry fixes the first pose. The small one keeps poses without edges where they are.
      this.#values[diagonal]! += damping * this.#values[diagonal]! + (i < N ? 1e12 : 1e-9);
    }
  }

  /** The step, or null when the equations do not determine one. Overwrites them. */
  solve(): Float64Array | null {
    const [L, first, start] = [this.#values, this.#first, this.#start];
    const x = this.#right;
    for (let i = 0; i < this.#size; i++) {
      const fi = first[i]!;
      const ri = start[i]! - fi;
      for (let j = fi; j <= i; j++) {
        const fj = first[j]!;
        const rj = start[j]! - fj;
        let sum = L[ri + j]!;
        for (let k = Math.max(fi, fj); k < j; k++) sum -= L[ri + k]! * L[rj + k]!;
        if (j < i) L[ri + j] = sum / L[rj + j]!;
        else if (sum > 0) L[ri + i] = Math.sqrt(sum);
        else return null;
      }
      let sum = x[i]!;
      for (let k = fi; k < i; k++) sum -= L[ri + k]! * x[k]!;
      x[i] = sum / L[ri + i]!;
    }
    for (let i = this.#size - 1; i >= 0; i--) {
      const ri = start[i]! - first[i]!;
      x[i]! /= L[ri + i]!;
      for (let k = first[i]!; k < i; k++) x[k]! -= L[ri + k]! * x[i]!;
    }
    return x;
  }
}

const yawOf = (pose: Pose): number => toYawPitchRoll(pose.rotation)[0];
