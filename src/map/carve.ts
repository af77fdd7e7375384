import type { BlocksInView } from "./blocks-in-view.ts";
import { type BrickBits, freeBrick, updateBrick } from "./brick-update.ts";
import type { EvidenceTable } from "./evidence.ts";
import { FreeVoxels } from "./free-voxels.ts";
import { type BlockGrid, blockKey, inReach } from "./grid.ts";
import { type FrameHits, HIT_WORDS } from "./hits.ts";
import type { PinholeView } from "./pinhole-view.ts";
import { COARSEST, type DepthPyramid, FINEST } from "./pyramid.ts";

// Indices into `#frame`, depth units.
const HALF_Z = 0; // half a brick's extent in depth
const FAR = 1; // bricks farther away are behind everything
const REACH_U = 2; // half a brick's side times the focal lengths
const REACH_V = 3;

/**
 * Adds a frame's hits and free space to the grid, block by block.
 *
 * Every brick of 4 x 4 x 4 voxels in view is compared with the nearest and farthest depth over its footprint. Behind all of it:
 * skipped; in front of all of it: freed as a whole; else voxel by voxel. Hits override free within a frame.
 */
export class Carver {
  /** Counts of bricks: tested, freed as a whole, decided voxel by voxel. */
  bricks = 0;
  bulk = 0;
  mixed = 0;
  readonly #grid: BlockGrid;
  readonly #view: PinholeView;
  readonly #pyramid: DepthPyramid;
  readonly #evidence: EvidenceTable;
  readonly #free: FreeVoxels;
  readonly #unit: number;
  readonly #hits: FrameHits;
  readonly #blocks: BlocksInView;
  readonly #frame = new Float64Array(4);
  /** (3) from a block's centre to each of its bricks', in the lens frame. */
  readonly #offset = new Float64Array(24);
  readonly #bits: BrickBits = { hit0: 0, hit1: 0, free0: 0, free1: 0 };
  /** Nearest and farthest depth over the last footprint. */
  #nearest = 0;
  #farthest = 0;

  constructor(
    grid: BlockGrid,
    view: PinholeView,
    evidence: EvidenceTable,
    { pyramid, hits, blocks }: { pyramid: DepthPyramid; hits: FrameHits; blocks: BlocksInView },
  ) {
    this.#grid = grid;
    this.#view = view;
    this.#evidence = evidence;
    this.#pyramid = pyramid;
    this.#hits = hits;
    this.#blocks = blocks;
    this.#free = new FreeVoxels(grid, view, pyramid);
    this.#unit = view.unitsPerMetre * grid.voxelSize;
  }

  /**
   * @param R        (9) row-major worldFromLens
   * @param farthest depth of the whole image, in units
   */
  carve(R: Float64Array, farthest: number): void {
    this.#free.setFrame(R);
    this.#setFrame(R, farthest);
    this.#carveBlocks(R);
    this.#flush();
  }

  #setFrame(R: Float64Array, farthest: number): void {
    const unit = this.#unit;
    for (let brick = 0; brick < 8; brick++) {
      const x = unit * ((brick & 1) * 4 - 2);
      const y = unit * (((brick >> 1) & 1) * 4 - 2);
      const z = unit * ((brick >> 2) * 4 - 2);
      for (let k = 0; k < 3; k++) this.#offset[3 * brick + k] = x * R[k]! + y * R[3 + k]! + z * R[6 + k]!;
    }
    const reach = 2 * unit;
    this.#frame[HALF_Z] = reach * (Math.abs(R[2]!) + Math.abs(R[5]!) + Math.abs(R[8]!));
    this.#frame[FAR] = farthest + unit;
    this.#frame[REACH_U] = this.#view.fx * reach;
    this.#frame[REACH_V] = this.#view.fy * reach;
  }

  /**
   * Decides the bricks of the listed blocks. One long function: the values of a brick are doubles, which a call would allocate,
   * and with a call per block or brick the runtime's compiler settles for code half as fast in one process of five.
   *
   * A brick's footprint: |(X + dX) / (Z + dZ) - X / Z| = |dX - x dZ| / (Z + dZ) with x = X / Z, over the corners.
   */
  #carveBlocks(R: Float64Array): void {
    const grid = this.#grid;
    const blocks = this.#blocks;
    const { bits: hitBits } = this.#hits;
    const { width, height, fx, fy } = this.#view;
    const cx = this.#view.cx + 0.5;
    const cy = this.#view.cy + 0.5;
    const { centre } = this.#free;
    const offset = this.#offset;
    const { hit: hitSteps, free: freeSteps, bucket } = this.#evidence;
    const perBucket = 1 / (bucket * this.#view.unitsPerMetre);
    const lastBucket = hitSteps.length - 1;
    const frame = this.#frame;
    const hZ = frame[HALF_Z]!;
    const far = frame[FAR]!;
    const reachU = frame[REACH_U]!;
    const reachV = frame[REACH_V]!;
    const near = 2 * this.#unit;
    const r0 = R[0]!;
    const r1 = R[1]!;
    const r2 = R[2]!;
    const r3 = R[3]!;
    const r4 = R[4]!;
    const r5 = R[5]!;
    const r6 = R[6]!;
    const r7 = R[7]!;
    const r8 = R[8]!;
    let bricks = 0;
    let bulk = 0;
    let mixed = 0;
    for (let n = 0; n < blocks.count; n++) {
      const hit = blocks.hit[n]!;
      const skip = blocks.skip[n]!;
      const place = blocks.place[n]!;
      const blockFar = blocks.far[n]!;
      const centreX = blocks.centre[3 * n]!;
      const centreY = blocks.centre[3 * n + 1]!;
      const centreZ = blocks.centre[3 * n + 2]!;
      let id = blocks.id[n]!;
      let idle = blocks.barren[place]!;
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
        this.#free.free0 = 0;
        this.#free.free1 = 0;
        let isIdle = false;
        if (isCarved && zn < far && Z + hZ > near) {
          if (zn > near) {
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
              this.#nearest = 0;
              this.#farthest = 32767;
              if (level <= COARSEST - 1) {
                const { origin, pitch } = this.#pyramid;
                const i0 = (((u0 + 4096) | 0) - 4096) >> level;
                const j0 = (((v0 + 4096) | 0) - 4096) >> level;
                const i1 = ((((u1 + 4096) | 0) - 4096) >> level) - 1;
                const j1 = ((((v1 + 4096) | 0) - 4096) >> level) - 1;
                const row0 = origin[level]! + j0 * pitch[level]!;
                const row1 = origin[level]! + (j1 < j0 ? j0 : j1) * pitch[level]!;
                this.#keepExtremes(row0 + i0, row1 + i0, i1 < i0 ? 0 : i1 - i0);
              }
              isIdle = true;
              if (zn < this.#farthest) {
                if (!isHit && Z + hZ < this.#nearest) {
                  bulk++;
                  if (id < 0) id = grid.findOrAdd(blocks.key[n]!);
                  freeBrick(grid, id, brick, freeSteps[Math.min(lastBucket, (Z * perBucket) | 0)]!);
                  // A brick that is freed as a whole is tested in every turn until it is clamped free.
                  idle &= ~(1 << brick);
                  continue;
                }
                mixed++;
                const isRim = u0 < 0 || v0 < 0 || u1 > width || v1 > height;
                this.#free.decide(id >= 0 ? grid.bricks[8 * id + brick]! : -1, this.#farthest, isRim);
              }
            }
          } else {
            mixed++;
            this.#free.decideNear(R);
          }
        }
        if (isHit || (this.#free.free0 | this.#free.free1) !== 0) {
          if (id < 0) id = grid.findOrAdd(blocks.key[n]!);
          const entry = Math.max(0, Math.min(lastBucket, (Z * perBucket) | 0));
          const bits = this.#bits;
          bits.hit0 = h0;
          bits.hit1 = h1;
          bits.free0 = this.#free.free0;
          bits.free1 = this.#free.free1;
          if (updateBrick(grid, id, brick, bits, hitSteps[entry]! | (freeSteps[entry]! << 8)) !== 0)
            isIdle = false;
        }
        if (isIdle) idle |= 1 << brick;
        else if (isCarved) idle &= ~(1 << brick);
      }
      blocks.barren[place] = idle;
      if (hit >= 0) this.#hits.clear(hit);
    }
    this.bricks = bricks;
    this.bulk = bulk;
    this.mixed = mixed;
  }

  /** Nearest and farthest over four windows of the pyramid; without branches. */
  #keepExtremes(p00: number, p10: number, right: number): void {
    const p01 = p00 + right;
    const p11 = p10 + right;
    const { windowNearest, windowFarthest } = this.#pyramid;
    let nearest = windowNearest[p00]!;
    let d = windowNearest[p01]! - nearest;
    nearest += d & (d >> 31);
    d = windowNearest[p10]! - nearest;
    nearest += d & (d >> 31);
    d = windowNearest[p11]! - nearest;
    nearest += d & (d >> 31);
    let farthest = windowFarthest[p00]!;
    d = farthest - windowFarthest[p01]!;
    farthest -= d & (d >> 31);
    d = farthest - windowFarthest[p10]!;
    farthest -= d & (d >> 31);
    d = farthest - windowFarthest[p11]!;
    farthest -= d & (d >> 31);
    this.#nearest = nearest;
    this.#farthest = farthest;
  }

  /** Hits in blocks that were not listed: very close to the lens or at the border of the image. */
  #flush(): void {
    const grid = this.#grid;
    const hits = this.#hits;
    const mask = (1 << hits.windowBits) - 1;
    const step = this.#evidence.hit[0]!;
    const bits = this.#bits;
    bits.free0 = 0;
    bits.free1 = 0;
    for (let hit = 0; hit < hits.count; hit++) {
      const place = hits.blocks[hit]!;
      if (place < 0) continue;
      const bx = (place & mask) + hits.originX;
      const by = ((place >> hits.windowBits) & mask) + hits.originY;
      const bz = (place >> (2 * hits.windowBits)) + hits.originZ;
      if (inReach(bx, by, bz)) {
        const id = grid.findOrAdd(blockKey(bx, by, bz));
        for (let brick = 0; brick < 8; brick++) {
          bits.hit0 = hits.bits[hit * HIT_WORDS + 2 * brick]!;
          bits.hit1 = hits.bits[hit * HIT_WORDS + 2 * brick + 1]!;
          if ((bits.hit0 | bits.hit1) !== 0) updateBrick(grid, id, brick, bits, step);
        }
        grid.touched[id] = grid.frame;
      }
      hits.clear(hit);
    }
  }
}
