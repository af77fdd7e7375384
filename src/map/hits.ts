import { hypot3, log2Of } from "../geometry/elementary.ts";
import { BLOCK_SIDE } from "./grid.ts";
import type { PinholeView } from "./pinhole-view.ts";
import { type DepthPyramid, FINEST } from "./pyramid.ts";

/** Bit patterns per block of hits: eight bricks of 64 bits. */
export const HIT_WORDS = 16;

const FRACTION_BITS = 20;
const ONE = 1 << FRACTION_BITS;
/** Samples of a near, flat cell of 4 x 4 pixels. */
const FEW = 2;
/**
 * The pixels (4 v + u) of a cell in order of sampling; u is flipped from frame to frame. The first four
 * are in four rows, so that no row of a grazing floor is skipped.
 */
const SAMPLE_ORDER = Int32Array.of(0, 6, 9, 15, 2, 4, 11, 13, 1, 3, 5, 7, 8, 10, 12, 14);

/**
 * The voxels in which the pixels of one frame end, each marked once however many pixels end in it.
 *
 * A window of blocks around the lens gives, for each block with hits, its index in a compact list of bit patterns. The window is never
 * cleared: a frame writes values of at least `base`, and for the next frame `base` rises above all of them.
 */
export class FrameHits {
  /** The window is 2^windowBits blocks along each side. */
  readonly windowBits: number;
  readonly window: Int32Array;
  base = 1;
  /** (HIT_WORDS a block) one bit a voxel, brick by brick. */
  bits: Int32Array = new Int32Array(256 * HIT_WORDS);
  /** Blocks with hits, and the index of each in the window; -1 after its hits were used. */
  count = 0;
  blocks: Int32Array = new Int32Array(256);
  /** The window's first block along each axis. */
  originX = 0;
  originY = 0;
  originZ = 0;
  /** Pixels used, and those that ended outside the window. */
  points = 0;
  outside = 0;
  readonly #view: PinholeView;
  readonly #voxelSize: number;
  /** Depth units per voxel. */
  readonly #unit: number;
  // Voxels per depth unit along each world axis, in fixed point: a pixel's ray is its column's part plus its row's.
  readonly #columnX: Int32Array;
  readonly #columnY: Int32Array;
  readonly #columnZ: Int32Array;
  readonly #rowX: Int32Array;
  readonly #rowY: Int32Array;
  readonly #rowZ: Int32Array;
  /** Numbers of samples of a cell: one or two for near and flat cells, else four, eight or sixteen. */
  readonly #sampleU = new Int32Array(FEW + 16);
  readonly #sampleV = new Int32Array(FEW + 16);
  readonly #samplePixel = new Int32Array(FEW + 16);

  constructor(view: PinholeView, voxelSize: number) {
    this.#view = view;
    this.#voxelSize = voxelSize;
    this.#unit = view.unitsPerMetre * voxelSize;
    // The corner of the image is farther than its centre, and the lens anywhere in its own block.
    const slant = hypot3(1, view.width / view.fx / 2, view.height / view.fy / 2);
    const blocks = Math.ceil(((view.maxRange / voxelSize) * slant) / BLOCK_SIDE) + 1;
    this.windowBits = Math.min(7, Math.max(4, Math.ceil(log2Of(2 * blocks))));
    this.window = new Int32Array(1 << (3 * this.windowBits));
    this.#columnX = new Int32Array(view.width);
    this.#columnY = new Int32Array(view.width);
    this.#columnZ = new Int32Array(view.width);
    this.#rowX = new Int32Array(view.height);
    this.#rowY = new Int32Array(view.height);
    this.#rowZ = new Int32Array(view.height);
  }

  /**
   * Marks the voxels in which sampled pixels end. Flat, near surfaces need few pixels, edges all of them.
   * @param depth    (height * width) in units
   * @param pyramid  of the same depth
   * @param frame    number of the frame: which pixels are sampled moves with it
   * @param rotation (9) row-major worldFromLens, `position` (3) metres
   */
  scatter(
    depth: Uint16Array,
    pyramid: DepthPyramid,
    frame: number,
    { rotation, position }: { rotation: Float64Array; position: Float64Array },
  ): void {
    this.#setRays(rotation);
    this.#placeSamples(frame);
    this.#mark(depth, pyramid, position);
  }

  #setRays(R: Float64Array): void {
    const { width, height, fx, fy, cx, cy } = this.#view;
    const columnX = this.#columnX;
    const columnY = this.#columnY;
    const columnZ = this.#columnZ;
    const scale = ONE / this.#unit;
    for (let u = 0; u < width; u++) {
      const a = ((u - cx) / fx) * scale;
      columnX[u] = R[0]! * a;
      columnY[u] = R[3]! * a;
      columnZ[u] = R[6]! * a;
    }
    const rowX = this.#rowX;
    const rowY = this.#rowY;
    const rowZ = this.#rowZ;
    for (let v = 0; v < height; v++) {
      const b = ((v - cy) / fy) * scale;
      rowX[v] = R[1]! * b + R[2]! * scale;
      rowY[v] = R[4]! * b + R[5]! * scale;
      rowZ[v] = R[7]! * b + R[8]! * scale;
    }
  }

  /** Order of the samples in a cell; it changes from frame to frame. */
  #placeSamples(frame: number): void {
    const phase = 3 * frame;
    const du = phase & 3;
    const dv = (phase >> 2) & 3;
    for (let sample = 0; sample < FEW + 16; sample++) {
      const order = sample < FEW ? 0 : SAMPLE_ORDER[sample - FEW]!;
      const u = du ^ (sample < FEW ? 2 * sample : order & 3);
      const v = sample < FEW ? dv ^ (2 * sample) : order >> 2;
      this.#sampleU[sample] = u;
      this.#sampleV[sample] = v;
      this.#samplePixel[sample] = v * this.#view.width + u;
    }
  }

  /** The lens's position along one axis in fixed point, from the window's first block. Callers repeat `| 0`, or sums become doubles. */
  #fromOrigin(metres: number, origin: number): number {
    return (metres * (ONE / this.#voxelSize) - origin * BLOCK_SIDE * ONE) | 0;
  }

  /** The loop over sampled pixels. One long function: a call per cell or pixel would cost more than its work. */
  #mark(depth: Uint16Array, pyramid: DepthPyramid, t: Float64Array): void {
    const { width, fx, fy } = this.#view;
    const columnX = this.#columnX;
    const columnY = this.#columnY;
    const columnZ = this.#columnZ;
    const rowX = this.#rowX;
    const rowY = this.#rowY;
    const rowZ = this.#rowZ;
    const bits = this.windowBits;
    const half = 1 << (bits - 1);
    const perBlock = this.#voxelSize * BLOCK_SIDE;
    this.originX = Math.floor(t[0]! / perBlock) - half;
    this.originY = Math.floor(t[1]! / perBlock) - half;
    this.originZ = Math.floor(t[2]! / perBlock) - half;
    const ox = this.#fromOrigin(t[0]!, this.originX) | 0;
    const oy = this.#fromOrigin(t[1]!, this.originY) | 0;
    const oz = this.#fromOrigin(t[2]!, this.originZ) | 0;
    const window = this.window;
    const base = this.base;
    const outsideMask = ~((1 << (bits + 3)) - 1);
    const shiftY = bits;
    const shiftZ = 2 * bits;
    let hitBits: Int32Array = this.bits;
    let hitCount = 0;
    const { nearest, farthest } = pyramid;
    // One sample per (0.7 voxel)^2 of a surface that faces the lens; three times the distance is assumed where it does not.
    const near1 = (0.7 * this.#unit * Math.sqrt(fx * fy)) / 4;
    const near2 = near1 * Math.SQRT2;
    const near4 = near1 * 2;
    const near8 = near1 * 4;
    const flat = 2 * this.#unit;
    const sampleU = this.#sampleU;
    const sampleV = this.#sampleV;
    const samplePixel = this.#samplePixel;
    const columns = pyramid.columns[FINEST]!;
    const rows = pyramid.rows[FINEST]!;
    let points = 0;
    let outside = 0;
    for (let j = 0; j < rows; j++) {
      let cell = pyramid.origin[FINEST]! + j * pyramid.pitch[FINEST]!;
      for (let i = 0; i < columns; i++, cell++) {
        const most = farthest[cell]!;
        if (most === 0) continue;
        const reach = most - nearest[cell]! < flat ? most : most * 3;
        let sample = 0;
        let end = reach < near1 ? 1 : FEW;
        if (reach >= near2) {
          sample = FEW;
          end = FEW + (reach < near4 ? 4 : reach < near8 ? 8 : 16);
        }
        const u0 = 4 * i;
        const v0 = 4 * j;
        const pixel = Math.imul(v0, width) + u0;
        for (; sample < end; sample++) {
          const d = depth[pixel + samplePixel[sample]!]!;
          if (d === 0) continue;
          points++;
          const u = u0 + sampleU[sample]!;
          const v = v0 + sampleV[sample]!;
          const x = (ox + Math.imul(d, rowX[v]! + columnX[u]!)) >> FRACTION_BITS;
          const y = (oy + Math.imul(d, rowY[v]! + columnY[u]!)) >> FRACTION_BITS;
          const z = (oz + Math.imul(d, rowZ[v]! + columnZ[u]!)) >> FRACTION_BITS;
          if (((x | y | z) & outsideMask) !== 0) {
            outside++;
            continue;
          }
          const place = (x >> 3) | ((y >> 3) << shiftY) | ((z >> 3) << shiftZ);
          let hit = window[place]! - base;
          if (hit < 0) {
            hit = hitCount++;
            if (hit === this.blocks.length) hitBits = this.#grow();
            window[place] = base + hit;
            this.blocks[hit] = place;
          }
          const word = hit * HIT_WORDS + (((x >> 1) & 2) | (y & 4) | ((z << 1) & 8) | ((z >> 1) & 1));
          // A shift takes its count modulo 32, so that of z only the lowest bit counts.
          hitBits[word] = hitBits[word]! | (1 << ((z << 4) | ((y & 3) << 2) | (x & 3)));
        }
      }
    }
    this.count = hitCount;
    this.points = points;
    this.outside = outside;
  }

  #grow(): Int32Array {
    const bits = new Int32Array(this.bits.length * 2);
    bits.set(this.bits);
    const blocks = new Int32Array(this.blocks.length * 2);
    blocks.set(this.blocks);
    this.bits = bits;
    this.blocks = blocks;
    return bits;
  }

  /** A block's hits have been used. */
  clear(hit: number): void {
    this.bits.fill(0, hit * HIT_WORDS, (hit + 1) * HIT_WORDS);
    this.blocks[hit] = -1;
  }

  /** All hits of the frame have been used: the next begins. */
  finish(): void {
    this.base += this.count;
    if (this.base > 0x3fffffff) {
      this.window.fill(0);
      this.base = 1;
    }
  }
}
