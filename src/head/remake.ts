import { FloorLayer } from "../map/floor.ts";
import { BlockGrid } from "../map/grid.ts";
import { GridReplacement } from "../map/replace.ts";
import { WallHits } from "../map/wall-hits.ts";
import { type KeyframeReader, type KeyframeView, unpackDepth } from "../track/keyframes.ts";

/** Number of times that each keyframe is integrated: it represents the frames around it, and two passes carve every brick. */
const REPEATS = 2;
/** Blocks per step when the new map replaces the old one: well under a millisecond. */
const BLOCKS = 400;

/** The parts of a map that are cleared, restored and rebuilt together. */
export interface MapParts {
  readonly grid: BlockGrid;
  readonly floor: FloorLayer;
  /** Null where hits of walls are not counted. */
  readonly walls: WallHits | null;
}

/** Puts a keyframe's depth into a map that is empty at first. */
export type Integrate = (depth: Uint16Array, keyframe: KeyframeView, into: MapParts) => void;

/** The map that is replaced. */
export interface RemakeTarget extends MapParts {
  /** Whether it has parts that no keyframe shows. Where the rebuilt map has nothing, these stay. */
  readonly hasOlderParts: boolean;
}

/**
 * Rebuilds the map from keyframes in a grid of its own, then replaces the old one. Each step does bounded work, one keyframe
 * or `BLOCKS` blocks, so that no frame waits for it.
 */
export class MapRemake {
  readonly #keyframes: KeyframeReader;
  readonly #integrate: Integrate;
  readonly #made: MapParts;
  readonly #target: RemakeTarget;
  #depth = new Uint16Array(0);
  #replacement: GridReplacement | null = null;

  constructor(keyframes: KeyframeReader, target: RemakeTarget, integrate: Integrate) {
    this.#keyframes = keyframes;
    this.#target = target;
    this.#integrate = integrate;
    this.#made = {
      grid: new BlockGrid(target.grid.voxelSize),
      floor: new FloorLayer(target.floor.columnSize, target.floor.settings),
      walls: target.walls && new WallHits(target.walls.height),
    };
    this.#made.grid.frame = target.grid.frame;
  }

  /** Whether the map is being replaced: nothing else may write to it meanwhile. */
  get isReplacing(): boolean {
    return this.#replacement !== null;
  }

  /** Does one step; true when the new map is in place. */
  step(): boolean {
    if (this.#replacement !== null) {
      if (!this.#replacement.step(BLOCKS)) return false;
      const { floor, walls, hasOlderParts } = this.#target;
      floor.become(this.#made.floor, hasOlderParts);
      if (this.#made.walls !== null) walls?.become(this.#made.walls, hasOlderParts);
      return true;
    }
    const keyframe = this.#keyframes.next();
    if (keyframe === null) {
      const { grid, hasOlderParts } = this.#target;
      grid.frame = Math.max(grid.frame, this.#made.grid.frame) + 1;
      this.#replacement = new GridReplacement(grid, this.#made.grid, hasOlderParts);
      return false;
    }
    if (this.#depth.length !== keyframe.pixels) this.#depth = new Uint16Array(keyframe.pixels);
    if (!keyframe.isSound) return false;
    const depth = unpackDepth(this.#depth, keyframe);
    for (let n = 0; n < REPEATS; n++) this.#integrate(depth, keyframe, this.#made);
    return false;
  }
}
