import { FloorLayer } from "../map/floor.ts";
import { BlockGrid } from "../map/grid.ts";
import { GridReplacement } from "../map/replace.ts";
import { type KeyframeReader, type KeyframeView, unpackDepth } from "../track/keyframes.ts";

/** Times that each keyframe is integrated: it stands for the frames around it, and twice is a whole turn of the carving. */
const REPEATS = 2;
/** Blocks looked at in one step when the new map takes the old one's place: well under a millisecond. */
const BLOCKS = 400;

/** Puts a keyframe's depth into a grid and a floor, both empty at first. */
export type Integrate = (
  depth: Uint16Array,
  keyframe: KeyframeView,
  grid: BlockGrid,
  floor: FloorLayer,
) => void;

/**
 * Rebuilds the map from keyframes in a grid of its own, then puts it in the old one's place. Each step does bounded work, one keyframe
 * or `BLOCKS` blocks, so that no frame waits for it.
 */
export class MapRemake {
  readonly #keyframes: KeyframeReader;
  readonly #integrate: Integrate;
  readonly #grid: BlockGrid;
  readonly #floor: FloorLayer;
  readonly #target: { readonly grid: BlockGrid; readonly floor: FloorLayer };
  #depth = new Uint16Array(0);
  #replacement: GridReplacement | null = null;

  constructor(
    keyframes: KeyframeReader,
    target: { readonly grid: BlockGrid; readonly floor: FloorLayer },
    integrate: Integrate,
  ) {
    this.#keyframes = keyframes;
    this.#target = target;
    this.#integrate = integrate;
    this.#grid = new BlockGrid(target.grid.voxelSize);
    this.#floor = new FloorLayer(target.floor.columnSize, target.floor.settings);
    this.#grid.frame = target.grid.frame;
  }

  /** Whether the map is being written over: nothing else may be written to it meanwhile. */
  get isReplacing(): boolean {
    return this.#replacement !== null;
  }

  /** Does one step; true when the new map is in place. */
  step(): boolean {
    if (this.#replacement !== null) {
      if (!this.#replacement.step(BLOCKS)) return false;
      this.#target.floor.become(this.#floor);
      return true;
    }
    const keyframe = this.#keyframes.next();
    if (keyframe === null) {
      this.#target.grid.frame = Math.max(this.#target.grid.frame, this.#grid.frame) + 1;
      this.#replacement = new GridReplacement(this.#target.grid, this.#grid);
      return false;
    }
    if (this.#depth.length !== keyframe.pixels) this.#depth = new Uint16Array(keyframe.pixels);
    if (!keyframe.isSound) return false;
    const depth = unpackDepth(this.#depth, keyframe);
    for (let n = 0; n < REPEATS; n++) this.#integrate(depth, keyframe, this.#grid, this.#floor);
    return false;
  }
}
