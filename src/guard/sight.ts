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

export interface SightJudgement {
  readonly sight: Sight;
  /** Share of pixels that gave a usable return. */
  readonly returns: number;
}

/**
 * How good a view of the floor a frame is. Blind: hardly any return. Covered: something is close to the lens. Dark: floor in view,
 * but few returns.
 * @param depth       (height * width) masked z-depth, 0 for none; `reason` is the mask's, of the same shape
 * @param lensHeight  metres over the floor
 */
export function judgeSight(
  depth: Uint16Array,
  reason: Uint8Array,
  width: number,
  unitsPerMetre: number,
  lensHeight: number,
): SightJudgement {
  const near = CLOSE * unitsPerMetre;
  const height = depth.length / width;
  let usable = 0;
  let close = 0;
  let blank = 0;
  let total = 0;
  // The uppermost eighth looks above the floor.
  for (let i = width * (height >> 3) + 3; i < depth.length; i += STRIDE) {
    total++;
    const d = depth[i]!;
    if (d > 0) {
      usable++;
      if (d < near) close++;
      continue;
    }
    const why = reason[i];
    if (why !== REASON.flying) blank++;
    if (why === REASON.saturated || why === REASON.outOfRange) close++;
  }
  const returns = usable / total;
  if (usable < FEWEST_RETURNS * total) return { sight: "blind", returns };
  if (close > MOST_CLOSE * total && lensHeight > LOW_LENS) return { sight: "covered", returns };
  return { sight: blank > MOST_BLANK * total ? "dark" : "clear", returns };
}
