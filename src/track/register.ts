import { solveSymmetric } from "../geometry/solve.ts";
import {
  emptyMatches,
  emptyStrength,
  emptySums,
  type Matches,
  type PlaneSums,
  sumPlanes,
  type TranslationStrength,
  translationStrength,
} from "./normal-equations.ts";
import type { Placement, Samples, SurfelMap } from "./surfels.ts";

/** What is known of a pose before its depth is looked at. All in world axes. */
export interface Prior {
  /** worldFromLens that the information is about. */
  readonly at: Placement;
  /** (3 * 3) information on the rotation vector from `at`, 1 / rad^2; zeros for none. */
  readonly rotation: Float64Array;
  /** (3 * 3) information on the position, 1 / m^2. */
  readonly position: Float64Array;
}

/** One pass over the samples. */
export interface Stage {
  readonly map: SurfelMap;
  /** Metres beyond which a sample does not count: at first, and once the steps are small. */
  readonly gate: number;
  readonly lastGate: number;
  readonly iterations: number;
  /** Every so many samples are used. */
  readonly stride: number;
}

export interface RegisterSettings {
  /**
   * How many samples share one error: neighbours see the same flaw of the map, so their information adds up more slowly
   * than independent ones would.
   */
  readonly correlated: number;
  /** Residuals beyond this many times their rms count for less and less. */
  readonly robust: number;
  /** A step shorter than this ends a stage: metres, and radians. */
  readonly shortStep: number;
}

export const DEFAULT_REGISTER_SETTINGS: RegisterSettings = {
  correlated: 0.15,
  robust: 2.5,
  shortStep: 0.0003,
};

/** What a registration came to; overwritten by the next one. */
export interface Registration {
  /** Samples asked for and matched in the last iteration. */
  asked: number;
  matched: number;
  /** Weighted rms of the residuals, metres. */
  rms: number;
  /** Metres: by how much less the planes' places are in doubt than that of what was added last; weighted mean. */
  lead: number;
  iterations: number;
  /** Geometry alone, per effective sample: rotation first, about the lens. */
  readonly sums: PlaneSums;
  /** Information on translation from the geometry, given what is known of the rotation: 1 / m^2. */
  readonly strength: TranslationStrength;
  /**
   * Share of the total weight that each of the strengths is, less what the noise of the map's normals feigns; 1/3 each when
   * the normals point everywhere alike.
   */
  readonly shares: Float64Array;
  /** (6 * 6) of the whole: geometry and prior. */
  readonly information: Float64Array;
}

/**
 * Finds the pose of a frame in a surfel map: Gauss-Newton on point-to-plane distances, coarse to fine, together with
 * what is known from elsewhere. Nothing is allocated after construction.
 */
export class Registrar {
  readonly result: Registration = {
    asked: 0,
    matched: 0,
    rms: 0,
    lead: 0,
    iterations: 0,
    sums: emptySums(),
    strength: emptyStrength(),
    shares: new Float64Array(3),
    information: new Float64Array(36),
  };
  readonly #settings: RegisterSettings;
  readonly #matches: Matches;
  readonly #pull = new Float64Array(6);
  readonly #step = new Float64Array(6);
  readonly #off = new Float64Array(3);
  readonly #squared = emptySums();
  readonly #facingStrength = emptyStrength();
  readonly #kept: Float32Array;
  /** Metres, 1 sigma: how far off the world's origin what was added last may lie. */
  #doubt = 0;
  readonly #facing: Facing = { count: 0, spread: 0, information: 0 };

  constructor(capacity: number, settings: RegisterSettings = DEFAULT_REGISTER_SETTINGS) {
    this.#matches = emptyMatches(capacity);
    this.#kept = new Float32Array(3 * capacity);
    this.#settings = settings;
  }

  /** The last iteration's correspondences. */
  get matches(): Matches {
    return this.#matches;
  }

  /**
   * @param pose  where to start; moved to where the frame fits
   * @param doubt metres, 1 sigma: how far off the world's origin what was added last may lie; what is known better goes before it
   * @returns the same object every time
   */
  register(
    samples: Samples,
    pose: Placement,
    prior: Prior,
    stages: readonly Stage[],
    doubt = 0,
  ): Registration {
    const { result } = this;
    this.#doubt = doubt;
    result.iterations = 0;
    for (const stage of stages) {
      let gate = stage.gate;
      for (let i = 0; i < stage.iterations; i++) {
        const moved = this.#iterate(samples, pose, prior, stage, gate, i);
        if (moved < this.#settings.shortStep && gate === stage.lastGate) break;
        // What is still far off needs a wide gate; once steps are small, a narrow one keeps strangers out.
        gate = Math.max(stage.lastGate, Math.min(0.7 * gate, 3 * moved));
      }
    }
    result.lead = this.#doubt > 0 ? leadOf(this.#matches, this.#doubt) : 0;
    this.#finish(prior);
    return result;
  }

  /** One iteration; how far it moved: metres, and radians at an arm of a metre. */
  #iterate(
    samples: Samples,
    pose: Placement,
    prior: Prior,
    { map, stride }: Stage,
    gate: number,
    turn: number,
  ): number {
    const { result } = this;
    const { sums, information } = result;
    const matches = this.#matches;
    result.asked = map.match(matches, samples, pose, gate, stride, turn % stride);
    result.matched = matches.count;
    result.iterations++;
    const known = this.#doubt - BETTER_KNOWN;
    if (known > 0) preferKnown(matches, known, stride / this.#settings.correlated, stride);
    weighRobustly(matches, stride / this.#settings.correlated, this.#settings.robust);
    sumPlanes(sums, matches);
    information.set(sums.information);
    const pull = this.#pull;
    pull.set(sums.pull);
    const off = this.#off;
    rotationBetween(off, prior.at.rotation, pose.rotation);
    for (let i = 0; i < 3; i++) {
      for (let j = 0; j < 3; j++) {
        information[6 * i + j]! += prior.rotation[3 * i + j]!;
        information[6 * (3 + i) + 3 + j]! += prior.position[3 * i + j]!;
        pull[i]! -= prior.rotation[3 * i + j]! * off[j]!;
        pull[3 + i]! -= prior.position[3 * i + j]! * (pose.position[j]! - prior.at.position[j]!);
      }
    }
    const step = this.#step;
    if (!solveSymmetric(step, information, pull, 6)) return 0;
    turnBy(pose.rotation, step[0]!, step[1]!, step[2]!);
    for (let i = 0; i < 3; i++) pose.position[i]! += step[3 + i]!;
    return Math.max(Math.hypot(step[3]!, step[4]!, step[5]!), Math.hypot(step[0]!, step[1]!, step[2]!));
  }

  /**
   * What the last iteration's matches say along a unit axis when normals that are nearly square to it are made wholly so:
   * the noise of a floor's many normals then feigns nothing, however much they outweigh the few that face the axis.
   * @returns the same object every time
   */
  facing(prior: Prior, axis: ArrayLike<number>): Facing {
    const facing = this.#facing;
    const { count, point, normal, weight } = this.#matches;
    const [a, b, c] = [axis[0]!, axis[1]!, axis[2]!];
    const kept = this.#kept;
    kept.set(normal.subarray(0, 3 * count));
    let [n, x, y, z, squares, total] = [0, 0, 0, 0, 0, 0];
    for (let i = 0, k = 0; i < count; i++, k += 3) {
      const along = normal[k]! * a + normal[k + 1]! * b + normal[k + 2]! * c;
      if (along < SQUARE && along > -SQUARE) {
        normal[k]! -= along * a;
        normal[k + 1]! -= along * b;
        normal[k + 2]! -= along * c;
        continue;
      }
      const w = weight[i]!;
      n++;
      total += w;
      x += w * point[k]!;
      y += w * point[k + 1]!;
      z += w * point[k + 2]!;
      squares += w * (point[k]! ** 2 + point[k + 1]! ** 2 + point[k + 2]! ** 2);
    }
    sumPlanes(this.#squared, this.#matches);
    normal.set(kept.subarray(0, 3 * count));
    translationStrength(this.#facingStrength, this.#squared.information, prior.rotation);
    const { values, axes } = this.#facingStrength;
    // a^T (sum of value k times axis k axis k^T)^-1 a is the variance along the axis.
    let variance = 0;
    for (let k = 0; k < 3; k++) {
      const along = a * axes[3 * k]! + b * axes[3 * k + 1]! + c * axes[3 * k + 2]!;
      variance += (along * along) / Math.max(values[k]!, 1e-12);
    }
    facing.count = n;
    facing.spread =
      total > 0 ? Math.sqrt(Math.max(0, squares / total - (x * x + y * y + z * z) / (total * total))) : 0;
    facing.information = n > 0 ? 1 / variance : 0;
    return facing;
  }

  #finish(prior: Prior): void {
    const { result } = this;
    const { sums, strength, shares } = result;
    result.rms = sums.weight > 0 ? Math.sqrt(sums.squares / sums.weight) : Number.NaN;
    translationStrength(strength, sums.information, prior.rotation);
    // A normal that is off by a small angle e has e^2 of its weight along directions that its surface does not hold. The
    // normals of samples scatter about the map's by their own noise; the mean of n has 1 / n of that, and less is gained
    // where windows overlap.
    const { scatter, youth } = this.#matches;
    const feigned = Math.min(OVERLAP * scatter * youth, MOST_FEIGNED);
    for (let k = 0; k < 3; k++) {
      shares[k] = sums.weight > 0 ? strength.values[k]! / sums.weight - feigned : 0;
    }
  }
}

/** Cosine between a normal and an axis below which its part along the axis may be noise. */
const SQUARE = 0.35;

/** What the samples that face an axis say of the position along it. */
export interface Facing {
  /** How many there are, and the rms distance of their points from the middle of them, metres. */
  count: number;
  spread: number;
  /** Information along the axis given the rotation that is known, 1 / m^2: of these alone. */
  information: number;
}

/** So many neighbouring samples share the error of their normals. */
const OVERLAP = 3;
/** The estimate is of the whole scatter, uneven surfaces included; noise alone was never seen to feign more than this. */
const MOST_FEIGNED = 0.002;
/** Residuals beyond this do not widen the scale of the robust weights, metres. */
const WIDEST_RESIDUAL = 0.02;

/**
 * Lowers the weights of large residuals: 1 / (1 + (r / c)^2), c in proportion to their rms. The sum of the weights is kept,
 * so that what is known from elsewhere counts neither more nor less; all are then multiplied by `factor`.
 * Source: the Cauchy weight function, as in Holland & Welsch 1977.
 */
function weighRobustly({ count, weight, residual }: Matches, factor: number, robust: number): void {
  let before = 0;
  let squares = 0;
  for (let i = 0; i < count; i++) {
    const r = residual[i]!;
    before += weight[i]!;
    squares += weight[i]! * Math.min(WIDEST_RESIDUAL * WIDEST_RESIDUAL, r * r);
  }
  if (!(squares > 0)) {
    for (let i = 0; i < count; i++) weight[i]! *= factor;
    return;
  }
  const narrow = before / (robust * robust * squares);
  let after = 0;
  for (let i = 0; i < count; i++) {
    const r = residual[i]!;
    const w = weight[i]! / (1 + narrow * r * r);
    weight[i] = w;
    after += w;
  }
  const back = (factor * before) / after;
  for (let i = 0; i < count; i++) weight[i]! *= back;
}

/** Metres, 1 sigma: planes with so much less doubt than those of now are better known ones, where there are so many at least. */
const BETTER_KNOWN = 0.05;
const LEAST_KNOWN = 120;
/** Registration error is not that of independent samples: variances from the equations are multiplied by this. */
export const HONESTY = 250;

/**
 * On coming back both what was seen before and what was added on the way, with all its drift, is in view, and they differ. Along
 * every normal that the better known planes hold, the others count for so much less as their doubt is larger than what those leave.
 */
function preferKnown(
  { count, normal, weight, doubt }: Matches,
  known: number,
  factor: number,
  stride: number,
): void {
  let [n, xx, yy, zz, xy, xz, yz, least] = [0, 0, 0, 0, 0, 0, 0, 0];
  for (let i = 0, k = 0; i < count; i++, k += 3) {
    if (doubt[i]! >= known) continue;
    const a = normal[k]!;
    const b = normal[k + 1]!;
    const c = normal[k + 2]!;
    const w = weight[i]!;
    n++;
    least += doubt[i]!;
    xx += w * a * a;
    yy += w * b * b;
    zz += w * c * c;
    xy += w * a * b;
    xz += w * a * c;
    yz += w * b * c;
  }
  if (n === 0 || n === count) return;
  const isIgnored = stride * n < LEAST_KNOWN;
  const mean = least / n;
  const scale = factor / HONESTY;
  for (let i = 0, k = 0; i < count; i++, k += 3) {
    if (doubt[i]! < known) {
      if (isIgnored) weight[i] = 0;
      continue;
    }
    if (isIgnored) continue;
    const a = normal[k]!;
    const b = normal[k + 1]!;
    const c = normal[k + 2]!;
    const held = scale * (a * a * xx + b * b * yy + c * c * zz + 2 * (a * b * xy + a * c * xz + b * c * yz));
    const more = doubt[i]! - mean;
    weight[i]! /= 1 + held * more * more;
  }
}

/** Metres: by how much less than `now` the planes are in doubt, on weighted average. */
function leadOf({ count, weight, doubt }: Matches, now: number): number {
  let [sum, total] = [0, 0];
  for (let i = 0; i < count; i++) {
    total += weight[i]!;
    sum += weight[i]! * Math.max(0, now - doubt[i]!);
  }
  return total > 0 ? sum / total : 0;
}

/** The rotation vector w with `turned = exp(w) * from`, for rotations less than half a turn apart. */
export function rotationBetween(out: Float64Array, from: Float64Array, turned: Float64Array): void {
  // M = turned * from^T
  const at = (i: number, j: number) =>
    turned[3 * i]! * from[3 * j]! +
    turned[3 * i + 1]! * from[3 * j + 1]! +
    turned[3 * i + 2]! * from[3 * j + 2]!;
  const x = at(2, 1) - at(1, 2);
  const y = at(0, 2) - at(2, 0);
  const z = at(1, 0) - at(0, 1);
  const sine = Math.sqrt(x * x + y * y + z * z) / 2;
  const cosine = (at(0, 0) + at(1, 1) + at(2, 2) - 1) / 2;
  const angle = Math.atan2(sine, cosine);
  const k = sine < 1e-9 ? 0.5 : angle / (2 * sine);
  out[0] = k * x;
  out[1] = k * y;
  out[2] = k * z;
}

const kept = new Float64Array(9);

/** rotation = exp([x, y, z]) * rotation, kept orthonormal. Source: Rodrigues' formula. */
export function turnBy(rotation: Float64Array, x: number, y: number, z: number): void {
  const angle = Math.sqrt(x * x + y * y + z * z);
  const s = angle < 1e-6 ? 1 : Math.sin(angle) / angle;
  const c = angle < 1e-6 ? 0.5 : (1 - Math.cos(angle)) / (angle * angle);
  kept.set(rotation);
  for (let j = 0; j < 3; j++) {
    const a = kept[j]!;
    const b = kept[3 + j]!;
    const d = kept[6 + j]!;
    rotation[j] = a + (c * x * y - s * z) * b + (c * x * z + s * y) * d - c * (y * y + z * z) * a;
    rotation[3 + j] = b + (c * x * y + s * z) * a + (c * y * z - s * x) * d - c * (x * x + z * z) * b;
    rotation[6 + j] = d + (c * x * z - s * y) * a + (c * y * z + s * x) * b - c * (x * x + y * y) * d;
  }
  orthonormalise(rotation);
}

/** Rows made unit and square again: rounding would drift over many frames. */
function orthonormalise(R: Float64Array): void {
  let norm = 1 / Math.sqrt(R[0]! * R[0]! + R[1]! * R[1]! + R[2]! * R[2]!);
  R[0]! *= norm;
  R[1]! *= norm;
  R[2]! *= norm;
  const dot = R[0]! * R[3]! + R[1]! * R[4]! + R[2]! * R[5]!;
  R[3]! -= dot * R[0]!;
  R[4]! -= dot * R[1]!;
  R[5]! -= dot * R[2]!;
  norm = 1 / Math.sqrt(R[3]! * R[3]! + R[4]! * R[4]! + R[5]! * R[5]!);
  R[3]! *= norm;
  R[4]! *= norm;
  R[5]! *= norm;
  R[6] = R[1]! * R[5]! - R[2]! * R[4]!;
  R[7] = R[2]! * R[3]! - R[0]! * R[5]!;
  R[8] = R[0]! * R[4]! - R[1]! * R[3]!;
}
