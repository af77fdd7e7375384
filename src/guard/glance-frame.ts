import { hypot2 } from "../geometry/elementary.ts";
import type { Sight } from "../terms/safety.ts";

/** Evidence of a row of a strip about the place where it crosses the expected floor. */
export const EVIDENCE = {
  /** Returns came from the floor's surface. */
  touched: 1,
  /** Returns came from below: the rays went through the place. */
  passed: 2,
  /** No return came. */
  missing: 3,
  /** Returns too noisy to tell floor from a shallow drop, and nearer to the drop. */
  leaning: 4,
} as const;

/**
 * One frame, judged strip by strip. It belongs to the glancer and is overwritten by its next `look`. Lengths are metres; places are
 * in the level base frame (origin at the base's floor point, x forward, y left).
 */
export interface GlanceFrame {
  /** Number of strips, left to right in the image. */
  readonly strips: number;
  /** Where free, firm ground ends. */
  readonly endX: Float32Array;
  readonly endY: Float32Array;
  /** Nearest floor that the strip can see; equal to the end when none was seen. */
  readonly nearX: Float32Array;
  readonly nearY: Float32Array;
  /** Farthest place on the expected floor in the strip's view; equal to the nearest when no floor is in view. */
  readonly farX: Float32Array;
  readonly farY: Float32Array;
  /** What ends the ground, an `END`. */
  readonly kind: Uint8Array;
  /** Depth of the drop where `kind` is a brink; Infinity when no bottom was seen. */
  readonly drop: Float32Array;
  /** Distance along the ray to the end. */
  readonly range: Float32Array;
  /** Number of rows of evidence in use; row k is (x, y, what, height, far, weight)[k]. */
  evidence: number;
  /** Where the row crosses the expected floor, and the height of that floor above the base's floor point. */
  readonly x: Float32Array;
  readonly y: Float32Array;
  readonly height: Float32Array;
  /** An `EVIDENCE`. */
  readonly what: Uint8Array;
  /** Distance along the ray. */
  readonly far: Float32Array;
  /** Returns counted (touched, leaning), nats (missing), or 1 (passed). */
  readonly weight: Float32Array;
  /** Tilt trim: by how much the given pitch (nose down) and roll were too large, radians, and the number of samples. */
  trimPitch: number;
  trimRoll: number;
  trimSamples: number;
  sight: Sight;
  /** Share of pixels that gave a usable return. */
  returns: number;
}

/** Least length of floor, metres, that a strip must see to count as seeing floor. Chosen by hand: a cell. */
const SEEN = 0.05;

/** Whether a strip saw floor from its nearest row on. */
export function seesFloor({ nearX, nearY, endX, endY }: GlanceFrame, strip: number): boolean {
  return hypot2(endX[strip]! - nearX[strip]!, endY[strip]! - nearY[strip]!) >= SEEN;
}

/** Allocates a frame for this number of strips and rows of evidence. */
export function openGlanceFrame(strips: number, rows: number): GlanceFrame {
  return {
    strips,
    endX: new Float32Array(strips),
    endY: new Float32Array(strips),
    nearX: new Float32Array(strips),
    nearY: new Float32Array(strips),
    farX: new Float32Array(strips),
    farY: new Float32Array(strips),
    kind: new Uint8Array(strips),
    drop: new Float32Array(strips),
    range: new Float32Array(strips),
    evidence: 0,
    x: new Float32Array(rows),
    y: new Float32Array(rows),
    height: new Float32Array(rows),
    what: new Uint8Array(rows),
    far: new Float32Array(rows),
    weight: new Float32Array(rows),
    trimPitch: 0,
    trimRoll: 0,
    trimSamples: 0,
    sight: "blind",
    returns: 0,
  };
}
