import { hypot2, square } from "../geometry/elementary.ts";
import type { NotSeen, RangeCheck } from "./findings.ts";
import type { LensFrame } from "./lens-path.ts";

/** Fewest frames that face a wall; chosen by hand. */
const LEAST_WALLS = 8;
/** Metres, 1 sigma: what a tape is read to (common practice, no source). */
const TAPE_SIGMA = 0.0015;

/** The wall ahead at the start, by depth and by tape. @param tape metres from the lens to the wall */
export function checkRange(frames: readonly LensFrame[], tape: number): RangeCheck | NotSeen {
  const walls = frames.flatMap(({ wall }) => (wall === null ? [] : [wall]));
  if (walls.length < LEAST_WALLS) {
    return {
      why: `a wall was faced in ${walls.length} frames before the head moved`,
      add: "start square to a flat, light, matt wall, and stand for two seconds",
    };
  }
  const measured = walls.reduce((sum, wall) => sum + wall, 0) / walls.length;
  const scatter = walls.reduce((sum, wall) => sum + square(wall - measured), 0) / (walls.length - 1);
  const sigma = hypot2(Math.sqrt(scatter / walls.length), TAPE_SIGMA);
  return { measured, bias: measured - tape, sigma, frames: walls.length };
}
