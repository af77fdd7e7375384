import { DENSE } from "./yardstick.ts";

/*
 * Log-odds in steps of 0.05 nat: p = 0.75 for a hit, p = 0.45 for a miss, clamped to -2.25..+3 nats. Chosen by hand for
 * this reference and its C++ twin; the source below gives the method and no such numbers.
 */
const HIT = 22; // ln(0.75 / 0.25) = 1.10
const MISS = -4; // ln(0.45 / 0.55) = -0.20
const LOWEST = -45;
const HIGHEST = 60;
const VOXEL_SIZE = 0.05;

const BITS = 4; // blocks of 16 x 16 x 16
const SIDE = 1 << BITS;
const LOW = SIDE - 1;
const BLOCK = SIDE ** 3;
const EMPTY = -1;
const REACH = 512;

export interface PerRayFrame {
  /** (9) row-major worldFromLens. */
  readonly rotation: Float64Array;
  /** (3) metres. */
  readonly position: Float64Array;
  /** (height * width) z-depth, millimetres; 0 is no return. */
  readonly depth: Uint16Array;
}

export interface PerRayCamera {
  readonly width: number;
  readonly height: number;
  readonly fx: number;
  readonly fy: number;
  readonly cx: number;
  readonly cy: number;
}

/**
 * The per-ray mapper that ours is measured against: it walks the ray of every pixel voxel by voxel, subtracts a miss
 * from each voxel on the way and adds a hit to the last. Sources: Moravec & Elfes 1985 for evidence along a beam,
 * Amanatides & Woo 1987 for the walk.
 *
 * Without `dedup` every update is applied, so a near voxel gets hundreds of them in a frame. With `dedup` a voxel gets
 * at most one update a frame, and a hit wins over a miss. 5 cm voxels in sparse blocks, found by an open-addressing hash table.
 */
export class PerRayMap {
  /** Voxel updates done so far. */
  updates = 0;
  readonly #dedup: boolean;
  #keys = new Int32Array(1 << 14).fill(EMPTY);
  #places = new Int32Array(1 << 14);
  #count = 0;
  /** Per block: its key, and the frame that its marks are of. */
  #blockKeys = new Int32Array(256);
  #markedIn = new Int32Array(256);
  #values = new Int8Array(256 * BLOCK);
  /** De-duplicated only: whether the voxel has had its update. */
  #marks: Uint8Array;
  #frame = 0;

  constructor(dedup: boolean) {
    this.#dedup = dedup;
    this.#marks = new Uint8Array(dedup ? 256 * BLOCK : 0);
  }

  integrate(frame: PerRayFrame, camera: PerRayCamera): void {
    this.#frame++;
    if (this.#dedup) this.#markHits(frame, camera);
    this.#walkRays(frame, camera);
  }

  /** The grid of tests/helpers/yardstick.ts: 0 undecided, 1 free, 2 occupied, x fastest. */
  dump(): Uint8Array {
    const { nx, ny, nz, ox, oy, oz } = DENSE;
    const out = new Uint8Array(nx * ny * nz);
    for (let block = 0; block < this.#count; block++) {
      const key = this.#blockKeys[block]!;
      const x0 = (((key & 1023) - REACH) << BITS) - ox;
      const y0 = ((((key >> 10) & 1023) - REACH) << BITS) - oy;
      const z0 = ((((key >> 20) & 1023) - REACH) << BITS) - oz;
      for (let n = 0; n < BLOCK; n++) {
        const value = this.#values[block * BLOCK + n]!;
        const x = x0 + (n & LOW);
        const y = y0 + ((n >> BITS) & LOW);
        const z = z0 + (n >> (2 * BITS));
        const inside = x >= 0 && x < nx && y >= 0 && y < ny && z >= 0 && z < nz;
        if (value !== 0 && inside) out[(z * ny + y) * nx + x] = value > 0 ? 2 : 1;
      }
    }
    return out;
  }

  /** First pass when de-duplicating: one hit for each voxel in which a ray ends. */
  #markHits({ rotation: R, position, depth }: PerRayFrame, camera: PerRayCamera): void {
    const { width, height, fx, fy, cx, cy } = camera;
    const [ox, oy, oz] = [position[0]! / VOXEL_SIZE, position[1]! / VOXEL_SIZE, position[2]! / VOXEL_SIZE];
    for (let v = 0, pixel = 0; v < height; v++) {
      for (let u = 0; u < width; u++, pixel++) {
        const z = depth[pixel]! / 1000 / VOXEL_SIZE;
        if (z === 0) continue;
        const a = ((u - cx) / fx) * z;
        const b = ((v - cy) / fy) * z;
        const i = Math.floor(ox + R[0]! * a + R[1]! * b + R[2]! * z);
        const j = Math.floor(oy + R[3]! * a + R[4]! * b + R[5]! * z);
        const k = Math.floor(oz + R[6]! * a + R[7]! * b + R[8]! * z);
        this.#hit(i, j, k);
      }
    }
  }

  #walkRays({ rotation: R, position, depth }: PerRayFrame, camera: PerRayCamera): void {
    const { width, height, fx, fy, cx, cy } = camera;
    const [ox, oy, oz] = [position[0]! / VOXEL_SIZE, position[1]! / VOXEL_SIZE, position[2]! / VOXEL_SIZE];
    const dedup = this.#dedup;
    let updates = 0;
    const [startI, startJ, startK] = [Math.floor(ox), Math.floor(oy), Math.floor(oz)];
    for (let v = 0, pixel = 0; v < height; v++) {
      for (let u = 0; u < width; u++, pixel++) {
        const z = depth[pixel]! / 1000 / VOXEL_SIZE;
        if (z === 0) continue;
        const a = ((u - cx) / fx) * z;
        const b = ((v - cy) / fy) * z;
        const dx = R[0]! * a + R[1]! * b + R[2]! * z;
        const dy = R[3]! * a + R[4]! * b + R[5]! * z;
        const dz = R[6]! * a + R[7]! * b + R[8]! * z;
        let i = startI;
        let j = startJ;
        let k = startK;
        const endI = Math.floor(ox + dx);
        const endJ = Math.floor(oy + dy);
        const endK = Math.floor(oz + dz);
        const stepI = dx > 0 ? 1 : -1;
        const stepJ = dy > 0 ? 1 : -1;
        const stepK = dz > 0 ? 1 : -1;
        // Share of the ray from one face to the next, and at which the next face is met.
        const everyI = dx === 0 ? Number.POSITIVE_INFINITY : Math.abs(1 / dx);
        const everyJ = dy === 0 ? Number.POSITIVE_INFINITY : Math.abs(1 / dy);
        const everyK = dz === 0 ? Number.POSITIVE_INFINITY : Math.abs(1 / dz);
        let nextI = dx === 0 ? everyI : (stepI > 0 ? i + 1 - ox : ox - i) * everyI;
        let nextJ = dy === 0 ? everyJ : (stepJ > 0 ? j + 1 - oy : oy - j) * everyJ;
        let nextK = dz === 0 ? everyK : (stepK > 0 ? k + 1 - oz : oz - k) * everyK;
        const steps = Math.abs(endI - i) + Math.abs(endJ - j) + Math.abs(endK - k);
        let block = this.#block(i >> BITS, j >> BITS, k >> BITS);
        let values = this.#values;
        let marks = this.#marks;
        for (let n = 0; n < steps; n++) {
          const voxel = block + within(i, j, k);
          if (!dedup) {
            values[voxel] = Math.max(values[voxel]! + MISS, LOWEST);
          } else if (marks[voxel] === 0) {
            marks[voxel] = 1;
            values[voxel] = Math.max(values[voxel]! + MISS, LOWEST);
            updates++;
          }
          let edge: boolean;
          if (nextI < nextJ && nextI < nextK) {
            i += stepI;
            nextI += everyI;
            edge = (i & LOW) === (stepI > 0 ? 0 : LOW);
          } else if (nextJ < nextK) {
            j += stepJ;
            nextJ += everyJ;
            edge = (j & LOW) === (stepJ > 0 ? 0 : LOW);
          } else {
            k += stepK;
            nextK += everyK;
            edge = (k & LOW) === (stepK > 0 ? 0 : LOW);
          }
          if (edge) {
            block = this.#block(i >> BITS, j >> BITS, k >> BITS);
            values = this.#values; // a new block may have moved them
            marks = this.#marks;
          }
        }
        if (!dedup) {
          this.#hit(endI, endJ, endK);
          updates += steps;
        }
      }
    }
    this.updates += updates;
  }

  #hit(i: number, j: number, k: number): void {
    const voxel = this.#block(i >> BITS, j >> BITS, k >> BITS) + within(i, j, k);
    if (this.#dedup) {
      if (this.#marks[voxel] === 1) return;
      this.#marks[voxel] = 1;
    }
    this.updates++;
    this.#values[voxel] = Math.min(this.#values[voxel]! + HIT, HIGHEST);
  }

  /** First voxel of a block, made when it is new, its marks wiped when they are of another frame. */
  #block(bx: number, by: number, bz: number): number {
    const key = (bx + REACH) | ((by + REACH) << 10) | ((bz + REACH) << 20);
    const mask = this.#keys.length - 1;
    let place = (Math.imul(key, 0x9e3779b1) >>> 12) & mask;
    while (this.#keys[place] !== key) {
      if (this.#keys[place] === EMPTY) {
        if (2 * (this.#count + 1) > this.#keys.length) {
          this.#growTable();
          return this.#block(bx, by, bz);
        }
        if (this.#count === this.#blockKeys.length) this.#growBlocks();
        this.#keys[place] = key;
        this.#places[place] = this.#count;
        this.#blockKeys[this.#count++] = key;
        break;
      }
      place = (place + 1) & mask;
    }
    const block = this.#places[place]!;
    if (this.#dedup && this.#markedIn[block] !== this.#frame) {
      this.#markedIn[block] = this.#frame;
      this.#marks.fill(0, block * BLOCK, (block + 1) * BLOCK);
    }
    return block * BLOCK;
  }

  #growTable(): void {
    const size = 2 * this.#keys.length;
    this.#keys = new Int32Array(size).fill(EMPTY);
    this.#places = new Int32Array(size);
    for (let block = 0; block < this.#count; block++) {
      const key = this.#blockKeys[block]!;
      let place = (Math.imul(key, 0x9e3779b1) >>> 12) & (size - 1);
      while (this.#keys[place] !== EMPTY) place = (place + 1) & (size - 1);
      this.#keys[place] = key;
      this.#places[place] = block;
    }
  }

  #growBlocks(): void {
    const size = 2 * this.#blockKeys.length;
    const wider = <T extends Int32Array | Int8Array | Uint8Array>(from: T, to: T): T => {
      to.set(from);
      return to;
    };
    this.#blockKeys = wider(this.#blockKeys, new Int32Array(size));
    this.#markedIn = wider(this.#markedIn, new Int32Array(size));
    this.#values = wider(this.#values, new Int8Array(size * BLOCK));
    if (this.#dedup) this.#marks = wider(this.#marks, new Uint8Array(size * BLOCK));
  }
}

const within = (i: number, j: number, k: number): number =>
  (i & LOW) | ((j & LOW) << BITS) | ((k & LOW) << (2 * BITS));
