import { FloorLayer } from "../map/floor.ts";
import { BlockGrid } from "../map/grid.ts";
import { GridReplacement } from "../map/replace.ts";
import { isSound, type Keyframe, type KeyframeStore } from "../track/keyframes.ts";

/** Each keyframe stands for the frames around it: it is integrated so often, a whole turn of the carving. */
const REPEATS = 2;
/** Blocks looked at in one step when the new map takes the old one's place: well under a millisecond. */
const BLOCKS = 400;

/** Puts a keyframe's depth into a grid and a floor, both empty at first. */
export type Integrate = (depth: Uint16Array, keyframe: Keyframe, grid: BlockGrid, floor: FloorLayer) => void;

/**
 * Makes the map anew from keyframes, out of sight, then puts it in the old one's place. Work is bounded a step and counted, so
 * that no frame waits for it: one keyframe, or so many blocks.
 */
export class MapRemake {
  readonly #store: KeyframeStore;
  readonly #integrate: Integrate;
  readonly #grid: BlockGrid;
  readonly #floor: FloorLayer;
  readonly #target: { readonly grid: BlockGrid; readonly floor: FloorLayer };
  readonly #order: Keyframe[];
  #next = 0;
  #depth = new Uint16Array(0);
  #replacement: GridReplacement | null = null;

  constructor(
    store: KeyframeStore,
    target: { readonly grid: BlockGrid; readonly floor: FloorLayer },
    integrate: Integrate,
  ) {
    this.#store = store;
    this.#target = target;
    this.#integrate = integrate;
    this.#grid = new BlockGrid(target.grid.voxelSize);
    this.#floor = new FloorLayer(target.floor.columnSize, target.floor.settings);
    this.#grid.frame = target.grid.frame;
    this.#order = store.frames.slice();
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
    if (this.#next === this.#order.length) {
      // What came since.
      const last = this.#order.at(-1)?.id ?? -1;
      for (const frame of this.#store.frames) if (frame.id > last) this.#order.push(frame);
    }
    const keyframe = this.#order[this.#next++];
    if (keyframe === undefined) {
      this.#target.grid.frame = Math.max(this.#target.grid.frame, this.#grid.frame) + 1;
      this.#replacement = new GridReplacement(this.#target.grid, this.#grid);
      return false;
    }
    if (this.#depth.length !== keyframe.pixels) this.#depth = new Uint16Array(keyframe.pixels);
    if (!isSound(keyframe)) return false;
    const depth = this.#store.depthOf(this.#depth, keyframe);
    for (let n = 0; n < REPEATS; n++) this.#integrate(depth, keyframe, this.#grid, this.#floor);
    return false;
  }
}
