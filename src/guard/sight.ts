import { REASON } from "../sense/mask.ts";
import type { Sight } from "../terms/safety.ts";

/** Every STRIDE-th pixel is sampled; coprime with usual image widths, so that the samples fall into all columns. */
const STRIDE = 31;
/** Returns nearer than this, metres, count as close to the lens. Chosen by hand. */
const CLOSE = 0.25;
/** A lens lower than this, metres, has floor that close in view. */
const LOW_LENS = 0.25;
/** Shares of pixels. Chosen by hand. */
const FEWEST_RETURNS = 0.01;
const MOST_CLOSE = 0.6;
const MOST_BLANK = 0.7;

/** Metres by which the middle depth of an image may change from frame to frame as the base comes near something. Chosen by hand. */
const APPROACH = 0.07;
/** Metres of depth in one step, and steps, in which the middle depth is found. */
const DEPTH_STEP = 0.01;
const DEPTH_STEPS = 128;

export interface SightJudgement {
  readonly sight: Sight;
  /** Share of pixels that gave a usable return. */
  readonly returns: number;
}

/**
 * How far the frames of one sensor are a view of the floor. Blind: hardly any return. Covered: something close before the lens, which has
 * come there at once. A wall or a cabinet that the base approached frame by frame covers nothing: the base may go back from it. Dark:
 * floor in view, but little comes back.
 */
export class SightJudge {
  readonly #width: number;
  readonly #unitsPerMetre: number;
  readonly #histogram = new Uint32Array(DEPTH_STEPS);
  /** Metres: the middle depth of the last frame; NaN before the first, and while covered. */
  #middle = Number.NaN;

  constructor(width: number, unitsPerMetre: number) {
    this.#width = width;
    this.#unitsPerMetre = unitsPerMetre;
  }

  /**
   * Judges the sensor's next frame.
   * @param depth       (height * width) masked z-depth, 0 for none; `reason` is the mask's, of the same shape
   * @param lensHeight  metres over the floor
   */
  judge(depth: Uint16Array, reason: Uint8Array, lensHeight: number): SightJudgement {
    const width = this.#width;
    const near = CLOSE * this.#unitsPerMetre;
    const perStep = 1 / (DEPTH_STEP * this.#unitsPerMetre);
    const height = depth.length / width;
    const histogram = this.#histogram.fill(0);
    let usable = 0;
    let close = 0;
    let blank = 0;
    let total = 0;
    // The uppermost eighth looks over the floor.
    for (let i = width * (height >> 3) + 3; i < depth.length; i += STRIDE) {
      total++;
      const d = depth[i]!;
      if (d > 0) {
        usable++;
        if (d < near) close++;
        histogram[Math.min(DEPTH_STEPS - 1, Math.floor(d * perStep))]!++;
        continue;
      }
      const why = reason[i];
      if (why !== REASON.flying) blank++;
      if (why === REASON.saturated || why === REASON.outOfRange) close++;
    }
    const returns = usable / total;
    const before = this.#middle;
    this.#middle = middleOf(histogram, usable);
    if (usable < FEWEST_RETURNS * total) return { sight: "blind", returns };
    if (close > MOST_CLOSE * total && lensHeight > LOW_LENS) {
      // What is too near to be measured was not seen coming.
      const isApproached = 2 * usable > total && Math.abs(this.#middle - before) < APPROACH;
      if (!isApproached) {
        this.#middle = Number.NaN;
        return { sight: "covered", returns };
      }
    }
    return { sight: blank > MOST_BLANK * total ? "dark" : "clear", returns };
  }
}

/** Metres; NaN of nothing. */
function middleOf(histogram: Uint32Array, count: number): number {
  if (count === 0) return Number.NaN;
  let below = 0;
  for (let k = 0; k < histogram.length; k++) {
    below += histogram[k]!;
    if (2 * below >= count) return k * DEPTH_STEP;
  }
  return Number.NaN;
}
