import { cosOf, sinOf } from "../geometry/elementary.ts";

// Convex solids with exact answers to "where does this ray enter it", "is this point inside" and "does this voxel hold any of it". A
// triangle mesh answers only the first of the three.

/** How a surface answers the sensor's light (near infrared). */
export interface Material {
  readonly name: string;
  /** Diffuse (Lambertian) reflectance, 0.018 (black) to 1. */
  readonly reflectance: number;
  /** Share of the light that leaves like off a mirror, 0 to 1. */
  readonly mirror: number;
  /** Share that passes through, 0 to 1. */
  readonly transparent: number;
  /** Extra reflectance seen at exactly normal incidence, falling off within a few degrees (gloss). */
  readonly glint: number;
}

interface SolidPart {
  readonly name: string;
  /** Index into the scene's materials. */
  readonly material: number;
  /** Where the solid's axis meets the ground plan, metres. */
  readonly x: number;
  readonly y: number;
  /** Lowest point, metres. */
  readonly base: number;
  /** Seconds during which it is there: from <= time < until. */
  readonly from: number;
  readonly until: number;
}

/** A box, or a wedge when its top slopes: `heights` are the z of the top at its local -x and +x ends. */
export interface Block extends SolidPart {
  readonly shape: "block";
  readonly halfX: number;
  readonly halfY: number;
  /** Radians about z. */
  readonly yaw: number;
  readonly heights: readonly [number, number];
}

/** An upright cylinder, or an upright capsule: `top` and `base` then include its round ends. */
export interface Round extends SolidPart {
  readonly shape: "cylinder" | "capsule";
  readonly radius: number;
  readonly top: number;
}

export type Solid = Block | Round;

/** Solids that travel together: their x, y are offsets from a carrier that walks straight from point to point. */
export interface Mover {
  readonly parts: readonly Solid[];
  /** One per part: how far it swings to and fro along the way of travel (metres, seconds, radians); a walker's legs. */
  readonly swings: readonly { readonly reach: number; readonly period: number; readonly phase: number }[];
  /** Times in rising order; the carrier is absent before the first and after the last. */
  readonly way: readonly { readonly time: number; readonly x: number; readonly y: number }[];
}

const STRIDE = 10;
const BLOCK = 0;
const CYLINDER = 1;
const CAPSULE = 2;
/** Fields of a block's row: x, y, base, cos, sin, halfX, halfY, slope, height in the middle. */
const TOP = 3; // fields of a round's row: x, y, base, top, radius
const RADIUS = 4;

/** Solids as numbers in rows, so that rays allocate nothing. A solid is named by its index. */
export class SolidTable {
  /** The box around each solid where it was placed last: min x, y, z, max x, y, z. */
  readonly bounds: Float64Array;
  /** The face by which the last ray that met a solid entered it. */
  face = 0;
  /** Unit normal of the surface asked for last, pointing out of the solid. */
  normalX = 0;
  normalY = 0;
  normalZ = 0;
  readonly #kind: Uint8Array;
  readonly #row: Float64Array;

  constructor(solids: readonly Solid[]) {
    this.#kind = Uint8Array.from(solids, ({ shape }) =>
      shape === "block" ? BLOCK : shape === "cylinder" ? CYLINDER : CAPSULE,
    );
    this.#row = new Float64Array(solids.length * STRIDE);
    this.bounds = new Float64Array(solids.length * 6);
    solids.forEach((solid, i) => {
      this.place(i, solid, solid.x, solid.y, 0);
    });
  }

  /** Puts solid `i`, turned by `turn` radians, where its axis meets the ground plan at (x, y). */
  place(i: number, solid: Solid, x: number, y: number, turn: number): void {
    const row = this.#row;
    const bounds = this.bounds;
    const r = i * STRIDE;
    const b = i * 6;
    row[r] = x;
    row[r + 1] = y;
    row[r + 2] = solid.base;
    let reachX = 0;
    let reachY = 0;
    let top = 0;
    if (solid.shape === "block") {
      const yaw = solid.yaw + turn;
      // A quarter turn must stay exact, or floors laid edge to edge would gape by a rounding error.
      const cos = Math.abs(cosOf(yaw)) < 1e-15 ? 0 : cosOf(yaw);
      const sin = Math.abs(sinOf(yaw)) < 1e-15 ? 0 : sinOf(yaw);
      const [low, high] = solid.heights;
      row[r + 3] = cos;
      row[r + 4] = sin;
      row[r + 5] = solid.halfX;
      row[r + 6] = solid.halfY;
      row[r + 7] = (high - low) / (2 * solid.halfX);
      row[r + 8] = (high + low) / 2;
      reachX = Math.abs(cos) * solid.halfX + Math.abs(sin) * solid.halfY;
      reachY = Math.abs(sin) * solid.halfX + Math.abs(cos) * solid.halfY;
      top = Math.max(low, high);
    } else {
      row[r + TOP] = solid.top;
      row[r + RADIUS] = solid.radius;
      reachX = solid.radius;
      reachY = solid.radius;
      top = solid.top;
    }
    bounds[b] = x - reachX;
    bounds[b + 1] = y - reachY;
    bounds[b + 2] = solid.base;
    bounds[b + 3] = x + reachX;
    bounds[b + 4] = y + reachY;
    bounds[b + 5] = top;
  }

  /**
   * Where the ray enters solid `i` (Infinity when it does not, or starts inside); sets `face`. One function for all shapes, long as it
   * is: it runs for each ray and solid, where calls would cost as much as their work.
   */
  meet(i: number, ox: number, oy: number, oz: number, dx: number, dy: number, dz: number): number {
    const row = this.#row;
    const r = i * STRIDE;
    const px = ox - row[r]!;
    const py = oy - row[r + 1]!;
    const kind = this.#kind[i];
    let enter = Number.NEGATIVE_INFINITY;
    let leave = Number.POSITIVE_INFINITY;
    let face = 0;
    if (kind === BLOCK) {
      const cos = row[r + 3]!;
      const sin = row[r + 4]!;
      const lx = px * cos + py * sin;
      const ly = py * cos - px * sin;
      const kx = dx * cos + dy * sin;
      const ky = dy * cos - dx * sin;
      const halfX = row[r + 5]!;
      const halfY = row[r + 6]!;
      if (kx !== 0) {
        const a = (-halfX - lx) / kx;
        const b = (halfX - lx) / kx;
        enter = kx > 0 ? a : b;
        leave = kx > 0 ? b : a;
        face = kx > 0 ? 0 : 1;
      } else if (lx <= -halfX || lx >= halfX) return Number.POSITIVE_INFINITY;
      if (ky !== 0) {
        const a = (-halfY - ly) / ky;
        const b = (halfY - ly) / ky;
        const near = ky > 0 ? a : b;
        const far = ky > 0 ? b : a;
        if (near > enter) {
          enter = near;
          face = ky > 0 ? 2 : 3;
        }
        if (far < leave) leave = far;
      } else if (ly <= -halfY || ly >= halfY) return Number.POSITIVE_INFINITY;
      const above = oz - row[r + 2]!; // over the bottom
      if (dz !== 0) {
        const t = -above / dz;
        if (dz > 0) {
          if (t > enter) {
            enter = t;
            face = 4;
          }
        } else if (t < leave) leave = t;
      } else if (above <= 0) return Number.POSITIVE_INFINITY;
      const slope = row[r + 7]!;
      const under = row[r + 8]! + slope * lx - oz; // under the top
      const closing = slope * kx - dz; // how fast `under` grows along the ray
      if (closing !== 0) {
        const t = -under / closing;
        if (closing > 0) {
          if (t > enter) {
            enter = t;
            face = 5;
          }
        } else if (t < leave) leave = t;
      } else if (under <= 0) return Number.POSITIVE_INFINITY;
      this.face = face;
      return enter > 0 && enter < leave ? enter : Number.POSITIVE_INFINITY;
    }
    const radius = row[r + RADIUS]!;
    const base = row[r + 2]!;
    const top = row[r + TOP]!;
    const a = dx * dx + dy * dy;
    const b = px * dx + py * dy;
    const c = px * px + py * py - radius * radius;
    const inRoot = b * b - a * c;
    if (inRoot < 0) return Number.POSITIVE_INFINITY;
    if (kind === CYLINDER) {
      if (a > 0) {
        const root = Math.sqrt(inRoot);
        enter = (-b - root) / a;
        leave = (-b + root) / a;
      } else if (c >= 0) return Number.POSITIVE_INFINITY;
      if (dz !== 0) {
        const low = (base - oz) / dz;
        const high = (top - oz) / dz;
        const near = dz > 0 ? low : high;
        const far = dz > 0 ? high : low;
        if (near > enter) {
          enter = near;
          face = dz > 0 ? 4 : 5;
        }
        if (far < leave) leave = far;
      } else if (oz <= base || oz >= top) return Number.POSITIVE_INFINITY;
      this.face = face;
      return enter > 0 && enter < leave ? enter : Number.POSITIVE_INFINITY;
    }
    // A capsule is the union of its straight part and two balls: the ray enters it where it first enters one of
    // them, and has started inside when that is behind its origin.
    const low = base + radius;
    const high = top - radius;
    if (a > 0) {
      const root = Math.sqrt(inRoot);
      const sideIn = (-b - root) / a;
      const z = oz + sideIn * dz;
      if (z >= low && z <= high) {
        enter = sideIn;
        this.face = 0;
        return enter > 0 ? enter : Number.POSITIVE_INFINITY;
      }
    }
    enter = Number.POSITIVE_INFINITY;
    const length = a + dz * dz;
    for (let ball = 0; ball < 2; ball++) {
      const pz = oz - (ball === 0 ? low : high);
      const along = b + pz * dz;
      const ballRoot = along * along - length * (c + pz * pz);
      if (ballRoot < 0) continue;
      const t = (-along - Math.sqrt(ballRoot)) / length;
      if (t < enter) {
        enter = t;
        face = ball;
      }
    }
    this.face = 1 + face;
    return enter > 0 ? enter : Number.POSITIVE_INFINITY;
  }

  /** Sets the normal of solid `i` at a point of its face. */
  setNormal(i: number, face: number, x: number, y: number, z: number): void {
    const row = this.#row;
    const r = i * STRIDE;
    let nx = 0;
    let ny = 0;
    let nz = 0;
    if (this.#kind[i] === BLOCK) {
      const cos = row[r + 3]!;
      const sin = row[r + 4]!;
      if (face < 2) {
        const sign = face === 0 ? -1 : 1;
        nx = sign * cos;
        ny = sign * sin;
      } else if (face < 4) {
        const sign = face === 2 ? -1 : 1;
        nx = -sign * sin;
        ny = sign * cos;
      } else if (face === 4) nz = -1;
      else {
        const slope = row[r + 7]!;
        const size = Math.sqrt(1 + slope * slope);
        nx = (-slope * cos) / size;
        ny = (-slope * sin) / size;
        nz = 1 / size;
      }
    } else if (face === 0) {
      const radius = row[r + RADIUS]!;
      nx = (x - row[r]!) / radius;
      ny = (y - row[r + 1]!) / radius;
    } else if (this.#kind[i] === CYLINDER) nz = face === 4 ? -1 : 1;
    else {
      const radius = row[r + RADIUS]!;
      nx = (x - row[r]!) / radius;
      ny = (y - row[r + 1]!) / radius;
      nz = (z - (face === 1 ? row[r + 2]! + radius : row[r + TOP]! - radius)) / radius;
    }
    this.normalX = nx;
    this.normalY = ny;
    this.normalZ = nz;
  }

  /** Whether solid `i`, shown or not, holds the point; its surface does not count. */
  holds(i: number, x: number, y: number, z: number): boolean {
    const row = this.#row;
    const r = i * STRIDE;
    const px = x - row[r]!;
    const py = y - row[r + 1]!;
    const base = row[r + 2]!;
    if (this.#kind[i] === BLOCK) {
      const cos = row[r + 3]!;
      const sin = row[r + 4]!;
      const lx = px * cos + py * sin;
      const ly = py * cos - px * sin;
      return (
        Math.abs(lx) < row[r + 5]! &&
        Math.abs(ly) < row[r + 6]! &&
        z > base &&
        z < row[r + 8]! + row[r + 7]! * lx
      );
    }
    const radius = row[r + RADIUS]!;
    const top = row[r + TOP]!;
    const flat = px * px + py * py;
    if (this.#kind[i] === CYLINDER) return flat < radius * radius && z > base && z < top;
    const beyond = Math.max(base + radius - z, 0, z - top + radius);
    return flat + beyond * beyond < radius * radius;
  }

  /** Whether solid `i` and the box share a volume. Exact, by separating axes (Gottschalk, Lin & Manocha 1996). */
  overlaps(
    i: number,
    min: readonly [number, number, number],
    max: readonly [number, number, number],
  ): boolean {
    const slack = 1e-9;
    const bounds = this.bounds;
    for (let a = 0; a < 3; a++) {
      if (bounds[i * 6 + a]! >= max[a]! - slack || bounds[i * 6 + 3 + a]! <= min[a]! + slack) return false;
    }
    const row = this.#row;
    const r = i * STRIDE;
    const x = row[r]!;
    const y = row[r + 1]!;
    if (this.#kind[i] !== BLOCK) {
      const radius = row[r + RADIUS]!;
      const gapX = Math.max(min[0] - x, 0, x - max[0]);
      const gapY = Math.max(min[1] - y, 0, y - max[1]);
      let gapZ = 0;
      if (this.#kind[i] === CAPSULE) {
        gapZ = Math.max(min[2] - (row[r + TOP]! - radius), 0, row[r + 2]! + radius - max[2]);
      }
      return gapX * gapX + gapY * gapY + gapZ * gapZ < radius * radius - slack;
    }
    const cos = row[r + 3]!;
    const sin = row[r + 4]!;
    const slope = row[r + 7]!;
    if (slope === 0 && (cos === 0 || sin === 0)) return true; // its bounds are the block itself
    return !(
      this.#parted(i, cos, sin, 0, min, max, slack) ||
      this.#parted(i, -sin, cos, 0, min, max, slack) ||
      (slope !== 0 &&
        (this.#parted(i, -slope * cos, -slope * sin, 1, min, max, slack) ||
          this.#parted(i, 0, slope, -sin, min, max, slack) ||
          this.#parted(i, -slope, 0, cos, min, max, slack)))
    );
  }

  /** Whether the shadows of block `i` and the box on this axis do not overlap. */
  #parted(
    i: number,
    ax: number,
    ay: number,
    az: number,
    min: readonly [number, number, number],
    max: readonly [number, number, number],
    slack: number,
  ): boolean {
    const row = this.#row;
    const r = i * STRIDE;
    const cos = row[r + 3]!;
    const sin = row[r + 4]!;
    let low = Number.POSITIVE_INFINITY;
    let high = Number.NEGATIVE_INFINITY;
    for (let c = 0; c < 8; c++) {
      const lx = c & 1 ? row[r + 5]! : -row[r + 5]!;
      const ly = c & 2 ? row[r + 6]! : -row[r + 6]!;
      const z = c & 4 ? row[r + 8]! + row[r + 7]! * lx : row[r + 2]!;
      const at = ax * (row[r]! + lx * cos - ly * sin) + ay * (row[r + 1]! + lx * sin + ly * cos) + az * z;
      if (at < low) low = at;
      if (at > high) high = at;
    }
    const boxLow =
      ax * (ax > 0 ? min[0] : max[0]) + ay * (ay > 0 ? min[1] : max[1]) + az * (az > 0 ? min[2] : max[2]);
    const boxHigh =
      ax * (ax > 0 ? max[0] : min[0]) + ay * (ay > 0 ? max[1] : min[1]) + az * (az > 0 ? max[2] : min[2]);
    return low >= boxHigh - slack || high <= boxLow + slack;
  }
}
