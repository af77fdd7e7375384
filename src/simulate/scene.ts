import { atan2Of, cosOf, sinOf } from "../geometry/elementary.ts";
/**
 * What the simulated head looks at: convex solids with exact answers to "what does this ray meet first", "is this
 * point inside" and "does this voxel hold any of it". A triangle mesh answers only the first of the three.
 */

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
/** Cost of visiting a node, in solids tried. */
const NODE_COST = 0.6;
const BIGGEST_LEAF = 8;

/** The eight corner signs of a box. */
const CORNERS = [0, 1, 2, 3, 4, 5, 6, 7] as const;

/**
 * A scene at one moment at a time: give times in seconds from the start. `cast` leaves what it met in the `hit`
 * fields, so that the ray loop allocates nothing. Not to be shared between interleaved users of different times
 * without cost: changing `time` places the moving solids anew.
 */
export class Scene {
  readonly materials: readonly Material[];
  /** Every solid, standing ones first; `hitSolid` is an index into this. Movers' parts carry local positions. */
  readonly solids: readonly Solid[];
  /** Index of the solid last met by `cast`, -1 for none. */
  hitSolid = -1;
  /** Unit normal of the surface last met, pointing out of the solid. */
  hitNormalX = 0;
  hitNormalY = 0;
  hitNormalZ = 0;

  readonly #movers: readonly Mover[];
  readonly #firstMoving: number;
  readonly #kind: Uint8Array;
  readonly #material: Uint16Array;
  readonly #row: Float64Array;
  readonly #bounds: Float64Array;
  readonly #shown: Uint8Array;
  readonly #timed: readonly number[];
  #time = Number.NaN;
  /** Around all moving solids that are there. */
  readonly #moverBounds = new Float64Array(6);
  // Bounding volume tree over the standing solids: node n has bounds 6n.., and either children n+1 and #other[n],
  // or #count[n] solids from #order[#other[n]].
  #nodeBounds = new Float64Array(0);
  #other = new Int32Array(0);
  #count = new Int32Array(0);
  #axis = new Uint8Array(0);
  readonly #order: Int32Array;
  readonly #stack = new Int32Array(64);
  #face = 0;

  constructor(materials: readonly Material[], standing: readonly Solid[], movers: readonly Mover[] = []) {
    const solids = [...standing, ...movers.flatMap((mover) => mover.parts)];
    this.materials = materials;
    this.solids = solids;
    this.#movers = movers;
    this.#firstMoving = standing.length;
    this.#kind = new Uint8Array(solids.length);
    this.#material = new Uint16Array(solids.length);
    this.#row = new Float64Array(solids.length * STRIDE);
    this.#bounds = new Float64Array(solids.length * 6);
    this.#shown = new Uint8Array(solids.length).fill(1);
    const timed: number[] = [];
    solids.forEach((solid, i) => {
      if (solid.material < 0 || solid.material >= materials.length) {
        throw new RangeError(`solid "${solid.name}" has material ${solid.material} of ${materials.length}`);
      }
      this.#kind[i] = solid.shape === "block" ? BLOCK : solid.shape === "cylinder" ? CYLINDER : CAPSULE;
      this.#material[i] = solid.material;
      if (solid.from > Number.NEGATIVE_INFINITY || solid.until < Number.POSITIVE_INFINITY) timed.push(i);
      this.#place(i, solid, solid.x, solid.y, 0);
    });
    this.#timed = timed;
    this.#order = Int32Array.from({ length: standing.length }, (_, i) => i);
    this.#grow();
    this.#setTime(0);
  }

  /** Material of solid `index`. */
  materialOf(index: number): Material {
    const material = this.materials[this.#material[index] ?? -1];
    if (!material) throw new RangeError(`solid ${index} of ${this.solids.length}`);
    return material;
  }

  /** The box around everything that stands still: min x, y, z, max x, y, z. */
  get extent(): Float64Array {
    return this.#nodeBounds.slice(0, 6);
  }

  #place(i: number, solid: Solid, x: number, y: number, turn: number): void {
    const row = this.#row;
    const bounds = this.#bounds;
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

  #setTime(time: number): void {
    if (time === this.#time) return;
    this.#time = time;
    for (const i of this.#timed) {
      const solid = this.solids[i]!;
      this.#shown[i] = solid.from <= time && time < solid.until ? 1 : 0;
    }
    let index = this.#firstMoving;
    for (const mover of this.#movers) {
      const { way } = mover;
      let leg = 0;
      while (leg + 2 < way.length && time >= way[leg + 1]!.time) leg++;
      const start = way[leg]!;
      const end = way[leg + 1]!;
      const here = time >= way[0]!.time && time < way[way.length - 1]!.time;
      const share = (time - start.time) / (end.time - start.time);
      const x = start.x + share * (end.x - start.x);
      const y = start.y + share * (end.y - start.y);
      const heading = atan2Of(end.y - start.y, end.x - start.x);
      const walks = end.x !== start.x || end.y !== start.y;
      mover.parts.forEach((part, k) => {
        const { reach, period, phase } = mover.swings[k]!;
        const along = part.x + (walks ? reach * sinOf((2 * Math.PI * time) / period + phase) : 0);
        const cos = cosOf(heading);
        const sin = sinOf(heading);
        this.#place(index, part, x + along * cos - part.y * sin, y + along * sin + part.y * cos, heading);
        if (!here) this.#shown[index] = 0;
        else if (!this.#timed.includes(index)) this.#shown[index] = 1;
        index++;
      });
    }
    const around = this.#moverBounds;
    around.fill(Number.POSITIVE_INFINITY, 0, 3).fill(Number.NEGATIVE_INFINITY, 3);
    for (let i = this.#firstMoving; i < this.solids.length; i++) {
      for (let a = 0; a < 3 && this.#shown[i] === 1; a++) {
        around[a] = Math.min(around[a]!, this.#bounds[i * 6 + a]!);
        around[a + 3] = Math.max(around[a + 3]!, this.#bounds[i * 6 + 3 + a]!);
      }
    }
  }

  /**
   * Builds the tree top down by the surface area heuristic (Goldsmith & Salmon 1987; MacDonald & Booth 1990):
   * each cut is the one with the least surface times solids on both sides. Floors and walls are large and thin, and
   * halving at the median leaves boxes that overlap for most rays.
   */
  #grow(): void {
    const nodes: { bounds: number[]; other: number; count: number; axis: number }[] = [];
    const bounds = this.#bounds;
    const order = this.#order;
    const around = (box: number[], i: number): void => {
      for (let a = 0; a < 3; a++) {
        box[a] = Math.min(box[a]!, bounds[i * 6 + a]!);
        box[a + 3] = Math.max(box[a + 3]!, bounds[i * 6 + 3 + a]!);
      }
    };
    const nothing = (): number[] => [Infinity, Infinity, Infinity, -Infinity, -Infinity, -Infinity];
    const surface = ([x0 = 0, y0 = 0, z0 = 0, x1 = 0, y1 = 0, z1 = 0]: number[]): number =>
      (x1 - x0) * (y1 - y0) + (y1 - y0) * (z1 - z0) + (z1 - z0) * (x1 - x0);
    const sortAlong = (start: number, end: number, axis: number): void => {
      const middleOf = (i: number): number => bounds[i * 6 + axis]! + bounds[i * 6 + 3 + axis]!;
      order.subarray(start, end).sort((i, k) => middleOf(i) - middleOf(k) || i - k);
    };
    const build = (start: number, end: number): void => {
      const box = nothing();
      for (let k = start; k < end; k++) around(box, order[k]!);
      const node = { bounds: box, other: start, count: end - start, axis: 0 };
      nodes.push(node);
      if (end - start <= 1) return;
      let least = (end - start - NODE_COST) * surface(box); // the cost of leaving it a leaf
      let cut = -1;
      const behind = new Float64Array(end - start);
      for (let axis = 0; axis < 3; axis++) {
        sortAlong(start, end, axis);
        const right = nothing();
        for (let k = end - 1; k > start; k--) {
          around(right, order[k]!);
          behind[k - start] = surface(right) * (end - k);
        }
        const left = nothing();
        for (let k = start + 1; k < end; k++) {
          around(left, order[k - 1]!);
          const cost = surface(left) * (k - start) + behind[k - start]!;
          if (cost < least) {
            least = cost;
            cut = k;
            node.axis = axis;
          }
        }
      }
      if (cut < 0) {
        if (end - start <= BIGGEST_LEAF) return;
        cut = (start + end) >> 1;
      }
      sortAlong(start, end, node.axis);
      node.count = 0;
      build(start, cut);
      node.other = nodes.length;
      build(cut, end);
    };
    build(0, order.length);
    this.#nodeBounds = Float64Array.from(nodes.flatMap((node) => node.bounds));
    this.#other = Int32Array.from(nodes, (node) => node.other);
    this.#count = Int32Array.from(nodes, (node) => node.count);
    this.#axis = Uint8Array.from(nodes, (node) => node.axis);
  }

  /**
   * The first solid that a ray meets from outside. A solid that the ray starts in is passed through.
   * @param time   seconds
   * @param ignore a solid to look past, -1 for none: the pane or mirror that the ray has just left
   * @param guess  a solid to try first, -1 for none: a good guess (the neighbouring pixel's) saves work only
   * @returns how many lengths of (dx, dy, dz) away it is, Infinity for nothing; see the `hit` fields for the rest
   */
  cast(
    ox: number,
    oy: number,
    oz: number,
    dx: number,
    dy: number,
    dz: number,
    time: number,
    ignore = -1,
    guess = -1,
  ): number {
    this.#setTime(time);
    const ix = 1 / dx;
    const iy = 1 / dy;
    const iz = 1 / dz;
    const fromX = ix < 0 ? 3 : 0;
    const fromY = iy < 0 ? 4 : 1;
    const fromZ = iz < 0 ? 5 : 2;
    const toX = 3 - fromX;
    const toY = 5 - fromY;
    const toZ = 7 - fromZ;
    const box = this.#nodeBounds;
    const other = this.#other;
    const count = this.#count;
    const order = this.#order;
    const stack = this.#stack;
    const shown = this.#shown;
    let best = Number.POSITIVE_INFINITY;
    let solid = -1;
    let face = 0;
    if (guess >= 0 && guess !== ignore && shown[guess] === 1) {
      const t = this.#meet(guess, ox, oy, oz, dx, dy, dz);
      if (t < best) {
        best = t;
        solid = guess;
        face = this.#face;
      }
    }
    let depth = 0;
    stack[depth++] = 0;
    while (depth > 0) {
      const node = stack[--depth]!;
      const b = node * 6;
      let near = (box[b + fromX]! - ox) * ix;
      let far = (box[b + toX]! - ox) * ix;
      const nearY = (box[b + fromY]! - oy) * iy;
      const farY = (box[b + toY]! - oy) * iy;
      const nearZ = (box[b + fromZ]! - oz) * iz;
      const farZ = (box[b + toZ]! - oz) * iz;
      // 0 * Infinity gives NaN, which fails every comparison and so never narrows the interval: safe.
      if (nearY > near) near = nearY;
      if (nearZ > near) near = nearZ;
      if (farY < far) far = farY;
      if (farZ < far) far = farZ;
      if (near > far || far < 0 || near > best) continue;
      const inLeaf = count[node]!;
      if (inLeaf === 0) {
        const axis = this.#axis[node]!;
        const backwards = axis === 0 ? ix < 0 : axis === 1 ? iy < 0 : iz < 0;
        stack[depth++] = backwards ? node + 1 : other[node]!;
        stack[depth++] = backwards ? other[node]! : node + 1;
        continue;
      }
      const start = other[node]!;
      for (let k = start; k < start + inLeaf; k++) {
        const i = order[k]!;
        if (shown[i] === 0 || i === ignore || i === guess) continue;
        const t = this.#meet(i, ox, oy, oz, dx, dy, dz);
        if (t < best) {
          best = t;
          solid = i;
          face = this.#face;
        }
      }
    }
    const first = this.#nearMovers(ox, oy, oz, ix, iy, iz, best) ? this.#firstMoving : shown.length;
    for (let i = first; i < shown.length; i++) {
      if (shown[i] === 0 || i === ignore || i === guess) continue;
      const t = this.#meet(i, ox, oy, oz, dx, dy, dz);
      if (t < best) {
        best = t;
        solid = i;
        face = this.#face;
      }
    }
    this.hitSolid = solid;
    if (solid >= 0) this.#setNormal(solid, face, ox + best * dx, oy + best * dy, oz + best * dz);
    return best;
  }

  /** Whether the ray may meet the box around all that moves before `best`. */
  #nearMovers(ox: number, oy: number, oz: number, ix: number, iy: number, iz: number, best: number): boolean {
    const box = this.#moverBounds;
    if (box[0]! > box[3]!) return false;
    let near = 0;
    let far = best;
    for (let a = 0; a < 3; a++) {
      const inverse = a === 0 ? ix : a === 1 ? iy : iz;
      const origin = a === 0 ? ox : a === 1 ? oy : oz;
      const t0 = (box[a]! - origin) * inverse;
      const t1 = (box[a + 3]! - origin) * inverse;
      if (t0 > near && t0 <= t1) near = t0;
      if (t1 > near && t1 <= t0) near = t1;
      if (t0 < far && t0 >= t1) far = t0;
      if (t1 < far && t1 >= t0) far = t1;
    }
    return near <= far;
  }

  /** Where the ray enters solid `i` (Infinity when it does not, or starts inside); sets #face. */
  #meet(i: number, ox: number, oy: number, oz: number, dx: number, dy: number, dz: number): number {
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
      this.#face = face;
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
      this.#face = face;
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
        this.#face = 0;
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
    this.#face = 1 + face;
    return enter > 0 ? enter : Number.POSITIVE_INFINITY;
  }

  #setNormal(i: number, face: number, x: number, y: number, z: number): void {
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
    this.hitNormalX = nx;
    this.hitNormalY = ny;
    this.hitNormalZ = nz;
  }

  /** Whether the point is inside a solid (its surface does not count). */
  solidAt(x: number, y: number, z: number, time: number): boolean {
    this.#setTime(time);
    return this.#anyNear(x, y, z, x, y, z, (i) => this.#holds(i, x, y, z));
  }

  /** Whether solid `i`, shown or not, holds the point; its surface does not count. */
  #holds(i: number, x: number, y: number, z: number): boolean {
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

  /**
   * How much of an upright box (a voxel) is solid: 0 nothing, 1 a part, 2 all of it. Touching is nothing. 2 is said
   * only when one solid alone holds the whole box: a voxel across the joint of two solids is 1.
   */
  overlapsBox(
    min: readonly [number, number, number],
    max: readonly [number, number, number],
    time: number,
  ): 0 | 1 | 2 {
    this.#setTime(time);
    let part = false;
    const whole = this.#anyNear(min[0], min[1], min[2], max[0], max[1], max[2], (i) => {
      if (!this.#overlaps(i, min, max)) return false;
      part = true;
      return CORNERS.every((c) => {
        // A hair inwards: a box that fills a solid to its faces is wholly solid.
        const x = c & 1 ? max[0] - 1e-9 : min[0] + 1e-9;
        const y = c & 2 ? max[1] - 1e-9 : min[1] + 1e-9;
        return this.#holds(i, x, y, c & 4 ? max[2] - 1e-9 : min[2] + 1e-9);
      });
    });
    return whole ? 2 : part ? 1 : 0;
  }

  /** Whether solid `i` and the box share a volume. Exact, by separating axes (Gottschalk, Lin & Manocha 1996). */
  #overlaps(
    i: number,
    min: readonly [number, number, number],
    max: readonly [number, number, number],
  ): boolean {
    const slack = 1e-9;
    const bounds = this.#bounds;
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

  /** Calls `ask` for shown solids whose bounds may touch the box, until one answers true. */
  #anyNear(
    x0: number,
    y0: number,
    z0: number,
    x1: number,
    y1: number,
    z1: number,
    ask: (solid: number) => boolean,
  ): boolean {
    const apart = (b: number, box: Float64Array): boolean =>
      box[b]! > x1 ||
      box[b + 3]! < x0 ||
      box[b + 1]! > y1 ||
      box[b + 4]! < y0 ||
      box[b + 2]! > z1 ||
      box[b + 5]! < z0;
    const stack = this.#stack;
    let depth = 0;
    stack[depth++] = 0;
    while (depth > 0) {
      const node = stack[--depth]!;
      if (apart(node * 6, this.#nodeBounds)) continue;
      const inLeaf = this.#count[node]!;
      const first = this.#other[node]!;
      if (inLeaf === 0 && this.#order.length > 0) {
        stack[depth++] = node + 1;
        stack[depth++] = first;
      }
      for (let k = first; k < first + inLeaf; k++) {
        const i = this.#order[k]!;
        if (this.#shown[i] === 1 && !apart(i * 6, this.#bounds) && ask(i)) return true;
      }
    }
    for (let i = this.#firstMoving; i < this.solids.length; i++) {
      if (this.#shown[i] === 1 && !apart(i * 6, this.#bounds) && ask(i)) return true;
    }
    return false;
  }
}
