import type { RayTable } from "../geometry/rays.ts";
import type { EvidenceTable } from "./evidence.ts";
import type { BlockGrid } from "./grid.ts";
import { traverse } from "./ray.ts";

/** What the depth of a scan means. */
interface ScanShape {
  readonly rays: RayTable;
  readonly unitsPerMetre: number;
  /** Metres. */
  readonly maxRange: number;
}

/**
 * Integration of a planar laser scan. It has few rays, so each is walked exactly. A voxel counts once a scan; a hit
 * overrides free.
 */
export class ScanIntegrator {
  readonly #grid: BlockGrid;
  readonly #rays: RayTable;
  readonly #unitsPerMetre: number;
  readonly #evidence: EvidenceTable;
  readonly #path: Int32Array;
  readonly #ends: Float64Array;
  // Open-addressed set of the scan's voxels; a place is in use when its stamp is the scan's.
  #size = 1 << 14;
  #stamps = new Int32Array(this.#size);
  #places = new Int32Array(3 * this.#size);
  #used = 0;
  #stamp = 0;

  /** @param scan rays of its depth, depth units per metre, and the range of the sensor, metres */
  constructor(grid: BlockGrid, { rays, unitsPerMetre, maxRange }: ScanShape, evidence: EvidenceTable) {
    this.#grid = grid;
    this.#rays = rays;
    this.#unitsPerMetre = unitsPerMetre;
    this.#evidence = evidence;
    this.#path = new Int32Array(3 * (3 * Math.ceil(maxRange / grid.voxelSize) + 8));
    this.#ends = new Float64Array(3 * rays.x.length);
  }

  /**
   * Adds one scan. `grid.frame` must already be the scan's own number.
   *
   * @param depth    range per beam, 0 for none
   * @param rotation (9) row-major worldFromLens
   * @param position (3) of the lens in the world, metres
   * @returns the number of beams used
   */
  integrate(depth: Uint16Array, rotation: Float64Array, position: Float64Array): number {
    const grid = this.#grid;
    const { x, y, z } = this.#rays;
    if (depth.length !== x.length)
      throw new RangeError(`scan has ${depth.length} beams, the sensor ${x.length}`);
    const perVoxel = 1 / grid.voxelSize;
    const ends = this.#ends;
    const ox = position[0]! * perVoxel;
    const oy = position[1]! * perVoxel;
    const oz = position[2]! * perVoxel;
    this.#stamp++;
    this.#used = 0;
    let beams = 0;
    for (let n = 0; n < depth.length; n++) {
      const d = (depth[n]! / this.#unitsPerMetre) * perVoxel;
      if (d === 0) continue;
      beams++;
      const ex = ox + d * (rotation[0]! * x[n]! + rotation[1]! * y[n]! + rotation[2]! * z[n]!);
      const ey = oy + d * (rotation[3]! * x[n]! + rotation[4]! * y[n]! + rotation[5]! * z[n]!);
      const ez = oz + d * (rotation[6]! * x[n]! + rotation[7]! * y[n]! + rotation[8]! * z[n]!);
      ends[3 * n] = ex;
      ends[3 * n + 1] = ey;
      ends[3 * n + 2] = ez;
      const [i, j, k] = [Math.floor(ex), Math.floor(ey), Math.floor(ez)];
      if (this.#mark(i, j, k)) grid.add(i, j, k, this.#steps(this.#evidence.hit, d));
    }
    // Grazing beams pass through other voxels of the same wall, and a wall often lies on a boundary of voxels.
    // Therefore voxels next to a hit are not freed.
    for (let n = 0; n < depth.length; n++) {
      if (depth[n] === 0) continue;
      const [i, j, k] = [
        Math.floor(ends[3 * n]!),
        Math.floor(ends[3 * n + 1]!),
        Math.floor(ends[3 * n + 2]!),
      ];
      for (let near = 0; near < 27; near++) {
        this.#mark(i + (near % 3) - 1, j + (((near / 3) | 0) % 3) - 1, k + ((near / 9) | 0) - 1);
      }
    }
    for (let n = 0; n < depth.length; n++) {
      if (depth[n] === 0) continue;
      const path = this.#path;
      const count = traverse(path, ox, oy, oz, ends[3 * n]!, ends[3 * n + 1]!, ends[3 * n + 2]!);
      const steps = -this.#evidence.free[0]!;
      for (let k = 0; k < 3 * (count - 1); k += 3) {
        if (this.#mark(path[k]!, path[k + 1]!, path[k + 2]!))
          grid.add(path[k]!, path[k + 1]!, path[k + 2]!, steps);
      }
    }
    return beams;
  }

  #steps(table: Uint8Array, voxels: number): number {
    const bucket = (voxels * this.#grid.voxelSize) / this.#evidence.bucket;
    return table[Math.min(table.length - 1, Math.floor(bucket))]!;
  }

  /** True the first time a voxel is marked in this scan; hits are marked before free, so they win. */
  #mark(i: number, j: number, k: number): boolean {
    if (2 * (this.#used + 1) > this.#size) this.#grow();
    const mask = this.#size - 1;
    let place = (Math.imul(i, 73856093) ^ Math.imul(j, 19349663) ^ Math.imul(k, 83492791)) & mask;
    while (this.#stamps[place] === this.#stamp) {
      if (
        this.#places[3 * place] === i &&
        this.#places[3 * place + 1] === j &&
        this.#places[3 * place + 2] === k
      ) {
        return false;
      }
      place = (place + 1) & mask;
    }
    this.#stamps[place] = this.#stamp;
    this.#places[3 * place] = i;
    this.#places[3 * place + 1] = j;
    this.#places[3 * place + 2] = k;
    this.#used++;
    return true;
  }

  #grow(): void {
    const stamps = this.#stamps;
    const places = this.#places;
    const old = this.#size;
    this.#size *= 2;
    this.#stamps = new Int32Array(this.#size);
    this.#places = new Int32Array(3 * this.#size);
    this.#used = 0;
    for (let n = 0; n < old; n++) {
      if (stamps[n] === this.#stamp) this.#mark(places[3 * n]!, places[3 * n + 1]!, places[3 * n + 2]!);
    }
  }
}
