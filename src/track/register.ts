import { hypot3, square } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import { solveSymmetric } from "../geometry/solve.ts";
import { emptyMatches, leadOf, type Matches, preferKnown, weighRobustly } from "./matches.ts";
import {
  emptyStrength,
  emptySums,
  type PlaneSums,
  sumPlanes,
  type TranslationStrength,
  translationStrength,
} from "./normal-equations.ts";
import { type Placement, rotationBetween, turnBy } from "./placement.ts";
import type { Samples } from "./samples.ts";
import type { SurfelMap } from "./surfels.ts";

/** What is known of a pose before its depth is looked at. All in world axes. */
export interface Prior {
  /** worldFromLens that the information is about. */
  readonly at: Placement;
  /** (3 * 3) information on the rotation vector from `at`, 1 / rad^2; zeros for none. */
  readonly rotation: Float64Array;
  /** (3 * 3) information on the position, 1 / m^2. */
  readonly position: Float64Array;
}

/** One stage of a registration: iterations against one map, from a wide gate to a narrow one. */
export interface Stage {
  readonly map: SurfelMap;
  /** Metres beyond which a sample does not count: at first, and once the steps are small. */
  readonly gate: number;
  readonly lastGate: number;
  readonly iterations: number;
  /** Every `stride`-th sample is used. */
  readonly stride: number;
}

/** What a frame is registered with. */
export interface RegisterInput {
  readonly prior: Prior;
  readonly stages: readonly Stage[];
  /**
   * Metres, 1 sigma: how far off the world's origin the surfels added last may lie. Better known surfels are preferred to them; 0, the
   * default, prefers none.
   */
  readonly doubt?: number;
}

/** What a registration found; overwritten by the next one. */
export interface Registration {
  /** Samples matched in the last iteration. */
  matched: number;
  /** Weighted rms of the residuals, metres. */
  rms: number;
  /** Metres: by how much less the matched planes are in doubt than the surfels added last; weighted mean. */
  lead: number;
  iterations: number;
  /** Sums of the geometry alone: rotation first, about the lens. */
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

/** What the samples that face an axis say of the position along it. */
export interface Facing {
  /** How many there are. */
  count: number;
  /** Rms distance of their points from the middle of them, metres. */
  spread: number;
  /** Information along the axis given the rotation that is known, 1 / m^2: of these samples alone. */
  information: number;
}

/** Weight of the prior against depth: the samples' weights are divided by this, about 7 times what their own noise says. Chosen by hand. */
const PRIOR_WEIGHT = 0.15;
/** Residuals beyond this many times their rms count for less and less. Chosen by hand. */
const ROBUST_WIDTH = 2.5;
/** A step shorter than this ends a stage: metres, and radians at an arm of a metre. Well below the map's own error of 3 mm. */
const SHORT_STEP = 0.0003;
/** Metres, 1 sigma: surfels with so much less doubt than those added last are better known ones. Chosen by hand. */
const BETTER_KNOWN = 0.05;
/** Cosine between a normal and an axis below which its part along the axis may be noise: the normal is within 20 degrees of square. */
const SQUARE = 0.35;
/** Neighbouring samples that share the error of their normals, since their windows overlap. Chosen by hand. */
const OVERLAP = 3;
/**
 * The most that noise of normals is taken to feign. The scatter that it is estimated from has uneven surfaces in it, too; noise alone
 * feigned no more than this in the bare scenes of `score-poses --degenerate`.
 */
const MOST_FEIGNED = 0.002;

/**
 * Finds the pose of a frame in a surfel map: Gauss-Newton on point-to-plane distances, coarse to fine, together with
 * a prior. Nothing is allocated per sample.
 */
export class Registrar {
  readonly result: Registration = {
    matched: 0,
    rms: 0,
    lead: 0,
    iterations: 0,
    sums: emptySums(),
    strength: emptyStrength(),
    shares: new Float64Array(3),
    information: new Float64Array(36),
  };
  /** The last iteration's correspondences. */
  readonly matches: Matches;
  readonly #pull = new Float64Array(6);
  readonly #step = new Float64Array(6);
  readonly #off = new Float64Array(3);
  readonly #squaredSums = emptySums();
  readonly #facingStrength = emptyStrength();
  readonly #savedNormals: Float32Array;
  readonly #facing: Facing = { count: 0, spread: 0, information: 0 };

  /** @param capacity most samples that a frame may have */
  constructor(capacity: number) {
    this.matches = emptyMatches(capacity);
    this.#savedNormals = new Float32Array(3 * capacity);
  }

  /**
   * @param pose where to start; moved to where the frame fits
   * @returns the same object every time
   */
  register(
    samples: Samples,
    pose: Placement,
    { prior, stages, doubt = 0 }: RegisterInput,
  ): Readonly<Registration> {
    const { result } = this;
    result.iterations = 0;
    for (const stage of stages) {
      let gate = stage.gate;
      for (let i = 0; i < stage.iterations; i++) {
        this.#match(samples, pose, stage, gate, i);
        this.#weigh(stage.stride, doubt);
        const moved = this.#move(pose, prior);
        if (moved < SHORT_STEP && gate === stage.lastGate) break;
        // What is still far off needs a wide gate; once steps are small, a narrow one keeps strangers out.
        gate = Math.max(stage.lastGate, Math.min(0.7 * gate, 3 * moved));
      }
    }
    result.lead = doubt > 0 ? leadOf(this.matches, doubt) : 0;
    this.#finish(prior);
    return result;
  }

  /** @param turn number of the iteration: each begins at another sample */
  #match(samples: Samples, pose: Placement, { map, stride }: Stage, gate: number, turn: number): void {
    const { result, matches } = this;
    map.match(matches, samples, pose, { gate, stride, first: turn % stride });
    result.matched = matches.count;
    result.iterations++;
  }

  #weigh(stride: number, doubt: number): void {
    const factor = stride / PRIOR_WEIGHT;
    const known = doubt - BETTER_KNOWN;
    if (known > 0) preferKnown(this.matches, known, factor, stride);
    weighRobustly(this.matches, factor, ROBUST_WIDTH);
  }

  /** One Gauss-Newton step of the matches and the prior; how far it moved: metres, and radians at an arm of a metre. */
  #move(pose: Placement, prior: Prior): number {
    const { sums, information } = this.result;
    sumPlanes(sums, this.matches);
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
    return Math.max(hypot3(step[3]!, step[4]!, step[5]!), hypot3(step[0]!, step[1]!, step[2]!));
  }

  /**
   * What the last iteration's matches say along a unit axis when normals that are nearly square to it are made wholly so:
   * the noise of a floor's many normals then feigns nothing, however much they outweigh the few that face the axis.
   * @returns the same object every time
   */
  facing(prior: Prior, [a, b, c]: Vec3): Readonly<Facing> {
    const facing = this.#facing;
    const { count, point, normal, weight } = this.matches;
    const saved = this.#savedNormals;
    saved.set(normal.subarray(0, 3 * count));
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
      squares += w * (square(point[k]!) + square(point[k + 1]!) + square(point[k + 2]!));
    }
    sumPlanes(this.#squaredSums, this.matches);
    normal.set(saved.subarray(0, 3 * count));
    translationStrength(this.#facingStrength, this.#squaredSums.information, prior.rotation);
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
    // normals of samples scatter about the map's by their own noise; the mean of n has 1 / n of it, times the samples that
    // share it.
    const { scatter, youth } = this.matches;
    const feigned = Math.min(OVERLAP * scatter * youth, MOST_FEIGNED);
    for (let k = 0; k < 3; k++) {
      shares[k] = sums.weight > 0 ? strength.values[k]! / sums.weight - feigned : 0;
    }
  }
}
