import { cosOf, hypot2, hypot3, sinOf } from "../geometry/elementary.ts";
import type { Optics } from "../geometry/optics.ts";

/**
 * The direction in the lens frame (x right, y down, z forward) that image point (u, v) looks along; pixel centres
 * are whole numbers. Written apart from the product's own ray tables on purpose: truth that shares its lens code
 * with the code it judges would hide a common mistake. Sources: Brown 1971; Kannala & Brandt 2006; both are
 * inverted by Newton's method, by differences for the first.
 * @param out receives a unit vector
 */
export function lookAlong(out: Float64Array, optics: Optics, u: number, v: number): void {
  let x = 0;
  let y = 0;
  let z = 1;
  if (optics.model === "scan") {
    const angle = optics.firstAngle + u * optics.step;
    x = -sinOf(angle);
    z = cosOf(angle);
    // Sub-rays of a laser's round spot: the spread across the scan plane is as wide as one step.
    y = v * Math.abs(optics.step);
  } else {
    x = (u - optics.cx) / optics.fx;
    y = (v - optics.cy) / optics.fy;
    if (optics.model === "pinhole") {
      const d = optics.distortion;
      if (d?.some((k) => k !== 0)) [x, y] = undistort(d, x, y);
    } else {
      const [k1, k2, k3, k4] = optics.distortion;
      const bent = hypot2(x, y);
      let theta = bent;
      for (let i = 0; i < 20; i++) {
        const t2 = theta * theta;
        const value = theta * (1 + t2 * (k1 + t2 * (k2 + t2 * (k3 + t2 * k4)))) - bent;
        theta -= value / (1 + t2 * (3 * k1 + t2 * (5 * k2 + t2 * (7 * k3 + t2 * 9 * k4))));
      }
      const scale = bent < 1e-12 ? 1 : sinOf(theta) / bent;
      x *= scale;
      y *= scale;
      z = cosOf(theta);
    }
  }
  const size = hypot3(x, y, z);
  out[0] = x / size;
  out[1] = y / size;
  out[2] = z / size;
}

function undistort(d: readonly number[], xd: number, yd: number): [number, number] {
  const [k1 = 0, k2 = 0, p1 = 0, p2 = 0, k3 = 0] = d;
  const bendX = (x: number, y: number): number => {
    const r2 = x * x + y * y;
    return x * (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) + 2 * p1 * x * y + p2 * (r2 + 2 * x * x);
  };
  const bendY = (x: number, y: number): number => {
    const r2 = x * x + y * y;
    return y * (1 + r2 * (k1 + r2 * (k2 + r2 * k3))) + p1 * (r2 + 2 * y * y) + 2 * p2 * x * y;
  };
  const h = 1e-6;
  let x = xd;
  let y = yd;
  for (let i = 0; i < 30; i++) {
    const ex = bendX(x, y) - xd;
    const ey = bendY(x, y) - yd;
    const a = (bendX(x + h, y) - bendX(x - h, y)) / (2 * h);
    const b = (bendX(x, y + h) - bendX(x, y - h)) / (2 * h);
    const c = (bendY(x + h, y) - bendY(x - h, y)) / (2 * h);
    const e = (bendY(x, y + h) - bendY(x, y - h)) / (2 * h);
    const det = a * e - b * c;
    x -= (e * ex - b * ey) / det;
    y -= (a * ey - c * ex) / det;
  }
  return [x, y];
}

/** Unit rays of every pixel centre, row-major x, y, z triples, and of `subRays` squared points spread over each pixel. */
export interface LensRays {
  readonly centre: Float64Array;
  /** (pixels * subRays^2 * 3); empty when subRays is 1. */
  readonly spread: Float64Array;
}

const tables = new WeakMap<Optics, Map<number, LensRays>>();

/** The ray table of these optics; kept for as long as the optics object lives. */
export function lensRays(optics: Optics, subRays: number): LensRays {
  let ofOptics = tables.get(optics);
  if (!ofOptics) {
    ofOptics = new Map();
    tables.set(optics, ofOptics);
  }
  const known = ofOptics.get(subRays);
  if (known) return known;
  const pixels = optics.width * optics.height;
  const each = subRays > 1 ? subRays * subRays : 0;
  const rays = { centre: new Float64Array(3 * pixels), spread: new Float64Array(3 * pixels * each) };
  const one = new Float64Array(3);
  for (let i = 0; i < pixels; i++) {
    const u = i % optics.width;
    const v = Math.floor(i / optics.width);
    lookAlong(one, optics, u, v);
    rays.centre.set(one, 3 * i);
    for (let s = 0; s < each; s++) {
      const du = ((s % subRays) + 0.5) / subRays - 0.5;
      const dv = (Math.floor(s / subRays) + 0.5) / subRays - 0.5;
      lookAlong(one, optics, u + du, v + dv);
      rays.spread.set(one, 3 * (i * each + s));
    }
  }
  ofOptics.set(subRays, rays);
  return rays;
}
