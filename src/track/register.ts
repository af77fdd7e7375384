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

/** The prior of a pose, from everything except depth. All in world axes. */
export interface Prior {
  /** worldFromLens: mean of the prior. */
  readonly at: Placement;
  /** (3 * 3) information on the rotation vector from `at`, 1 / rad^2; zeros without a prior. */
  readonly rotation: Float64Array;
  /** (3 * 3) information on the position, 1 / m^2. */
  readonly position: Float64Array;
}

/** One stage of a registration: iterations against one map, with a gate that narrows. */
export interface Stage {
  readonly map: SurfelMap;
  /** Metres: samples farther from their plane are rejected. The first value is for the first iteration, the last for small steps. */
  readonly gate: number;
  readonly lastGate: number;
  readonly iterations: number;
  /** Every `stride`-th sample is used. */
  readonly stride: number;
}

/** The inputs of a registration. */
export interface RegisterInput {
  readonly prior: Prior;
  readonly stages: readonly Stage[];
  /**
   * Metres, 1 sigma: error of the newest surfels against the world's origin. Surfels with less doubt are preferred. With 0, the default, none
   * is preferred.
   */
  readonly doubt?: number;
}

/** The result of a registration; overwritten by the next one. */
export interface Registration {
  /** Samples matched in the last iteration. */
  matched: number;
  /** Weighted rms of the residuals, metres. */
  rms: number;
  /** Metres: the doubt of the newest surfels less that of the matched planes, as a weighted mean. It is positive on return to known ground. */
  lead: number;
  iterations: number;
  /** Normal equations of the geometry alone: rotation first, about the lens. */
  readonly sums: PlaneSums;
  /** Information on translation from the geometry, given the prior of the rotation: 1 / m^2. */
  readonly strength: TranslationStrength;
  /**
   * Each strength as a share of the total weight, less the part that the noise of the map's normals explains. Each is 1/3 when the normals
   * are spread evenly over all directions.
   */
  readonly shares: Float64Array;
  /** (6 * 6) of geometry and prior together. */
  readonly information: Float64Array;
}

/** The information that the samples facing an axis give about the position along it. */
export interface Facing {
  /** Number of such samples. */
  count: number;
  /** Rms distance of their points from the mean point, metres. */
  spread: number;
  /** Information of these samples alone along the axis, given the prior of the rotation, 1 / m^2. */
  information: number;
}

/** The samples' weights are divided by this, which makes depth about 7 times as strong against the prior as its noise alone. Chosen by hand. */
const PRIOR_WEIGHT = 0.15;
/** Width of the robust weight function, in multiples of the residuals' rms. Chosen by hand. */
const ROBUST_WIDTH = 2.5;
/** A step shorter than this ends a stage: metres, and radians at an arm of one metre. It is well below the map's own error of 3 mm. */
const SHORT_STEP = 0.0003;
/** Metres, 1 sigma: surfels with this much less doubt than the newest ones count as better known. Chosen by hand. */
const BETTER_KNOWN = 0.05;
/** Cosine between a normal and an axis below which the normal's part along the axis may be noise: within 20 degrees of perpendicular. */
const SQUARE = 0.35;
/** Number of neighbouring samples that share the error of their normals, because their windows overlap. Chosen by hand. */
const OVERLAP = 3;
/**
 * Cap of the share that is attributed to noise of normals. The scatter that it is estimated from also contains uneven surfaces. In the bare
 * scenes of `score-poses --degenerate` noise alone gave no more than this.
 */
const MOST_FEIGNED = 0.002;

/**
 * Registers a frame against a surfel map: Gauss-Newton on point-to-plane distances, coarse to fine, with a prior. Nothing is allocated per
 * sample.
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
   * @param pose where to start; set to the result
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
        this.#match(samples, pose, { map: stage.map, gate, stride: stage.stride, first: i % stage.stride });
        this.#weigh(stage.stride, doubt);
        const moved = this.#move(pose, prior);
        if (moved < SHORT_STEP && gate === stage.lastGate) break;
        // Far from convergence the gate must be wide. Once the steps are small, a narrow one rejects outliers.
        gate = Math.max(stage.lastGate, Math.min(0.7 * gate, 3 * moved));
      }
    }
    result.lead = doubt > 0 ? leadOf(this.matches, doubt) : 0;
    this.#finish(prior);
    return result;
  }

  /** @param first sample at which the stride begins: another one in each iteration */
  #match(
    samples: Samples,
    pose: Placement,
    { map, gate, stride, first }: Pick<Stage, "map" | "gate" | "stride"> & { readonly first: number },
  ): void {
    const { result, matches } = this;
    map.match(matches, samples, pose, { gate, stride, first });
    result.matched = matches.count;
    result.iterations++;
  }

  #weigh(stride: number, doubt: number): void {
    const factor = stride / PRIOR_WEIGHT;
    const known = doubt - BETTER_KNOWN;
    if (known > 0) preferKnown(this.matches, known, factor, stride);
    weighRobustly(this.matches, factor, ROBUST_WIDTH);
  }

  /** One Gauss-Newton step of matches and prior. @returns its length: metres, and radians at an arm of one metre */
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
   * The information of the last iteration's matches along a unit axis, with normals that are nearly perpendicular to it made fully
   * perpendicular. So the noise of a floor's many normals adds nothing, however much they outweigh the few that face the axis.
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
    // A normal that is off by a small angle e has e^2 of its weight along directions that its surface does not constrain. The normals of
    // samples scatter about the map's by their own noise. The mean of n normals has 1 / n of that variance, times the number of samples
    // that share the error.
    const { scatter, youth } = this.matches;
    const feigned = Math.min(OVERLAP * scatter * youth, MOST_FEIGNED);
    for (let k = 0; k < 3; k++) {
      shares[k] = sums.weight > 0 ? strength.values[k]! / sums.weight - feigned : 0;
    }
  }
}
