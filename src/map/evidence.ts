import { expOf, logOf } from "../geometry/elementary.ts";
import { FREE_BELOW, NATS_PER_STEP, TOP } from "./grid.ts";

/** Log-odds steps (grid.ts) that one frame gives a voxel, by distance. */
export interface EvidenceTable {
  /** Metres covered by each entry; the last holds for everything beyond. */
  readonly bucket: number;
  readonly hit: Uint8Array;
  readonly free: Uint8Array;
}

/** Gauss error function. Source: Abramowitz & Stegun 1964, 7.1.26; absolute error below 1.5e-7. */
export function erf(x: number): number {
  const t = 1 / (1 + 0.3275911 * Math.abs(x));
  const y =
    1 -
    ((((1.061405429 * t - 1.453152027) * t + 1.421413741) * t - 0.284496736) * t + 0.254829592) *
      t *
      expOf(-x * x);
  return x < 0 ? -y : y;
}

/**
 * Probability that a return with Gaussian error `sigma` (metres) along one axis stays in the voxel of side
 * `side` that contains the surface. The surface lies anywhere in it with equal probability.
 * Derivation: mean over s in [0, side] of P(0 <= s + e <= side), see docs/how-the-map-is-made.md.
 */
export function insideProbability(sigma: number, side: number): number {
  if (sigma <= 0) return 1;
  const q = side / (sigma * Math.SQRT2);
  return erf(q) - (1 - expOf(-q * q)) / (q * Math.sqrt(Math.PI));
}

/** Parameters of the evidence; each is a setting and explained in docs/how-the-map-is-made.md. */
export interface EvidenceModel {
  /** Range error (1 sigma, metres) as a function of distance: sigma0 + sigma2 * r^2. */
  readonly sigma0: number;
  readonly sigma2: number;
  /** Share of returns that are outliers, after the mask. */
  readonly outlierShare: number;
  /** Share of a frame's evidence that is independent of the frame before, 0..1: frames a few centimetres apart share their errors. */
  readonly independence: number;
  /** Frames of seeing through it after which a saturated occupied voxel is free. */
  readonly framesToClear: number;
}

/**
 * Log-odds per frame from the noise model.
 *
 * A hit: ln(P(return in voxel | occupied) / P(return in voxel | free)). The first is `insideProbability`; the second
 * is an outlier, or the noise of a surface in the next voxel: outlierShare + (1 - inside) / 2.
 * Free: a voxel that rays cross over its whole footprint is almost certainly empty *if the pose is right*. Therefore noise
 * does not limit the evidence; the speed at which bad frames may erase does: `framesToClear`.
 *
 * @param carveEvery frames between two free-space updates of a brick, see `Integrator`
 */
export function evidenceTable(
  model: EvidenceModel,
  voxelSize: number,
  maxRange: number,
  carveEvery: number,
): EvidenceTable {
  const bucket = 0.25;
  const entries = Math.max(1, Math.ceil(maxRange / bucket));
  const hit = new Uint8Array(entries);
  const free = new Uint8Array(entries);
  const looks = Math.max(1, Math.floor(model.framesToClear / carveEvery) - 1);
  for (let n = 0; n < entries; n++) {
    const r = (n + 0.5) * bucket;
    const inside = insideProbability(model.sigma0 + model.sigma2 * r * r, voxelSize);
    const nats = model.independence * logOf(inside / (model.outlierShare + (1 - inside) / 2));
    // At least two steps, so that a far wall is found at all; at most half of the clamp.
    hit[n] = Math.min(TOP / 2, Math.max(2, Math.round(nats / NATS_PER_STEP)));
    free[n] = Math.min(TOP, Math.ceil((TOP - FREE_BELOW + 1) / looks));
  }
  return { bucket, hit, free };
}
