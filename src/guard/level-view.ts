import type { RayTable } from "../geometry/rays.ts";

/** Standard deviation of a depth, metres, looked up by amplitude or by depth. */
export interface DepthSigma {
  readonly table: Float32Array;
  /** (height * width) index into the table. */
  readonly key: Uint16Array;
}

/** The signal of the floor in a frame. */
export interface FloorSignal {
  /** Amplitude below which the sensor reports nothing; 0 while unknown. */
  readonly gate: number;
  /** Least amplitude of a floor return so far; the walk along a strip lowers it. */
  least: number;
}

/** Input of judging a strip: one masked frame and the pose of its lens. Images are row-major, like the rays. */
export interface LevelView {
  /** A point in the lens frame is ray * depth * metresPerUnit. */
  readonly rays: RayTable;
  readonly metresPerUnit: number;
  /** (9) row-major: turns the lens frame into the level base frame (z against gravity). */
  readonly rotation: Float64Array;
  /** (3) of the lens in the level base frame, metres; the origin is the base's floor point. */
  readonly position: Float64Array;
  /** z-depth as the mask leaves it, 0 for none, and the mask's reasons. */
  depth: Uint16Array;
  reason: Uint8Array;
  /** Null when the sensor gives none. */
  amplitude: Uint16Array | null;
  sigma: DepthSigma;
  signal: FloorSignal;
  /** (strips * height) height of the expected floor at the rows of a walk, metres; NaN elsewhere. */
  readonly surface: Float32Array;
  /** Image column of a strip's first lane, counted from the strip's left edge. */
  phase: number;
}

/** Image columns in one strip. */
export const STRIP = 8;
/**
 * Lanes: the image columns of a strip that are looked at in a frame, every other one; the next frame takes those between. A
 * return of every second pixel is enough, and halves the time.
 */
export const LANES = 4;
/** Rays less steep than this cannot tell floor from the horizon. Chosen by hand. */
export const FLATTEST_RAY = 0.02;
