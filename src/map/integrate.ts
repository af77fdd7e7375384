import { BlocksInView } from "./blocks-in-view.ts";
import { Carver } from "./carve.ts";
import type { EvidenceTable } from "./evidence.ts";
import type { BlockGrid } from "./grid.ts";
import { FrameHits } from "./hits.ts";
import { checkedView, type PinholeView } from "./pinhole-view.ts";
import { DepthPyramid } from "./pyramid.ts";

/** Statistics of one frame, for pulse and benchmarks. Reused: read it before the next frame. */
export interface IntegrationCounts {
  /** Pixels used as hits. */
  points: number;
  /** Hits that were dropped: outside the map's reach or the frame's window. */
  outside: number;
  /** Counts: blocks and bricks tested, bricks freed as a whole, bricks decided voxel by voxel. */
  blocks: number;
  bricks: number;
  bulk: number;
  mixed: number;
}

/**
 * Projective integration of one pinhole sensor into a grid.
 *
 * Each end point marks its voxel, exactly and once a frame (scatter, `FrameHits`). Free space is gathered: every block of the map in
 * view (`BlocksInView`) is compared with the depth image, brick by brick and where needed voxel by voxel (`Carver`).
 *
 * Each frame gathers one of `carveEvery` interleaved sets of bricks with evidence to match: frames 70 ms apart
 * are not independent, and a frame then costs little more than its hits.
 */
export class Integrator {
  readonly counts: IntegrationCounts = { points: 0, outside: 0, blocks: 0, bricks: 0, bulk: 0, mixed: 0 };
  readonly #grid: BlockGrid;
  readonly #view: PinholeView;
  readonly #pyramid: DepthPyramid;
  readonly #hits: FrameHits;
  readonly #blocks: BlocksInView;
  readonly #carver: Carver;

  /**
   * @param carveEvery 1 gathers every brick in every frame, 2 every other one in turn, ...
   * @throws {RangeError} if the view's range is more than 500 voxels or its depths do not fit 15 bits
   */
  constructor(grid: BlockGrid, view: PinholeView, evidence: EvidenceTable, carveEvery: number) {
    this.#grid = grid;
    this.#view = checkedView(view, grid.voxelSize);
    const pyramid = new DepthPyramid(view.width, view.height);
    const hits = new FrameHits(this.#view, grid.voxelSize);
    const blocks = new BlocksInView(grid, this.#view, { pyramid, hits, carveEvery });
    this.#pyramid = pyramid;
    this.#hits = hits;
    this.#blocks = blocks;
    this.#carver = new Carver(grid, this.#view, evidence, { pyramid, hits, blocks });
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
    const counts = this.counts;
    const farthest = this.#pyramid.build(depth);
    if (farthest === 0) {
      Object.assign(counts, { points: 0, outside: 0, blocks: 0, bricks: 0, bulk: 0, mixed: 0 });
      return;
    }
    this.#hits.scatter(depth, this.#pyramid, this.#grid.frame, { rotation, position });
    const isInside = this.#blocks.list(rotation, position, farthest);
    this.#carver.carve(rotation, farthest);
    this.#hits.finish();
    counts.points = this.#hits.points;
    // The view leaves the map's reach only some hundreds of metres from the origin.
    counts.outside = this.#hits.outside + (isInside ? 0 : this.#hits.points);
    counts.blocks = this.#blocks.seen;
    counts.bricks = this.#carver.bricks;
    counts.bulk = this.#carver.bulk;
    counts.mixed = this.#carver.mixed;
  }
}
