import type { EvidenceTable } from "./evidence.ts";
import { BLOCK_SIDE, type BlockGrid, blockKey, inReach, keyX, keyY, keyZ, TOP } from "./grid.ts";
import { COARSEST, DepthPyramid, FINEST, PAD } from "./pyramid.ts";

/** An ideal pinhole image of z-depth: what every camera model is brought to before it carves the map. */
export interface PinholeView {
  /** Pixels; the width even. */
  readonly width: number;
  readonly height: number;
  readonly fx: number;
  readonly fy: number;
  readonly cx: number;
  readonly cy: number;
  /** Depth counts per metre. */
  readonly unitsPerMetre: number;
  /** Metres along z; nothing beyond is in the image. */
  readonly maxRange: number;
}

/** What one frame did, for pulse and benchmarks. Reused: read it before the next frame. */
export interface IntegrationCounts {
  /** Pixels used as hits. */
  points: number;
  /** Hits outside the map's reach or the frame's window, left out. */
  outside: number;
  /** Blocks and bricks looked at, bricks freed as a whole, bricks decided voxel by voxel. */
  blocks: number;
  bricks: number;
  bulk: number;
  mixed: number;
}

const LANES = 0x01010101;
const HIGH = 0x80808080 | 0;
const LANES_LOW = 0x7f7f7f7f;
const ABOVE_TOP = Math.imul(127 - TOP, LANES);
const TOPS = Math.imul(TOP, LANES);
/** Set in a voxel that is occupied; below, this tells unknown from free (grid.ts). */
const OCCUPIED_BIT = 0x40404040;
const KNOWN_BIT = 0x20202020;
/** Spreads four voxel bits to the four bytes of a word. */
const SPREAD = Int32Array.from({ length: 16 }, (_, bits) => {
  let word = 0;
  for (let lane = 0; lane < 4; lane++) if ((bits >> lane) & 1) word |= 0x7f << (8 * lane);
  return word;
});
const HIT_FRACTION_BITS = 20;
/** Samples of a near, flat cell of 4 x 4 pixels. */
const FEW = 2;
/**
 * The pixels (4 v + u) of a cell in the order in which they are sampled; u is flipped from frame to frame. The first four
 * are in four rows, so that no row of a grazing floor goes unread.
 */
const SAMPLE_ORDER = Int32Array.of(0, 6, 9, 15, 2, 4, 11, 13, 1, 3, 5, 7, 8, 10, 12, 14);
/** Bit patterns per block of hits: eight bricks of 64 bits. */
const HIT_WORDS = 16;

/**
 * Projective integration of one pinhole sensor into a grid.
 *
 * Each end point marks its voxel, exactly and once a frame (scatter). Free space is gathered: every brick of
 * 4 x 4 x 4 voxels in view is compared with the nearest and farthest depth over its footprint. Behind all of
 * it: skipped; in front of all of it: freed as a whole; else a voxel is freed only if its far side is nearer
 * than the nearest depth in the pyramid cell that it falls into. Hits win over free within a frame.
 *
 * Each frame gathers one of `carveEvery` interleaved sets of bricks with evidence to match: frames 70 ms apart
 * are no independent looks, and a frame then costs little more than its hits.
 */
export class Integrator {
  readonly counts: IntegrationCounts = { points: 0, outside: 0, blocks: 0, bricks: 0, bulk: 0, mixed: 0 };
  readonly #grid: BlockGrid;
  readonly #view: PinholeView;
  readonly #evidence: EvidenceTable;
  readonly #carveEvery: number;
  readonly #pyramid: DepthPyramid;
  /** Depth units per voxel. */
  readonly #unit: number;

  // The frame's hits: a window of blocks around the lens, each with a place in a compact list of bit patterns.
  readonly #windowBits: number;
  readonly #window: Int32Array;
  #windowBase = 1;
  #hitBits: Int32Array = new Int32Array(256 * HIT_WORDS);
  #hitBlocks: Int32Array = new Int32Array(256);
  #hitCount = 0;
  #originX = 0;
  #originY = 0;
  #originZ = 0;
  readonly #columnX: Int32Array;
  readonly #columnY: Int32Array;
  readonly #columnZ: Int32Array;
  readonly #rowX: Int32Array;
  readonly #rowY: Int32Array;
  readonly #rowZ: Int32Array;
  /** A cell's samples, first one or two for near and flat ones, then four, eight or sixteen. */
  readonly #sampleU = new Int32Array(FEW + 16);
  readonly #sampleV = new Int32Array(FEW + 16);
  readonly #samplePixel = new Int32Array(FEW + 16);

  /** Per block, at its place in an endless tiling by the window: bricks whose last carving changed nothing. */
  readonly #barren: Uint8Array;

  // Blocks in view that may change: id or -1, key, place in the hit list or -1, centre in the lens frame.
  #listed = 0;
  #listId: Int32Array = new Int32Array(1024);
  #listKey: Int32Array = new Int32Array(1024);
  #listHit: Int32Array = new Int32Array(1024);
  /** One bit a brick, set if it is not carved in this frame. */
  #listSkip: Int32Array = new Int32Array(1024);
  /** No ray through the block got farther than this. */
  #listFar: Int32Array = new Int32Array(1024);
  #listCentre = new Float64Array(3 * 1024);
  // Of the frame at hand: half a voxel's extent along u and v times depth, and the last pixel.
  #halfU = 0;
  #halfV = 0;
  readonly #lastU: number;
  readonly #lastV: number;
  readonly #steps = new Float64Array(15);
  readonly #brickOffset = new Float64Array(24);
  /** The brick at hand: its centre in the lens frame. A call would box three doubles each time. */
  readonly #brick = new Float64Array(3);
  #free0 = 0;
  #free1 = 0;

  /**
   * @param carveEvery 1 gathers every brick in every frame, 2 every other one in turn, ...
   * @throws {RangeError} if the view's range is more than 500 voxels or its depths do not fit 15 bits
   */
  constructor(grid: BlockGrid, view: PinholeView, evidence: EvidenceTable, carveEvery: number) {
    const reach = view.maxRange / grid.voxelSize;
    if (!(reach > 0 && reach <= 500)) {
      throw new RangeError(
        `maximum range ${view.maxRange} m is ${reach.toFixed(0)} voxels of ${grid.voxelSize} m; at most 500: ` +
          "take larger voxels or a shorter range",
      );
    }
    if (!(view.maxRange * view.unitsPerMetre < 32768)) {
      throw new RangeError(
        `maximum range ${view.maxRange} m needs more than 15 bits at ${view.unitsPerMetre} counts/m`,
      );
    }
    this.#grid = grid;
    // Of one shape, whatever the caller's object is made of: what reads it is compiled for that shape.
    const { width, height, fx, fy, cx, cy, unitsPerMetre, maxRange } = view;
    this.#view = { width, height, fx, fy, cx, cy, unitsPerMetre, maxRange };
    this.#evidence = evidence;
    this.#carveEvery = carveEvery;
    this.#pyramid = new DepthPyramid(view.width, view.height);
    this.#lastU = this.#pyramid.width - 1;
    this.#lastV = this.#pyramid.height - 1;
    this.#unit = view.unitsPerMetre * grid.voxelSize;
    // The corner of the image is farther than its centre, and the lens anywhere in its own block.
    const slant = Math.hypot(1, view.width / view.fx / 2, view.height / view.fy / 2);
    const blocks = Math.ceil((reach * slant) / BLOCK_SIDE) + 1;
    this.#windowBits = Math.min(7, Math.max(4, Math.ceil(Math.log2(2 * blocks))));
    this.#window = new Int32Array(1 << (3 * this.#windowBits));
    this.#barren = new Uint8Array(this.#window.length);
    this.#columnX = new Int32Array(view.width);
    this.#columnY = new Int32Array(view.width);
    this.#columnZ = new Int32Array(view.width);
    this.#rowX = new Int32Array(view.height);
    this.#rowY = new Int32Array(view.height);
    this.#rowZ = new Int32Array(view.height);
  }

  /**
   * Adds one frame. `grid.frame` must already be the frame's own number.
   *
   * @param depth (height * width) z-depth in the view's units, 0 for none, all below 32768
   * @param rotation (9) row-major worldFromLens
   * @param position (3) of the lens in the world, metres
   */
  integrate(depth: Uint16Array, rotation: Float64Array, position: Float64Array): void {
    const { width, height } = this.#view;
    if (depth.length !== width * height) {
      throw new RangeError(`depth has ${depth.length} pixels, the view ${width}x${height}`);
    }
    const far = this.#pyramid.build(depth);
    const counts = this.counts;
    counts.points = 0;
    counts.outside = 0;
    counts.blocks = 0;
    counts.bricks = 0;
    counts.bulk = 0;
    counts.mixed = 0;
    if (far === 0) return;
    this.#scatter(depth, rotation, position);
    this.#list(rotation, position, far);
    this.#gather(rotation, far);
    this.#flushHits();
    this.#windowBase += this.#hitCount;
    if (this.#windowBase > 0x3fffffff) {
      this.#window.fill(0);
      this.#windowBase = 1;
    }
  }

  /** Marks the voxels in which sampled pixels end. Flat, near surfaces need few pixels, edges all of them. */
  #scatter(depth: Uint16Array, R: Float64Array, t: Float64Array): void {
    const { width, height, fx, fy, cx, cy } = this.#view;
    const columnX = this.#columnX;
    const columnY = this.#columnY;
    const columnZ = this.#columnZ;
    const scale = 2 ** HIT_FRACTION_BITS / this.#unit;
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
    const bits = this.#windowBits;
    const half = 1 << (bits - 1);
    const perBlock = this.#grid.voxelSize * BLOCK_SIDE;
    const blockX = Math.floor(t[0]! / perBlock) - half;
    const blockY = Math.floor(t[1]! / perBlock) - half;
    const blockZ = Math.floor(t[2]! / perBlock) - half;
    this.#originX = blockX;
    this.#originY = blockY;
    this.#originZ = blockZ;
    const one = 2 ** HIT_FRACTION_BITS / this.#grid.voxelSize;
    const ox = (t[0]! * one - blockX * BLOCK_SIDE * 2 ** HIT_FRACTION_BITS) | 0;
    const oy = (t[1]! * one - blockY * BLOCK_SIDE * 2 ** HIT_FRACTION_BITS) | 0;
    const oz = (t[2]! * one - blockZ * BLOCK_SIDE * 2 ** HIT_FRACTION_BITS) | 0;
    const window = this.#window;
    const base = this.#windowBase;
    const outsideMask = ~((1 << (bits + 3)) - 1);
    const shiftY = bits;
    const shiftZ = 2 * bits;
    let hitBits: Int32Array = this.#hitBits;
    let hitCount = 0;
    const { nearest, farthest } = this.#pyramid;
    // One sample per 0.7 voxel squared of a surface that faces the lens; as if thrice as far where it does not.
    const near1 = (0.7 * this.#unit * Math.sqrt(fx * fy)) / 4;
    const near2 = near1 * Math.SQRT2;
    const near4 = near1 * 2;
    const near8 = near1 * 4;
    const flat = 2 * this.#unit;
    this.#placeSamples();
    const sampleU = this.#sampleU;
    const sampleV = this.#sampleV;
    const samplePixel = this.#samplePixel;
    const columns = this.#pyramid.columns[FINEST]!;
    const rows = this.#pyramid.rows[FINEST]!;
    let points = 0;
    let outside = 0;
    for (let j = 0; j < rows; j++) {
      let cell = this.#pyramid.origin[FINEST]! + j * this.#pyramid.pitch[FINEST]!;
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
          const x = (ox + Math.imul(d, rowX[v]! + columnX[u]!)) >> HIT_FRACTION_BITS;
          const y = (oy + Math.imul(d, rowY[v]! + columnY[u]!)) >> HIT_FRACTION_BITS;
          const z = (oz + Math.imul(d, rowZ[v]! + columnZ[u]!)) >> HIT_FRACTION_BITS;
          if (((x | y | z) & outsideMask) !== 0) {
            outside++;
            continue;
          }
          const place = (x >> 3) | ((y >> 3) << shiftY) | ((z >> 3) << shiftZ);
          let hit = window[place]! - base;
          if (hit < 0) {
            hit = hitCount++;
            if (hit === this.#hitBlocks.length) hitBits = this.#growHits();
            window[place] = base + hit;
            this.#hitBlocks[hit] = place;
          }
          const word = hit * HIT_WORDS + (((x >> 1) & 2) | (y & 4) | ((z << 1) & 8) | ((z >> 1) & 1));
          // A shift takes its count modulo 32: of z only the lowest bit tells.
          hitBits[word] = hitBits[word]! | (1 << ((z << 4) | ((y & 3) << 2) | (x & 3)));
        }
      }
    }
    this.#hitCount = hitCount;
    this.counts.points = points;
    this.counts.outside = outside;
  }

  /** Where in a cell its samples lie; it moves from frame to frame. */
  #placeSamples(): void {
    const phase = 3 * this.#grid.frame;
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

  #growHits(): Int32Array {
    const bits = new Int32Array(this.#hitBits.length * 2);
    bits.set(this.#hitBits);
    const blocks = new Int32Array(this.#hitBlocks.length * 2);
    blocks.set(this.#hitBlocks);
    this.#hitBits = bits;
    this.#hitBlocks = blocks;
    return bits;
  }

  #growList(): void {
    const size = this.#listId.length * 2;
    const wider = (from: Int32Array): Int32Array => {
      const to = new Int32Array(size);
      to.set(from);
      return to;
    };
    this.#listId = wider(this.#listId);
    this.#listKey = wider(this.#listKey);
    this.#listHit = wider(this.#listHit);
    this.#listSkip = wider(this.#listSkip);
    this.#listFar = wider(this.#listFar);
    const centre = new Float64Array(3 * size);
    centre.set(this.#listCentre);
    this.#listCentre = centre;
  }

  /** Finds the blocks in view that are not wholly behind what was seen, nor already clamped free. */
  #list(R: Float64Array, t: Float64Array, farthestDepth: number): void {
    const { width, height, fx, fy, unitsPerMetre } = this.#view;
    const cx = this.#view.cx + 0.5;
    const cy = this.#view.cy + 0.5;
    const grid = this.#grid;
    const unit = this.#unit;
    const far = farthestDepth + 2 * unit;
    const near = 3 * unit;
    // The lens frame in depth units: what one voxel along each world axis adds to lens x, y, z.
    const xX = R[0]! * unit;
    const xY = R[1]! * unit;
    const xZ = R[2]! * unit;
    const yX = R[3]! * unit;
    const yY = R[4]! * unit;
    const yZ = R[5]! * unit;
    const zX = R[6]! * unit;
    const zY = R[7]! * unit;
    const zZ = R[8]! * unit;
    const tx = t[0]! * unitsPerMetre;
    const ty = t[1]! * unitsPerMetre;
    const tz = t[2]! * unitsPerMetre;
    // Half a block's extent along the lens axes, and towards each side plane of the image.
    const hX = 4 * (Math.abs(xX) + Math.abs(yX) + Math.abs(zX));
    const hY = 4 * (Math.abs(xY) + Math.abs(yY) + Math.abs(zY));
    const hZ = 4 * (Math.abs(xZ) + Math.abs(yZ) + Math.abs(zZ));
    const left = cx;
    const right = width - cx;
    const top = cy;
    const bottom = height - cy;
    const acrossX = (p: number, q: number): number =>
      4 * (Math.abs(p * xX + q * xZ) + Math.abs(p * yX + q * yZ) + Math.abs(p * zX + q * zZ));
    const acrossY = (p: number, q: number): number =>
      4 * (Math.abs(p * xY + q * xZ) + Math.abs(p * yY + q * yZ) + Math.abs(p * zY + q * zZ));
    const eLeft = -acrossX(fx, left);
    const eRight = -acrossX(-fx, right);
    const eTop = -acrossY(fy, top);
    const eBottom = -acrossY(-fy, bottom);
    // The box of blocks around the viewing pyramid.
    let x0 = tx;
    let x1 = tx;
    let y0 = ty;
    let y1 = ty;
    let z0 = tz;
    let z1 = tz;
    for (let corner = 0; corner < 4; corner++) {
      const a = (((corner & 1 ? width : 0) - cx) / fx) * far;
      const b = (((corner & 2 ? height : 0) - cy) / fy) * far;
      const x = tx + R[0]! * a + R[1]! * b + R[2]! * far;
      const y = ty + R[3]! * a + R[4]! * b + R[5]! * far;
      const z = tz + R[6]! * a + R[7]! * b + R[8]! * far;
      x0 = Math.min(x0, x);
      x1 = Math.max(x1, x);
      y0 = Math.min(y0, y);
      y1 = Math.max(y1, y);
      z0 = Math.min(z0, z);
      z1 = Math.max(z1, z);
    }
    const size = BLOCK_SIDE * unit;
    const bx0 = Math.floor(x0 / size);
    const bx1 = Math.floor(x1 / size);
    const by0 = Math.floor(y0 / size);
    const by1 = Math.floor(y1 / size);
    const bz0 = Math.floor(z0 / size);
    const bz1 = Math.floor(z1 / size);
    if (!inReach(bx0, by0, bz0) || !inReach(bx1, by1, bz1)) {
      // Seen only at the rim of the map's reach, some hundreds of metres out.
      this.counts.outside += this.counts.points;
    }
    const { windowFarthest, origin, pitch } = this.#pyramid;
    const window = this.#window;
    const base = this.#windowBase;
    const bits = this.#windowBits;
    const half = 1 << bits;
    const every = this.#carveEvery;
    const period = 2 * every;
    // Not negative, whatever the block.
    const phase = (grid.frame % period) + 4096 * period;
    const barren = this.#barren;
    const torus = half - 1;
    let n = 0;
    let seen = 0;
    for (let bz = bz0; bz <= bz1; bz++) {
      const wz = bz - this.#originZ;
      for (let by = by0; by <= by1; by++) {
        const wy = by - this.#originY;
        const gx = (bx0 + 0.5) * size - tx;
        const gy = (by + 0.5) * size - ty;
        const gz = (bz + 0.5) * size - tz;
        let cX = R[0]! * gx + R[3]! * gy + R[6]! * gz;
        let cY = R[1]! * gx + R[4]! * gy + R[7]! * gz;
        let cZ = R[2]! * gx + R[5]! * gy + R[8]! * gz;
        for (let bx = bx0; bx <= bx1; bx++, cX += 8 * xX, cY += 8 * xY, cZ += 8 * xZ) {
          if (cZ - hZ > far || cZ + hZ < near) continue;
          const a = fx * cX;
          const b = fy * cY;
          if (a + left * cZ < eLeft || right * cZ - a < eRight) continue;
          if (b + top * cZ < eTop || bottom * cZ - b < eBottom) continue;
          seen++;
          const wx = bx - this.#originX;
          let hit = -1;
          if (((wx | wy | wz) & -half) === 0) {
            hit = window[wx | (wy << bits) | (wz << (2 * bits))]! - base;
          }
          const turn = (bx + by + bz + phase) % period;
          let skip = 0;
          if (turn !== 0) {
            skip = 255;
            if (turn === every)
              skip = barren[(bx & torus) | ((by & torus) << bits) | ((bz & torus) << (2 * bits))]!;
          }
          if (hit < 0 && skip === 255) continue;
          const zn = cZ - hZ;
          let farthest = 32767;
          if (zn > near) {
            // Behind everything in its footprint?
            const r = 1 / cZ;
            const rn = 1 / zn;
            const u = a * r;
            const v = b * r;
            const ru = (fx * hX + Math.abs(u) * hZ) * rn;
            const rv = (fy * hY + Math.abs(v) * hZ) * rn;
            const w = 2 * (ru > rv ? ru : rv);
            let level = 32 - Math.clz32(w | 0);
            if (level < FINEST) level = FINEST;
            if (level <= COARSEST) {
              // Shifting before >> makes the truncation a floor for the little that is left of the image.
              const i = (((u + cx - ru + 4096) | 0) - 4096) >> level;
              const j = (((v + cy - rv + 4096) | 0) - 4096) >> level;
              farthest = windowFarthest[origin[level]! + j * pitch[level]! + i]!;
              if (hit < 0 && zn > farthest) continue;
            }
          }
          if (!inReach(bx, by, bz)) continue;
          const key = blockKey(bx, by, bz);
          const id = grid.find(key);
          if (id >= 0) {
            grid.touched[id] = grid.frame;
            skip |= grid.saturated[id]!;
            if (hit < 0 && skip === 255) continue;
          }
          if (n === this.#listId.length) this.#growList();
          this.#listId[n] = id;
          this.#listKey[n] = key;
          this.#listHit[n] = hit;
          this.#listFar[n] = farthest;
          this.#listSkip[n] = skip;
          this.#listCentre[3 * n] = cX;
          this.#listCentre[3 * n + 1] = cY;
          this.#listCentre[3 * n + 2] = cZ;
          n++;
        }
      }
    }
    this.#listed = n;
    this.counts.blocks = seen;
  }

  /** Decides the bricks of the listed blocks. */
  #gather(R: Float64Array, farthestDepth: number): void {
    const { width, height, fx, fy } = this.#view;
    const cx = this.#view.cx + 0.5;
    const cy = this.#view.cy + 0.5;
    const grid = this.#grid;
    const unit = this.#unit;
    const { windowNearest, windowFarthest, origin, pitch } = this.#pyramid;
    const { hit: hitSteps, free: freeSteps, bucket } = this.#evidence;
    const perBucket = 1 / (bucket * this.#view.unitsPerMetre);
    const lastBucket = hitSteps.length - 1;
    // A little less than half: a corner that just touches the image is no evidence.
    this.#halfU = 0.45 * fx * unit * (Math.abs(R[0]!) + Math.abs(R[3]!) + Math.abs(R[6]!));
    this.#halfV = 0.45 * fy * unit * (Math.abs(R[1]!) + Math.abs(R[4]!) + Math.abs(R[7]!));
    const reach = 2 * unit;
    const r0 = R[0]!;
    const r1 = R[1]!;
    const r2 = R[2]!;
    const r3 = R[3]!;
    const r4 = R[4]!;
    const r5 = R[5]!;
    const r6 = R[6]!;
    const r7 = R[7]!;
    const r8 = R[8]!;
    const reachU = fx * reach;
    const reachV = fy * reach;
    this.#prepareSteps(R);
    const offset = this.#brickOffset;
    const hZ = reach * (Math.abs(R[2]!) + Math.abs(R[5]!) + Math.abs(R[8]!));
    const near = 2 * unit;
    const far = farthestDepth + unit;
    const listId = this.#listId;
    const listKey = this.#listKey;
    const listHit = this.#listHit;
    const listCentre = this.#listCentre;
    const barren = this.#barren;
    const torusBits = this.#windowBits;
    const torus = (1 << torusBits) - 1;
    const hitBits = this.#hitBits;
    const centre = this.#brick;
    let bricks = 0;
    let bulk = 0;
    let mixed = 0;
    for (let n = 0; n < this.#listed; n++) {
      let id = listId[n]!;
      const key = listKey[n]!;
      const hit = listHit[n]!;
      const skip = this.#listSkip[n]!;
      const place =
        (keyX(key) & torus) | ((keyY(key) & torus) << torusBits) | ((keyZ(key) & torus) << (2 * torusBits));
      let idle = barren[place]!;
      const blockFar = this.#listFar[n]!;
      const centreX = listCentre[3 * n]!;
      const centreY = listCentre[3 * n + 1]!;
      const centreZ = listCentre[3 * n + 2]!;
      for (let brick = 0; brick < 8; brick++) {
        let h0 = 0;
        let h1 = 0;
        if (hit >= 0) {
          h0 = hitBits[hit * HIT_WORDS + 2 * brick]!;
          h1 = hitBits[hit * HIT_WORDS + 2 * brick + 1]!;
        }
        const isHit = (h0 | h1) !== 0;
        const isCarved = ((skip >> brick) & 1) === 0;
        if (!isHit && !isCarved) continue;
        const Z = centreZ + offset[3 * brick + 2]!;
        const zn = Z - hZ;
        if (!isHit && zn > blockFar) continue;
        const X = centreX + offset[3 * brick]!;
        const Y = centreY + offset[3 * brick + 1]!;
        bricks++;
        centre[0] = X;
        centre[1] = Y;
        centre[2] = Z;
        this.#free0 = 0;
        this.#free1 = 0;
        let isIdle = false;
        if (isCarved && zn < far && Z + hZ > near) {
          if (zn > near) {
            // |(X + dX) / (Z + dZ) - X / Z| = |dX - x dZ| / (Z + dZ) with x = X / Z, over the corners.
            const rn = 1 / zn;
            const rz = 1 / Z;
            const x = X * rz;
            const y = Y * rz;
            const ru = reachU * rn * (Math.abs(r0 - x * r2) + Math.abs(r3 - x * r5) + Math.abs(r6 - x * r8));
            const rv = reachV * rn * (Math.abs(r1 - y * r2) + Math.abs(r4 - y * r5) + Math.abs(r7 - y * r8));
            const u0 = fx * x + cx - ru;
            const v0 = fy * y + cy - rv;
            const u1 = u0 + 2 * ru;
            const v1 = v0 + 2 * rv;
            if (u0 < width && v0 < height && u1 > 0 && v1 > 0) {
              // Four windows of 2 x 2 cells cover the footprint if it is at most three cells wide.
              let level = 32 - Math.clz32(((ru > rv ? ru : rv) * (2 / 3)) | 0);
              if (level < FINEST) level = FINEST;
              let nearest = 0;
              let farthest = 32767;
              if (level <= COARSEST - 1) {
                const i0 = (((u0 + 4096) | 0) - 4096) >> level;
                const j0 = (((v0 + 4096) | 0) - 4096) >> level;
                let i1 = ((((u1 + 4096) | 0) - 4096) >> level) - 1;
                let j1 = ((((v1 + 4096) | 0) - 4096) >> level) - 1;
                if (i1 < i0) i1 = i0;
                if (j1 < j0) j1 = j0;
                const row0 = origin[level]! + j0 * pitch[level]!;
                const row1 = origin[level]! + j1 * pitch[level]!;
                const p00 = row0 + i0;
                const p01 = row0 + i1;
                const p10 = row1 + i0;
                const p11 = row1 + i1;
                nearest = windowNearest[p00]!;
                let d = windowNearest[p01]! - nearest;
                nearest += d & (d >> 31);
                d = windowNearest[p10]! - nearest;
                nearest += d & (d >> 31);
                d = windowNearest[p11]! - nearest;
                nearest += d & (d >> 31);
                farthest = windowFarthest[p00]!;
                d = farthest - windowFarthest[p01]!;
                farthest -= d & (d >> 31);
                d = farthest - windowFarthest[p10]!;
                farthest -= d & (d >> 31);
                d = farthest - windowFarthest[p11]!;
                farthest -= d & (d >> 31);
              }
              if (zn < farthest) {
                if (!isHit && Z + hZ < nearest) {
                  bulk++;
                  if (id < 0) id = grid.findOrAdd(key);
                  this.#freeBrick(id, brick, freeSteps[Math.min(lastBucket, (Z * perBucket) | 0)]!);
                  // What clears as a whole is looked at in every turn until it has.
                  idle &= ~(1 << brick);
                  continue;
                }
                mixed++;
                const isRim = u0 < 0 || v0 < 0 || u1 > width || v1 > height;
                this.#decideVoxels(id, brick, farthest, isRim);
                isIdle = true;
              } else isIdle = true;
            }
          } else {
            mixed++;
            this.#decideNearVoxels(R);
          }
        }
        if (isHit || (this.#free0 | this.#free1) !== 0) {
          if (id < 0) id = grid.findOrAdd(key);
          const entry = Math.max(0, Math.min(lastBucket, (Z * perBucket) | 0));
          const change = this.#applyBrick(
            id,
            brick,
            h0,
            h1,
            this.#free0,
            this.#free1,
            hitSteps[entry]!,
            freeSteps[entry]!,
          );
          if (change !== 0) isIdle = false;
        }
        if (isIdle) idle |= 1 << brick;
        else if (isCarved) idle &= ~(1 << brick);
      }
      barren[place] = idle;
      if (hit >= 0) this.#clearHit(hit);
    }
    this.counts.bricks = bricks;
    this.counts.bulk = bulk;
    this.counts.mixed = mixed;
  }

  /** What one step of a voxel along each world axis adds in the lens frame, once a frame. */
  #prepareSteps(R: Float64Array): void {
    const { fx, fy } = this.#view;
    const cx = this.#view.cx + 0.5;
    const cy = this.#view.cy + 0.5;
    const unit = this.#unit;
    const steps = this.#steps;
    // The numerators of u and v, and depth, are linear in the voxel's place.
    for (let axis = 0; axis < 3; axis++) {
      steps[axis] = unit * (fx * R[3 * axis]! + cx * R[3 * axis + 2]!);
      steps[3 + axis] = unit * (fy * R[3 * axis + 1]! + cy * R[3 * axis + 2]!);
      steps[6 + axis] = unit * R[3 * axis + 2]!;
    }
    steps[9] = 0.4 * (Math.abs(steps[6]!) + Math.abs(steps[7]!) + Math.abs(steps[8]!));
    steps[10] = fx;
    steps[11] = cx;
    steps[12] = fy;
    steps[13] = cy;
    steps[14] = fx * unit;
    for (let brick = 0; brick < 8; brick++) {
      const x = unit * ((brick & 1) * 4 - 2);
      const y = unit * (((brick >> 1) & 1) * 4 - 2);
      const z = unit * ((brick >> 2) * 4 - 2);
      for (let k = 0; k < 3; k++)
        this.#brickOffset[3 * brick + k] = x * R[k]! + y * R[3 + k]! + z * R[6 + k]!;
    }
  }

  /** Tests 64 voxels of a brick wholly in front of the lens; sets the bits of those to be freed. */
  #decideVoxels(id: number, brick: number, behind: number, isRim: boolean): void {
    const X = this.#brick[0]!;
    const Y = this.#brick[1]!;
    const Z = this.#brick[2]!;
    const grid = this.#grid;
    const steps = this.#steps;
    // A cell no wider than the voxel's own footprint: all its rays go through the voxel.
    let level = 31 - Math.clz32((steps[14]! / Z) | 0);
    if (level < FINEST) level = FINEST;
    if (level > COARSEST) level = COARSEST;
    const origin = this.#pyramid.origin[level]!;
    const pitch = this.#pyramid.pitch[level]!;
    const aX = steps[0]!;
    const aY = steps[1]!;
    const aZ = steps[2]!;
    const bX = steps[3]!;
    const bY = steps[4]!;
    const bZ = steps[5]!;
    const dX = steps[6]!;
    const dY = steps[7]!;
    const dZ = steps[8]!;
    const half = steps[9]!;
    let a = steps[10]! * X + steps[11]! * Z - 1.5 * (aX + aY + aZ);
    let b = steps[12]! * Y + steps[13]! * Z - 1.5 * (bX + bY + bZ);
    let d = Z - 1.5 * (dX + dY + dZ);
    const words = id >= 0 ? grid.bricks[8 * id + brick]! : -1;
    const pool = grid.pool;
    const limit = behind - half;
    const { nearest } = this.#pyramid;
    const halfU = (this.#halfU / Z) | 0;
    const halfV = (this.#halfV / Z) | 0;
    const lastU = this.#lastU;
    const lastV = this.#lastV;
    let free0 = 0;
    let free1 = 0;
    for (let row = 0; row < 16; row++) {
      if ((d < limit || d + 3 * dX < limit) && (words < 0 || pool[words + row] !== 0)) {
        const r0 = 1 / d;
        const r1 = 1 / (d + dX);
        const r2 = 1 / (d + 2 * dX);
        const r3 = 1 / (d + 3 * dX);
        let u0 = (a * r0) | 0;
        let v0 = (b * r0) | 0;
        let u1 = ((a + aX) * r1) | 0;
        let v1 = ((b + bX) * r1) | 0;
        let u2 = ((a + 2 * aX) * r2) | 0;
        let v2 = ((b + 2 * bX) * r2) | 0;
        let u3 = ((a + 3 * aX) * r3) | 0;
        let v3 = ((b + 3 * bX) * r3) | 0;
        if (isRim && (u0 | v0 | u3 | v3 | (lastU - u0) | (lastU - u3) | (lastV - v0) | (lastV - v3)) < 0) {
          u0 = towardsImage(u0, halfU, lastU);
          v0 = towardsImage(v0, halfV, lastV);
          u1 = towardsImage(u1, halfU, lastU);
          v1 = towardsImage(v1, halfV, lastV);
          u2 = towardsImage(u2, halfU, lastU);
          v2 = towardsImage(v2, halfV, lastV);
          u3 = towardsImage(u3, halfU, lastU);
          v3 = towardsImage(v3, halfV, lastV);
        }
        const z = d + half;
        const bits =
          ((z - nearest[origin + (v0 >> level) * pitch + (u0 >> level)]!) >>> 31) |
          (((z + dX - nearest[origin + (v1 >> level) * pitch + (u1 >> level)]!) >>> 31) << 1) |
          (((z + 2 * dX - nearest[origin + (v2 >> level) * pitch + (u2 >> level)]!) >>> 31) << 2) |
          (((z + 3 * dX - nearest[origin + (v3 >> level) * pitch + (u3 >> level)]!) >>> 31) << 3);
        if (row < 8) free0 |= bits << (row << 2);
        else free1 |= bits << ((row - 8) << 2);
      }
      if ((row & 3) === 3) {
        a += aZ - 3 * aY;
        b += bZ - 3 * bY;
        d += dZ - 3 * dY;
      } else {
        a += aY;
        b += bY;
        d += dY;
      }
    }
    this.#free0 = free0;
    this.#free1 = free1;
  }

  /** The same for a brick around or right before the lens, where some voxels lie behind it. */
  #decideNearVoxels(R: Float64Array): void {
    const X = this.#brick[0]!;
    const Y = this.#brick[1]!;
    const Z = this.#brick[2]!;
    const { fx, fy } = this.#view;
    const unit = this.#unit;
    const cx = this.#view.cx + 0.5;
    const cy = this.#view.cy + 0.5;
    const { nearest, origin, pitch } = this.#pyramid;
    const half = (unit * (Math.abs(R[2]!) + Math.abs(R[5]!) + Math.abs(R[8]!))) / 2;
    let free0 = 0;
    let free1 = 0;
    for (let i = 0; i < 64; i++) {
      const x = ((i & 3) - 1.5) * unit;
      const y = (((i >> 2) & 3) - 1.5) * unit;
      const z = ((i >> 4) - 1.5) * unit;
      const d = Z + R[2]! * x + R[5]! * y + R[8]! * z;
      if (d < unit) continue;
      const a = fx * (X + R[0]! * x + R[3]! * y + R[6]! * z) + cx * d;
      const b = fy * (Y + R[1]! * x + R[4]! * y + R[7]! * z) + cy * d;
      let level = 31 - Math.clz32(((fx * unit) / d) | 0);
      if (level < FINEST) level = FINEST;
      if (level > COARSEST) level = COARSEST;
      // The padding around a level is this many cells wide; farther out nothing was seen.
      const out = (PAD - 1) << level;
      if (!(a > -out * d && b > -out * d && a < (this.#lastU + out) * d && b < (this.#lastV + out) * d))
        continue;
      const halfU = this.#halfU / d;
      const halfV = this.#halfV / d;
      const u = Math.min(Math.max(a / d, Math.min(a / d + halfU, 0)), Math.max(a / d - halfU, this.#lastU));
      const v = Math.min(Math.max(b / d, Math.min(b / d + halfV, 0)), Math.max(b / d - halfV, this.#lastV));
      const cell = origin[level]! + (v >> level) * pitch[level]! + (u >> level);
      const bit = (d + half - nearest[cell]!) >>> 31;
      if (i < 32) free0 |= bit << i;
      else free1 |= bit << (i - 32);
    }
    this.#free0 = free0;
    this.#free1 = free1;
  }

  /** Free evidence for all 64 voxels of a brick. */
  #freeBrick(id: number, brick: number, freeStep: number): void {
    const grid = this.#grid;
    const start = grid.bricks[8 * id + brick]!;
    if (start < 0) {
      const before = -1 - start;
      const after = Math.max(0, before - freeStep);
      grid.makeUniform(id, brick, after);
      if (classChanges(before, after) !== 0) grid.revision[id] = grid.frame;
      return;
    }
    const pool = grid.pool;
    const less = Math.imul(freeStep, LANES);
    let left = 0;
    let changed = 0;
    for (let w = start; w < start + 16; w++) {
      const before = pool[w]!;
      const y = ((before | HIGH) - less) | 0;
      const k = y & HIGH;
      const after = y & (k - (k >>> 7)); // 0 where the subtraction went below
      pool[w] = after;
      left |= after;
      changed |= classChanges(before, after);
    }
    if (left === 0) grid.makeUniform(id, brick, 0);
    if (changed !== 0) grid.revision[id] = grid.frame;
  }

  #applyBrick(
    id: number,
    brick: number,
    h0: number,
    h1: number,
    free0: number,
    free1: number,
    hitStep: number,
    freeStep: number,
  ): number {
    const grid = this.#grid;
    const start = grid.dense(id, brick);
    const pool = grid.pool;
    const more = Math.imul(hitStep, LANES);
    const less = Math.imul(freeStep, LANES);
    const f0 = free0 & ~h0;
    const f1 = free1 & ~h1;
    let left = 0;
    let changed = 0;
    let freed = 0;
    for (let w = 0; w < 16; w++) {
      const shift = (w & 7) << 2;
      const hits = ((w < 8 ? h0 : h1) >>> shift) & 15;
      const frees = ((w < 8 ? f0 : f1) >>> shift) & 15;
      let x = pool[start + w]!;
      if ((hits | frees) !== 0) {
        const before = x;
        if (frees !== 0) {
          const y = ((x | HIGH) - (less & SPREAD[frees]!)) | 0;
          const k = y & HIGH;
          x = y & (k - (k >>> 7));
          freed |= before ^ x;
        }
        if (hits !== 0) {
          const y = (x + (more & SPREAD[hits]!)) | 0;
          const k = (y + ABOVE_TOP) & HIGH;
          const keep = (k - (k >>> 7)) | 0;
          x = ((y & ~keep) | (TOPS & keep)) & LANES_LOW;
        }
        pool[start + w] = x;
        changed |= classChanges(before, x);
      }
      left |= x;
    }
    if (left === 0) grid.makeUniform(id, brick, 0);
    else grid.saturated[id] = grid.saturated[id]! & ~(1 << brick);
    if (changed !== 0) grid.revision[id] = grid.frame;
    return freed;
  }

  #clearHit(hit: number): void {
    this.#hitBits.fill(0, hit * HIT_WORDS, (hit + 1) * HIT_WORDS);
    this.#hitBlocks[hit] = -1;
  }

  /** Hits in blocks that the listing did not reach, right before the lens or at the rim of the image. */
  #flushHits(): void {
    const grid = this.#grid;
    const bits = this.#windowBits;
    const mask = (1 << bits) - 1;
    const step = this.#evidence.hit[0]!;
    for (let hit = 0; hit < this.#hitCount; hit++) {
      const place = this.#hitBlocks[hit]!;
      if (place < 0) continue;
      const bx = (place & mask) + this.#originX;
      const by = ((place >> bits) & mask) + this.#originY;
      const bz = (place >> (2 * bits)) + this.#originZ;
      if (inReach(bx, by, bz)) {
        const id = grid.findOrAdd(blockKey(bx, by, bz));
        for (let brick = 0; brick < 8; brick++) {
          const h0 = this.#hitBits[hit * HIT_WORDS + 2 * brick]!;
          const h1 = this.#hitBits[hit * HIT_WORDS + 2 * brick + 1]!;
          if ((h0 | h1) !== 0) this.#applyBrick(id, brick, h0, h1, 0, 0, step, step);
        }
        grid.touched[id] = grid.frame;
      }
      this.#clearHit(hit);
    }
  }
}

/** Not zero if any of four voxels went from one class to another. */
function classChanges(before: number, after: number): number {
  return (before ^ after) & (OCCUPIED_BIT | (KNOWN_BIT & ~((before | after) >>> 1)));
}

/** Moves a pixel outside 0 .. last to the image's rim, `half` at most; without branches. */
function towardsImage(pixel: number, half: number, last: number): number {
  // max(pixel, min(pixel + half, 0)), then min(that, max(that - half, last)).
  let s = pixel + half;
  let t = pixel - (s & (s >> 31));
  const low = pixel - (t & (t >> 31));
  s = low - half - last;
  t = low - last - (s & ~(s >> 31));
  return low - (t & ~(t >> 31));
}
