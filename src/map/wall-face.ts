import { expOf, square } from "../geometry/elementary.ts";
import { HIT_CELL } from "./wall-hits.ts";

/** Metres before and behind a place in which the face of a wall is sought. Noise adds up to a voxel to a wall, so it is mostly behind. */
const BEFORE = 0.06;
const BEHIND = 0.16;
/** Metres: bins of the profile. */
const BIN = HIT_CELL;
const BINS = Math.round((BEFORE + BEHIND) / BIN);
/** Metres to either side: half width of the strip whose hits are used. Wider strips blur faces that are not met head on. */
const ASIDE = 0.05;
/** Least hits in the strip. */
const FEWEST = 30;
/** The wall begins where the profile first reaches this share of its largest value. Chosen by hand: noise in front of a wall stays below it. */
const BEGINS = 0.4;
/** Metres around that beginning: the part of the profile that is fitted, and where the face may be. */
const FIT = { from: -0.04, to: 0.08 } as const;
const FACE = { from: -0.02, to: 0.04, step: 0.001 } as const;
/** Metres: spreads of hits about the face that are tried: noise, errors of poses, and a face that is met obliquely. */
const SPREADS = [0.004, 0.006, 0.009, 0.013, 0.018, 0.025, 0.034] as const;
/**
 * A peak with a step must fit by so much better than the better one of them alone: with both, a blurred step is also fitted by one that lies
 * up to 2 cm behind it, and a small peak. Found with the drawn walls of tests/map/wall-face.
 */
const BOTH = { times: 1.5, more: 4 } as const;

/** The face of a wall on a line. */
export interface WallFace {
  /** Metres along the line from its origin. */
  readonly offset: number;
  /** Metres, one sigma: spread of single hits about it. */
  readonly spread: number;
}

/**
 * Finds the face of a wall near a place, from hits per cell of HIT_CELL.
 *
 * Along a line into the wall, hits form a peak at a face that the line meets, or a step at the end of a wall that the line runs along
 * (the frame of a doorway seen from the front), or both; noise blurs them by the same spread. The face is where the best sum of a peak
 * and a step, each not negative, lies by least squares.
 *
 * @param at     metres: a place near the face, at most a voxel off
 * @param into   unit vector from open ground into the wall
 * @param hitsAt hits in a cell by its column and row
 * @returns null if there are too few hits
 */
export function wallFace(
  [x, y]: readonly [number, number],
  [dx, dy]: readonly [number, number],
  hitsAt: (col: number, row: number) => number,
): WallFace | null {
  const profile = profileAlong([x, y], [dx, dy], hitsAt);
  const begin = beginOf(profile);
  if (begin === null) return null;
  const first = Math.max(0, Math.floor((begin + FIT.from + BEFORE) / BIN));
  const last = Math.min(BINS - 1, Math.floor((begin + FIT.to + BEFORE) / BIN));
  let best: WallFace | null = null;
  let least = Number.POSITIVE_INFINITY;
  for (const spread of SPREADS) {
    for (let offset = begin + FACE.from; offset <= begin + FACE.to; offset += FACE.step) {
      const error = misfit(profile, { first, last, offset, spread });
      if (error < least) [best, least] = [{ offset, spread }, error];
    }
  }
  return best;
}

/** Hits in a strip by their distance along the line; each cell is shared between the two bins whose middles are next to it. */
function profileAlong(
  [x, y]: readonly [number, number],
  [dx, dy]: readonly [number, number],
  hitsAt: (col: number, row: number) => number,
): Float64Array {
  const profile = new Float64Array(BINS);
  const far = BEHIND + ASIDE;
  for (let row = Math.floor((y - far) / HIT_CELL); row <= (y + far) / HIT_CELL; row++) {
    for (let col = Math.floor((x - far) / HIT_CELL); col <= (x + far) / HIT_CELL; col++) {
      const [cx, cy] = [(col + 0.5) * HIT_CELL - x, (row + 0.5) * HIT_CELL - y];
      if (Math.abs(cx * dy - cy * dx) > ASIDE) continue;
      const bin = (cx * dx + cy * dy + BEFORE) / BIN - 0.5;
      const at = Math.floor(bin);
      if (at < 0 || at >= BINS - 1) continue;
      const hits = hitsAt(col, row);
      if (hits === 0) continue;
      profile[at] = profile[at]! + hits * (at + 1 - bin);
      profile[at + 1] = profile[at + 1]! + hits * (bin - at);
    }
  }
  return profile;
}

/** Metres along the line where the wall begins; null without enough hits. */
function beginOf(profile: Float64Array): number | null {
  let sum = 0;
  let most = 0;
  for (const hits of profile) {
    sum += hits;
    most = Math.max(most, hits);
  }
  if (sum < FEWEST) return null;
  const at = profile.findIndex((hits) => hits >= BEGINS * most);
  return (at + 0.5) * BIN - BEFORE;
}

/** The least sum of squares of a part of the profile and a peak and a step at a face, weighted by the variance of counts. */
function misfit(
  profile: Float64Array,
  { first, last, offset, spread }: { first: number; last: number; offset: number; spread: number },
): number {
  let [pp, ps, ss, ph, sh, hh] = [0, 0, 0, 0, 0, 0];
  for (let n = first; n <= last; n++) {
    const z = ((n + 0.5) * BIN - BEFORE - offset) / spread;
    const peak = expOf(-square(z) / 2);
    // Logistic curve close to the normal distribution: at most 0.01 off. Source: from memory, scale 1.702.
    const step = 1 / (1 + expOf(-1.702 * z));
    const hits = profile[n]!;
    const weight = 1 / (hits + 1);
    pp += weight * peak * peak;
    ps += weight * peak * step;
    ss += weight * step * step;
    ph += weight * peak * hits;
    sh += weight * step * hits;
    hh += weight * hits * hits;
  }
  const determinant = pp * ss - ps * ps;
  const [a, b] = [(ph * ss - sh * ps) / determinant, (sh * pp - ph * ps) / determinant];
  const one =
    hh - Math.max(pp > 0 ? square(Math.max(0, ph)) / pp : 0, ss > 0 ? square(Math.max(0, sh)) / ss : 0);
  if (!(determinant > 0 && a >= 0 && b >= 0)) return one;
  return Math.min(one, BOTH.times * (hh - a * ph - b * sh) + BOTH.more);
}
