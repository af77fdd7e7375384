import { BLOCK_SIDE, type BlockGrid, blockKey, inReach } from "./grid.ts";
import type { FrameHits } from "./hits.ts";
import type { PinholeView } from "./pinhole-view.ts";
import { COARSEST, type DepthPyramid, FINEST } from "./pyramid.ts";

// Indices into `#frame`: values of the present frame, in the lens frame and in depth units.
const ROTATION = 0; // (9) row-major worldFromLens
const LENS = 9; // (3) the lens in the world
const STEP = 12; // (3) what one block along the world's x axis adds
const HALF = 15; // (3) half a block's extent along the lens axes
const PLANES = 18; // (4) half a block's extent towards the left, right, top and bottom side of the image, negative
const NEAR = 22;
const FAR = 23;
const FRAME_SIZE = 24;

/** The blocks of a grid that a frame can change: in view, not wholly behind the measured surfaces, and not already clamped free. */
export class BlocksInView {
  /** Number of listed blocks, and of tested blocks. */
  count = 0;
  seen = 0;
  /** For each block: its id (-1 if the grid has none yet), its key, its index in the list of hits or -1, ... */
  id: Int32Array = new Int32Array(1024);
  key: Int32Array = new Int32Array(1024);
  hit: Int32Array = new Int32Array(1024);
  /** ... one bit a brick, set if it is not carved in this frame, ... */
  skip: Int32Array = new Int32Array(1024);
  /** ... an upper bound of the depth of all rays through the block, its index in `barren`, ... */
  far: Int32Array = new Int32Array(1024);
  place: Int32Array = new Int32Array(1024);
  /** ... and (3) its centre in the lens frame, depth units. */
  centre = new Float64Array(3 * 1024);
  /**
   * Bricks whose last carving changed nothing, one bit each. A block's index is its position modulo the window of
   * the hits. Two blocks may share an index; then a brick is tested once too often or once too seldom.
   */
  readonly barren: Uint8Array;
  readonly #grid: BlockGrid;
  readonly #view: PinholeView;
  readonly #pyramid: DepthPyramid;
  readonly #hits: FrameHits;
  readonly #carveEvery: number;
  readonly #unit: number;
  readonly #frame = new Float64Array(FRAME_SIZE);
  /** The box of blocks around the viewing pyramid: lowest and highest along x, y, z. */
  readonly #box = new Int32Array(6);

  constructor(
    grid: BlockGrid,
    view: PinholeView,
    { pyramid, hits, carveEvery }: { pyramid: DepthPyramid; hits: FrameHits; carveEvery: number },
  ) {
    this.#grid = grid;
    this.#view = view;
    this.#pyramid = pyramid;
    this.#hits = hits;
    this.#carveEvery = carveEvery;
    this.#unit = view.unitsPerMetre * grid.voxelSize;
    this.barren = new Uint8Array(hits.window.length);
  }

  /**
   * Lists them for the frame in pyramid and hits.
   * @param R        (9) row-major worldFromLens, `t` (3) metres
   * @param farthest depth of the whole image, in units
   * @returns whether the view stays inside the map's reach
   */
  list(R: Float64Array, t: Float64Array, farthest: number): boolean {
    this.#set(R, t, farthest);
    const [x0, x1, y0, y1, z0, z1] = this.#box as unknown as [number, number, number, number, number, number];
    this.count = 0;
    this.seen = 0;
    for (let bz = z0; bz <= z1; bz++) for (let by = y0; by <= y1; by++) this.#listRow(x0, x1, by, bz);
    return inReach(x0, y0, z0) && inReach(x1, y1, z1);
  }

  #set(R: Float64Array, t: Float64Array, farthest: number): void {
    const { width, height, fx, fy, unitsPerMetre } = this.#view;
    const cx = this.#view.cx + 0.5;
    const cy = this.#view.cy + 0.5;
    const unit = this.#unit;
    const frame = this.#frame;
    frame.set(R, ROTATION);
    for (let k = 0; k < 3; k++) {
      frame[LENS + k] = t[k]! * unitsPerMetre;
      frame[STEP + k] = BLOCK_SIDE * (R[k]! * unit);
      const extent = Math.abs(R[k]! * unit) + Math.abs(R[3 + k]! * unit) + Math.abs(R[6 + k]! * unit);
      frame[HALF + k] = (BLOCK_SIDE / 2) * extent;
    }
    /** Half a block's extent along the direction p * (lens axis `axis`) + q * (lens z axis). */
    const across = (axis: number, p: number, q: number): number => {
      let extent = 0;
      for (let k = 0; k < 9; k += 3) extent += Math.abs(p * (R[k + axis]! * unit) + q * (R[k + 2]! * unit));
      return (BLOCK_SIDE / 2) * extent;
    };
    frame[PLANES] = -across(0, fx, cx);
    frame[PLANES + 1] = -across(0, -fx, width - cx);
    frame[PLANES + 2] = -across(1, fy, cy);
    frame[PLANES + 3] = -across(1, -fy, height - cy);
    frame[NEAR] = 3 * unit;
    frame[FAR] = farthest + 2 * unit;
    this.#setBox(R, frame[FAR]!);
  }

  /** Bounds of the lens and the four far corners of the view. */
  #setBox(R: Float64Array, far: number): void {
    const { width, height, fx, fy } = this.#view;
    const cx = this.#view.cx + 0.5;
    const cy = this.#view.cy + 0.5;
    const size = BLOCK_SIDE * this.#unit;
    for (let axis = 0; axis < 3; axis++) {
      const lens = this.#frame[LENS + axis]!;
      let low = lens;
      let high = lens;
      for (let corner = 0; corner < 4; corner++) {
        const a = (((corner & 1 ? width : 0) - cx) / fx) * far;
        const b = (((corner & 2 ? height : 0) - cy) / fy) * far;
        const at = lens + R[3 * axis]! * a + R[3 * axis + 1]! * b + R[3 * axis + 2]! * far;
        low = Math.min(low, at);
        high = Math.max(high, at);
      }
      this.#box[2 * axis] = Math.floor(low / size);
      this.#box[2 * axis + 1] = Math.floor(high / size);
    }
  }

  /**
   * Lists blocks of one row along x. One long function: the tests of one block share numbers that a call would have to pass, and
   * passing a double allocates.
   */
  #listRow(x0: number, x1: number, by: number, bz: number): void {
    const frame = this.#frame;
    const { width, height, fx, fy } = this.#view;
    const cx = this.#view.cx + 0.5;
    const cy = this.#view.cy + 0.5;
    const right = width - cx;
    const bottom = height - cy;
    const stepX = frame[STEP]!;
    const stepY = frame[STEP + 1]!;
    const stepZ = frame[STEP + 2]!;
    const hX = frame[HALF]!;
    const hY = frame[HALF + 1]!;
    const hZ = frame[HALF + 2]!;
    const eLeft = frame[PLANES]!;
    const eRight = frame[PLANES + 1]!;
    const eTop = frame[PLANES + 2]!;
    const eBottom = frame[PLANES + 3]!;
    const near = frame[NEAR]!;
    const far = frame[FAR]!;
    const size = BLOCK_SIDE * this.#unit;
    const gx = (x0 + 0.5) * size - frame[LENS]!;
    const gy = (by + 0.5) * size - frame[LENS + 1]!;
    const gz = (bz + 0.5) * size - frame[LENS + 2]!;
    let cX = frame[0]! * gx + frame[3]! * gy + frame[6]! * gz;
    let cY = frame[1]! * gx + frame[4]! * gy + frame[7]! * gz;
    let cZ = frame[2]! * gx + frame[5]! * gy + frame[8]! * gz;
    const grid = this.#grid;
    const { windowFarthest, origin, pitch } = this.#pyramid;
    const { window, base, windowBits: bits, originX, originY, originZ } = this.#hits;
    const half = 1 << bits;
    const torus = half - 1;
    const every = this.#carveEvery;
    const period = 2 * every;
    // Not negative, whatever the block.
    const phase = (grid.frame % period) + 4096 * period;
    const wy = by - originY;
    const wz = bz - originZ;
    let n = this.count;
    let seen = 0;
    for (let bx = x0; bx <= x1; bx++, cX += stepX, cY += stepY, cZ += stepZ) {
      if (cZ - hZ > far || cZ + hZ < near) continue;
      const a = fx * cX;
      const b = fy * cY;
      if (a + cx * cZ < eLeft || right * cZ - a < eRight) continue;
      if (b + cy * cZ < eTop || bottom * cZ - b < eBottom) continue;
      seen++;
      const wx = bx - originX;
      let hit = -1;
      if (((wx | wy | wz) & -half) === 0) hit = window[wx | (wy << bits) | (wz << (2 * bits))]! - base;
      const place = (bx & torus) | ((by & torus) << bits) | ((bz & torus) << (2 * bits));
      const turn = (bx + by + bz + phase) % period;
      let skip = turn === 0 ? 0 : turn === every ? this.barren[place]! : 255;
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
      if (n === this.id.length) this.#grow();
      this.id[n] = id;
      this.key[n] = key;
      this.hit[n] = hit;
      this.far[n] = farthest;
      this.skip[n] = skip;
      this.place[n] = place;
      this.centre[3 * n] = cX;
      this.centre[3 * n + 1] = cY;
      this.centre[3 * n + 2] = cZ;
      n++;
    }
    this.count = n;
    this.seen += seen;
  }

  #grow(): void {
    const size = this.id.length * 2;
    const wider = (from: Int32Array): Int32Array => {
      const to = new Int32Array(size);
      to.set(from);
      return to;
    };
    this.id = wider(this.id);
    this.key = wider(this.key);
    this.hit = wider(this.hit);
    this.skip = wider(this.skip);
    this.far = wider(this.far);
    this.place = wider(this.place);
    const centre = new Float64Array(3 * size);
    centre.set(this.centre);
    this.centre = centre;
  }
}
