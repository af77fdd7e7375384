/** A point or direction: x, y, z; metres unless said otherwise. */
export type Vec3 = readonly [number, number, number];
/** A unit quaternion x, y, z, w (Hamilton product, gl-matrix order). */
export type Quat = readonly [number, number, number, number];

/** A rigid transform: `target = rotation * source + position`. Named by target and source, e.g. `worldFromLens`. */
export interface Pose {
  readonly rotation: Quat;
  readonly position: Vec3;
}

/** What a depth count measures: distance along the optical axis, or along the pixel's own ray. */
export type DepthKind = "z" | "range";

interface ImageOptics {
  /** Pixels. */
  readonly width: number;
  readonly height: number;
  /** Focal lengths in pixels. */
  readonly fx: number;
  readonly fy: number;
  /** Principal point in pixels; the centre of the top left pixel is (0, 0). */
  readonly cx: number;
  readonly cy: number;
}

/** Everything a sensor says about its counts. */
interface CountScale {
  readonly measures: DepthKind;
  /** Metres per count; 0.001 for the usual millimetres. Count 0 is "no return". */
  readonly unit: number;
  /** Metres; returns outside are not believed. */
  readonly minRange: number;
  readonly maxRange: number;
}

/** Pinhole with Brown-Conrady distortion. Source: Brown 1971; OpenCV's coefficient order k1 k2 p1 p2 k3. */
export interface PinholeOptics extends ImageOptics, CountScale {
  readonly model: "pinhole";
  /** [k1, k2, p1, p2, k3]; all zero or absent for an ideal lens. */
  readonly distortion?: readonly [number, number, number, number, number];
}

/** Equidistant fisheye. Source: Kannala & Brandt 2006: theta_d = theta (1 + k1 t^2 + k2 t^4 + k3 t^6 + k4 t^8). */
export interface FisheyeOptics extends ImageOptics, CountScale {
  readonly model: "fisheye";
  readonly distortion: readonly [number, number, number, number];
}

/**
 * A planar laser: one row of beams at equal angles in the lens frame's x-z plane. Beam i points
 * `firstAngle + i * step` radians from z (forward) towards -x (left), so positive angles are counter-clockwise
 * seen from above when the lens frame is level (x right, y down, z forward). Always measures "range".
 */
export interface ScanOptics extends CountScale {
  readonly model: "scan";
  /** Beams. */
  readonly width: number;
  readonly height: 1;
  /** Radians. */
  readonly firstAngle: number;
  readonly step: number;
}

export type Optics = PinholeOptics | FisheyeOptics | ScanOptics;
