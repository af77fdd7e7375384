import { atan2Of, atanOf, cosOf, hypot2, sinOf, square, tanOf } from "./elementary.ts";
import type { FisheyeOptics, Optics, PinholeOptics, ScanOptics } from "./optics.ts";

/** No sensor of this kind has more; it bounds what a header from outside can make us allocate. */
const MAX_SIDE = 8192;
const MAX_PIXELS = 2 ** 22;

const NO_DISTORTION = [0, 0, 0, 0, 0] as const;

/**
 * Checks optics that came from outside.
 * @throws {RangeError} naming the field and its value
 */
export function validateOptics(optics: Optics): void {
  const fail = (field: string, value: unknown, rule: string): never => {
    throw new RangeError(`optics.${field} is ${JSON.stringify(value) ?? "missing"}; ${rule}`);
  };
  const finite = (field: string, value: unknown) =>
    Number.isFinite(value) || fail(field, value, "a finite number is needed");
  const positive = (field: string, value: unknown) =>
    (Number.isFinite(value) && (value as number) > 0) || fail(field, value, "a number above 0 is needed");

  if (typeof optics !== "object" || optics === null) fail("model", optics, "optics must be an object");
  const { model, width, height, measures, unit, minRange, maxRange } = optics;
  if (model !== "pinhole" && model !== "fisheye" && model !== "scan") {
    fail("model", model, 'must be "pinhole", "fisheye" or "scan"');
  }
  for (const [field, value] of [
    ["width", width],
    ["height", height],
  ] as const) {
    if (!(Number.isInteger(value) && value >= 1 && value <= MAX_SIDE))
      fail(field, value, `must be 1 to ${MAX_SIDE}`);
  }
  if (width * height > MAX_PIXELS)
    fail("width", width, `with height ${height} that is more than ${MAX_PIXELS} pixels`);
  if (measures !== "z" && measures !== "range") fail("measures", measures, 'must be "z" or "range"');
  positive("unit", unit);
  positive("maxRange", maxRange);
  if (!(Number.isFinite(minRange) && minRange >= 0 && minRange < maxRange)) {
    fail("minRange", minRange, "must be 0 or more and below maxRange");
  }
  if (optics.model === "scan") {
    if (height !== 1) fail("height", height, "a scan has one row");
    if (measures !== "range") fail("measures", measures, 'a scan measures "range"');
    finite("firstAngle", optics.firstAngle);
    const whole = Math.abs(optics.step) * (width - 1);
    if (!(Number.isFinite(optics.step) && optics.step !== 0 && whole <= 2 * Math.PI + 1e-9)) {
      fail("step", optics.step, "must not be 0, and all beams must fit in one turn");
    }
    return;
  }
  positive("fx", optics.fx);
  positive("fy", optics.fy);
  finite("cx", optics.cx);
  finite("cy", optics.cy);
  const { distortion } = optics;
  if (distortion === undefined && optics.model === "pinhole") return;
  const terms = optics.model === "pinhole" ? 5 : 4;
  if (!(Array.isArray(distortion) && distortion.length === terms && distortion.every(Number.isFinite))) {
    fail("distortion", distortion, `a ${optics.model} lens has ${terms} finite coefficients`);
  }
}

/**
 * Where a point in the lens frame lands.
 *
 * @param out receives u (right along a row) and v (down), pixels; may lie outside the image. For a scan u is the beam
 *            number and v the angle below the plane of the beams in beam spacings, so |v| <= 0.5 is "in the scan"
 * @returns false, leaving `out` as it was, when the point has no image: it is behind the lens (z <= 0; a scan sees
 *          all round), or so far out that the distortion polynomial has turned back and would fold it into the image
 * Source: Brown 1971; Kannala & Brandt 2006.
 */
export function project(optics: Optics, x: number, y: number, z: number, out: Float64Array): boolean {
  if (optics.model === "scan") return projectScan(optics, x, y, z, out);
  if (!(z > 0)) return false;
  const a = x / z;
  const b = y / z;
  if (optics.model === "fisheye") {
    const [k1, k2, k3, k4] = optics.distortion;
    const r = Math.sqrt(a * a + b * b);
    const t = atanOf(r);
    const t2 = t * t;
    if (!(1 + t2 * (3 * k1 + t2 * (5 * k2 + t2 * (7 * k3 + t2 * 9 * k4))) > 0)) return false;
    // atan(r) / r is 1 at the centre.
    const s = (r < 1e-9 ? 1 : t / r) * (1 + t2 * (k1 + t2 * (k2 + t2 * (k3 + t2 * k4))));
    out[0] = optics.fx * a * s + optics.cx;
    out[1] = optics.fy * b * s + optics.cy;
    return true;
  }
  const d = optics.distortion;
  if (d === undefined) {
    out[0] = optics.fx * a + optics.cx;
    out[1] = optics.fy * b + optics.cy;
    return true;
  }
  const [k1, k2, p1, p2, k3] = d;
  const r2 = a * a + b * b;
  if (!(1 + r2 * (3 * k1 + r2 * (5 * k2 + r2 * 7 * k3)) > 0)) return false;
  const g = 1 + r2 * (k1 + r2 * (k2 + r2 * k3));
  out[0] = optics.fx * (a * g + 2 * p1 * a * b + p2 * (r2 + 2 * a * a)) + optics.cx;
  out[1] = optics.fy * (b * g + p1 * (r2 + 2 * b * b) + 2 * p2 * a * b) + optics.cy;
  return true;
}

function projectScan(optics: ScanOptics, x: number, y: number, z: number, out: Float64Array): boolean {
  const flat = hypot2(x, z);
  if (!(flat > 0)) return false;
  const middle = (optics.width - 1) / 2;
  // Measured from the middle beam, so that the cut between +pi and -pi falls into the gap of the scan.
  const angle = atan2Of(-x, z) - (optics.firstAngle + middle * optics.step);
  out[0] = (angle - 2 * Math.PI * Math.round(angle / (2 * Math.PI))) / optics.step + middle;
  out[1] = atan2Of(y, flat) / Math.abs(optics.step);
  return true;
}

/**
 * The ray of a pixel, which need not be a whole one.
 *
 * @param out receives x, y, z in the lens frame such that point = ray * depth in the sensor's own measure: z is 1 when
 *            it measures z-depth, the length is 1 when it measures range
 * @returns false, leaving `out` as it was, when no ray reaches that pixel: the distortion has no inverse there, or the
 *          ray would point sideways or back
 * The distortion is undone by Newton's method until a step is below 1e-12 and the result projects back to within 1e-10
 * in normalised coordinates.
 */
export function unprojectPixel(optics: Optics, u: number, v: number, out: Float64Array): boolean {
  if (optics.model === "scan") {
    const angle = optics.firstAngle + u * optics.step;
    out[0] = -sinOf(angle);
    out[1] = 0;
    out[2] = cosOf(angle);
    return true;
  }
  const found =
    optics.model === "fisheye" ? unbendFisheye(optics, u, v, out) : unbendPinhole(optics, u, v, out);
  if (!found || optics.measures === "z") return found;
  const norm = Math.sqrt(square(out[0]!) + square(out[1]!) + 1);
  out[0]! /= norm;
  out[1]! /= norm;
  out[2] = 1 / norm;
  return true;
}

/** Writes x, y at z = 1. */
function unbendPinhole(optics: PinholeOptics, u: number, v: number, out: Float64Array): boolean {
  const goalX = (u - optics.cx) / optics.fx;
  const goalY = (v - optics.cy) / optics.fy;
  const [k1, k2, p1, p2, k3] = optics.distortion ?? NO_DISTORTION;
  let x = goalX;
  let y = goalY;
  for (let i = 0; i < 40; i++) {
    const r2 = x * x + y * y;
    const g = 1 + r2 * (k1 + r2 * (k2 + r2 * k3));
    const slope = k1 + r2 * (2 * k2 + r2 * 3 * k3); // dg / d(r^2)
    const errorX = x * g + 2 * p1 * x * y + p2 * (r2 + 2 * x * x) - goalX;
    const errorY = y * g + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y - goalY;
    const xx = g + 2 * x * x * slope + 2 * p1 * y + 6 * p2 * x;
    const xy = 2 * x * y * slope + 2 * p1 * x + 2 * p2 * y;
    const yy = g + 2 * y * y * slope + 6 * p1 * y + 2 * p2 * x;
    const det = xx * yy - xy * xy;
    // On the lens's own side of the fold both the determinant and the radial slope are positive.
    if (!(det > 1e-9)) return false;
    const stepX = (yy * errorX - xy * errorY) / det;
    const stepY = (xx * errorY - xy * errorX) / det;
    x -= stepX;
    y -= stepY;
    if (Math.abs(stepX) + Math.abs(stepY) < 1e-12) {
      const s2 = x * x + y * y;
      if (!(1 + s2 * (3 * k1 + s2 * (5 * k2 + s2 * 7 * k3)) > 0)) return false;
      out[0] = x;
      out[1] = y;
      out[2] = 1;
      return true;
    }
  }
  return false;
}

/** Writes x, y at z = 1. */
function unbendFisheye(optics: FisheyeOptics, u: number, v: number, out: Float64Array): boolean {
  const x = (u - optics.cx) / optics.fx;
  const y = (v - optics.cy) / optics.fy;
  const goal = Math.sqrt(x * x + y * y);
  const [k1, k2, k3, k4] = optics.distortion;
  let t = Math.min(goal, 1.5);
  for (let i = 0; i < 40; i++) {
    const t2 = t * t;
    const slope = 1 + t2 * (3 * k1 + t2 * (5 * k2 + t2 * (7 * k3 + t2 * 9 * k4)));
    if (!(slope > 1e-9)) return false;
    const step = (t * (1 + t2 * (k1 + t2 * (k2 + t2 * (k3 + t2 * k4)))) - goal) / slope;
    t -= step;
    if (Math.abs(step) < 1e-12) {
      if (!(t >= 0 && t < Math.PI / 2 - 1e-6)) return false;
      const s = goal < 1e-12 ? 1 : tanOf(t) / goal;
      out[0] = x * s;
      out[1] = y * s;
      out[2] = 1;
      return true;
    }
  }
  return false;
}

/** One ray per pixel, row-major, in the lens frame: point = (x, y, z) * depth, depth in the sensor's own measure. */
export interface RayTable {
  readonly width: number;
  readonly height: number;
  /** A pixel that no ray reaches has x = y = z = 0. When z-depth is measured every other z is 1. */
  readonly x: Float32Array;
  readonly y: Float32Array;
  readonly z: Float32Array;
}

/**
 * Every pixel's ray, worked out once.
 * @throws {RangeError} if the optics are not valid
 */
export function rayTable(optics: Optics): RayTable {
  validateOptics(optics);
  const { width, height } = optics;
  const x = new Float32Array(width * height);
  const y = new Float32Array(width * height);
  const z = new Float32Array(width * height);
  const ray = new Float64Array(3);
  for (let v = 0, i = 0; v < height; v++) {
    for (let u = 0; u < width; u++, i++) {
      if (!unprojectPixel(optics, u, v, ray)) continue;
      x[i] = ray[0]!;
      y[i] = ray[1]!;
      z[i] = ray[2]!;
    }
  }
  return { width, height, x, y, z };
}
