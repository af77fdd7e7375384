import { BLOCK_SIDE, keyX, keyY, keyZ, packKey, VOXEL } from "../wire/blocks.ts";

// Meshes blocks of voxel classes into few rectangles. A quad is six 16-bit integers: its first corner (x, y, z in voxels from its chunk's
// origin), its face, and its two sides in voxels. The vertex shader computes its corners from them.

/** Numbers per quad. */
export const QUAD = 6;
/** Blocks along a chunk's side; a chunk is one draw call, as high as the map is. */
export const CHUNK_BLOCKS = 16;
/** Faces by number: towards -x, +x, -y, +y, -z, +z. Each has an axis, a sense along it, and the axes of its two sides. */
const AXIS = [0, 0, 1, 1, 2, 2] as const;
const SENSE = [-1, 1, -1, 1, -1, 1] as const;
const U_AXIS = [1, 1, 0, 0, 0, 0] as const;
const V_AXIS = [2, 2, 2, 2, 1, 1] as const;

const MARGIN = 2;
const PADDED = BLOCK_SIDE + 2 * MARGIN;
const STRIDE = [1, PADDED, PADDED * PADDED] as const;

/** Looks up a block; undefined for an unknown one. */
export type Lookup = (key: number) => Uint8Array | undefined;

export const chunkOf = (key: number): string =>
  `${Math.floor(keyX(key) / CHUNK_BLOCKS)},${Math.floor(keyY(key) / CHUNK_BLOCKS)}`;

/** The blocks that share a face with this one. */
export function neighbours(key: number): number[] {
  const [x, y, z] = [keyX(key), keyY(key), keyZ(key)];
  return [
    packKey(x - 1, y, z),
    packKey(x + 1, y, z),
    packKey(x, y - 1, z),
    packKey(x, y + 1, z),
    packKey(x, y, z - 1),
    packKey(x, y, z + 1),
  ];
}

/**
 * Meshes the surface of blocks: the faces of occupied voxels that were seen. A face counts as seen with free space in front of it, at most
 * one undecided voxel away, because evidence for free space next to a surface is weak. The unseen back of a wall has no face, so that one
 * can look into rooms from above.
 *
 * Buffers are reused from one block to the next.
 */
export class BlockMesher {
  readonly #padded = new Uint8Array(PADDED ** 3);
  readonly #rows = new Uint8Array(BLOCK_SIDE);
  #out = new Int16Array(64 * QUAD);
  #used = 0;

  /**
   * @param classes (512) of the block, x fastest, then y, then z
   * @returns quads, six numbers each, in voxels from the corner of the block's chunk (z: from the map's own zero)
   */
  mesh(key: number, classes: Uint8Array, lookup: Lookup): Int16Array {
    this.#used = 0;
    if (!classes.includes(VOXEL.occupied)) return new Int16Array(0);
    this.#pad(key, classes, lookup);
    const inChunk = (block: number) => (block - Math.floor(block / CHUNK_BLOCKS) * CHUNK_BLOCKS) * BLOCK_SIDE;
    const origin = [inChunk(keyX(key)), inChunk(keyY(key)), keyZ(key) * BLOCK_SIDE] as const;
    for (let face = 0; face < 6; face++) this.#meshFace(face, origin);
    return this.#out.slice(0, this.#used);
  }

  /** Copies the block with a margin of two voxels from its six neighbours. Edges and corners of the margin are never read and stay undecided. */
  #pad(key: number, classes: Uint8Array, lookup: Lookup): void {
    const padded = this.#padded;
    padded.fill(VOXEL.undecided);
    const copy = (from: Uint8Array | undefined, dx: number, dy: number, dz: number): void => {
      if (from === undefined) return;
      // The part of the neighbour within the margin.
      const span = (d: number): readonly [number, number] =>
        d < 0 ? [BLOCK_SIDE - MARGIN, BLOCK_SIDE] : d > 0 ? [0, MARGIN] : [0, BLOCK_SIDE];
      const [x0, x1] = span(dx);
      const [y0, y1] = span(dy);
      const [z0, z1] = span(dz);
      for (let z = z0; z < z1; z++) {
        for (let y = y0; y < y1; y++) {
          let to =
            x0 +
            dx * BLOCK_SIDE +
            MARGIN +
            (y + dy * BLOCK_SIDE + MARGIN) * PADDED +
            (z + dz * BLOCK_SIDE + MARGIN) * PADDED * PADDED;
          for (let x = x0, n = (z * BLOCK_SIDE + y) * BLOCK_SIDE + x0; x < x1; x++) padded[to++] = from[n++]!;
        }
      }
    };
    copy(classes, 0, 0, 0);
    const around = neighbours(key);
    for (let face = 0; face < 6; face++) {
      const d = [0, 0, 0];
      d[AXIS[face]!] = SENSE[face]!;
      copy(lookup(around[face]!), d[0]!, d[1]!, d[2]!);
    }
  }

  #meshFace(face: number, origin: readonly [number, number, number]): void {
    const padded = this.#padded;
    const rows = this.#rows;
    const axis = AXIS[face]!;
    const [su, sv, sn] = [STRIDE[U_AXIS[face]!]!, STRIDE[V_AXIS[face]!]!, STRIDE[axis]!];
    const ahead = SENSE[face]! * sn;
    const first = MARGIN * (1 + PADDED + PADDED * PADDED);
    for (let layer = 0; layer < BLOCK_SIDE; layer++) {
      let any = 0;
      for (let v = 0; v < BLOCK_SIDE; v++) {
        let bits = 0;
        for (let u = 0, n = first + layer * sn + v * sv; u < BLOCK_SIDE; u++, n += su) {
          if (padded[n] !== VOXEL.occupied) continue;
          const before = padded[n + ahead]!;
          if (before === VOXEL.free || (before === VOXEL.undecided && padded[n + 2 * ahead] === VOXEL.free)) {
            bits |= 1 << u;
          }
        }
        rows[v] = bits;
        any |= bits;
      }
      if (any !== 0) this.#merge(face, origin, layer);
    }
  }

  /** Covers the set bits of a layer with rectangles, greedily: each as wide as possible, then as high as possible at that width. */
  #merge(face: number, origin: readonly [number, number, number], layer: number): void {
    const [axis, uAxis, vAxis] = [AXIS[face]!, U_AXIS[face]!, V_AXIS[face]!];
    const rows = this.#rows;
    for (let v = 0; v < BLOCK_SIDE; v++) {
      while (rows[v] !== 0) {
        const bits = rows[v]!;
        const u = 31 - Math.clz32(bits & -bits);
        let wide = 1;
        while (u + wide < BLOCK_SIDE && (bits >> (u + wide)) & 1) wide++;
        const mask = ((1 << wide) - 1) << u;
        let high = 1;
        while (v + high < BLOCK_SIDE && (rows[v + high]! & mask) === mask) high++;
        for (let k = 0; k < high; k++) rows[v + k] = rows[v + k]! & ~mask;
        const at = [origin[0], origin[1], origin[2]];
        at[axis] = at[axis]! + layer;
        at[uAxis] = at[uAxis]! + u;
        at[vAxis] = at[vAxis]! + v;
        this.#push(at, face, wide, high);
      }
    }
  }

  #push(at: readonly number[], face: number, wide: number, high: number): void {
    if (this.#used + QUAD > this.#out.length) {
      const more = new Int16Array(2 * this.#out.length);
      more.set(this.#out);
      this.#out = more;
    }
    const out = this.#out;
    const n = this.#used;
    out[n] = at[0]!;
    out[n + 1] = at[1]!;
    out[n + 2] = at[2]!;
    out[n + 3] = face;
    out[n + 4] = wide;
    out[n + 5] = high;
    this.#used = n + QUAD;
  }
}
