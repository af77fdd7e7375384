import { atan2Of, cosOf, sinOf } from "../geometry/elementary.ts";
import { type BoxTree, growTree } from "./box-tree.ts";
import { type Material, type Mover, type Solid, SolidTable } from "./solids.ts";

/** The eight corner signs of a box. */
const CORNERS = [0, 1, 2, 3, 4, 5, 6, 7] as const;

/**
 * A scene at one moment at a time; times are seconds from the start. `cast` stores its hit in the `hit`
 * fields, so that the ray loop allocates nothing. Not to be shared between interleaved users of different times
 * without cost: changing `time` moves the moving solids.
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
  readonly #table: SolidTable;
  readonly #shown: Uint8Array;
  readonly #timed: readonly number[];
  #time = Number.NaN;
  /** Around all moving solids that are there. */
  readonly #moverBounds = new Float64Array(6);
  /** Over the standing solids. */
  readonly #tree: BoxTree;
  readonly #stack = new Int32Array(64);

  constructor(materials: readonly Material[], standing: readonly Solid[], movers: readonly Mover[] = []) {
    const solids = [...standing, ...movers.flatMap((mover) => mover.parts)];
    this.materials = materials;
    this.solids = solids;
    this.#movers = movers;
    this.#firstMoving = standing.length;
    this.#table = new SolidTable(solids);
    this.#shown = new Uint8Array(solids.length).fill(1);
    const timed: number[] = [];
    solids.forEach((solid, i) => {
      if (solid.material < 0 || solid.material >= materials.length) {
        throw new RangeError(`solid "${solid.name}" has material ${solid.material} of ${materials.length}`);
      }
      if (solid.from > Number.NEGATIVE_INFINITY || solid.until < Number.POSITIVE_INFINITY) timed.push(i);
    });
    this.#timed = timed;
    this.#tree = growTree(this.#table.bounds, standing.length);
    this.#setTime(0);
  }

  /** Material of solid `index`. */
  materialOf(index: number): Material {
    const material = this.materials[this.solids[index]?.material ?? -1];
    if (!material) throw new RangeError(`solid ${index} of ${this.solids.length}`);
    return material;
  }

  /** The box around everything that stands still: min x, y, z, max x, y, z. */
  get extent(): Float64Array {
    return this.#tree.bounds.slice(0, 6);
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
        this.#table.place(
          index,
          part,
          x + along * cos - part.y * sin,
          y + along * sin + part.y * cos,
          heading,
        );
        if (!here) this.#shown[index] = 0;
        else if (!this.#timed.includes(index)) this.#shown[index] = 1;
        index++;
      });
    }
    const around = this.#moverBounds;
    const { bounds } = this.#table;
    around.fill(Number.POSITIVE_INFINITY, 0, 3).fill(Number.NEGATIVE_INFINITY, 3);
    for (let i = this.#firstMoving; i < this.solids.length; i++) {
      for (let a = 0; a < 3 && this.#shown[i] === 1; a++) {
        around[a] = Math.min(around[a]!, bounds[i * 6 + a]!);
        around[a + 3] = Math.max(around[a + 3]!, bounds[i * 6 + 3 + a]!);
      }
    }
  }

  /**
   * The first solid that a ray meets from outside. A solid that the ray starts in is passed through.
   * The walk through the tree is one function, long as it is: it runs for each ray and keeps its state in local variables.
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
    const table = this.#table;
    const { bounds: box, other, count, axis: axes, order } = this.#tree;
    const stack = this.#stack;
    const shown = this.#shown;
    let best = Number.POSITIVE_INFINITY;
    let solid = -1;
    let face = 0;
    if (guess >= 0 && guess !== ignore && shown[guess] === 1) {
      const t = table.meet(guess, ox, oy, oz, dx, dy, dz);
      if (t < best) {
        best = t;
        solid = guess;
        face = table.face;
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
        const axis = axes[node]!;
        const backwards = axis === 0 ? ix < 0 : axis === 1 ? iy < 0 : iz < 0;
        stack[depth++] = backwards ? node + 1 : other[node]!;
        stack[depth++] = backwards ? other[node]! : node + 1;
        continue;
      }
      const start = other[node]!;
      for (let k = start; k < start + inLeaf; k++) {
        const i = order[k]!;
        if (shown[i] === 0 || i === ignore || i === guess) continue;
        const t = table.meet(i, ox, oy, oz, dx, dy, dz);
        if (t < best) {
          best = t;
          solid = i;
          face = table.face;
        }
      }
    }
    const first = this.#nearMovers(ox, oy, oz, ix, iy, iz, best) ? this.#firstMoving : shown.length;
    for (let i = first; i < shown.length; i++) {
      if (shown[i] === 0 || i === ignore || i === guess) continue;
      const t = table.meet(i, ox, oy, oz, dx, dy, dz);
      if (t < best) {
        best = t;
        solid = i;
        face = table.face;
      }
    }
    this.hitSolid = solid;
    if (solid >= 0) {
      table.setNormal(solid, face, ox + best * dx, oy + best * dy, oz + best * dz);
      this.hitNormalX = table.normalX;
      this.hitNormalY = table.normalY;
      this.hitNormalZ = table.normalZ;
    }
    return best;
  }

  /** Whether the ray may hit the box around all moving solids before `best`. */
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

  /** Whether the point is inside a solid (its surface does not count). */
  solidAt(x: number, y: number, z: number, time: number): boolean {
    this.#setTime(time);
    return this.#anyNear(x, y, z, x, y, z, (i) => this.#table.holds(i, x, y, z));
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
      if (!this.#table.overlaps(i, min, max)) return false;
      part = true;
      return CORNERS.every((c) => {
        // A hair inwards: a box that fills a solid to its faces is wholly solid.
        const x = c & 1 ? max[0] - 1e-9 : min[0] + 1e-9;
        const y = c & 2 ? max[1] - 1e-9 : min[1] + 1e-9;
        return this.#table.holds(i, x, y, c & 4 ? max[2] - 1e-9 : min[2] + 1e-9);
      });
    });
    return whole ? 2 : part ? 1 : 0;
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
    const { bounds } = this.#table;
    const tree = this.#tree;
    const stack = this.#stack;
    let depth = 0;
    stack[depth++] = 0;
    while (depth > 0) {
      const node = stack[--depth]!;
      if (apart(node * 6, tree.bounds)) continue;
      const inLeaf = tree.count[node]!;
      const first = tree.other[node]!;
      if (inLeaf === 0 && tree.order.length > 0) {
        stack[depth++] = node + 1;
        stack[depth++] = first;
      }
      for (let k = first; k < first + inLeaf; k++) {
        const i = tree.order[k]!;
        if (this.#shown[i] === 1 && !apart(i * 6, bounds) && ask(i)) return true;
      }
    }
    for (let i = this.#firstMoving; i < this.solids.length; i++) {
      if (this.#shown[i] === 1 && !apart(i * 6, bounds) && ask(i)) return true;
    }
    return false;
  }
}
