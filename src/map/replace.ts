import { BLOCK_VOXELS, type BlockGrid, UNKNOWN } from "./grid.ts";

/**
 * Makes one grid equal another, a bounded number of blocks at a time; only blocks that differ get a new revision. Blocks that the other does
 * not have become unknown, or stay.
 */
export class GridReplacement {
  readonly #from: BlockGrid;
  readonly #to: BlockGrid;
  readonly #keepsOthers: boolean;
  readonly #new = new Uint8Array(BLOCK_VOXELS);
  readonly #old = new Uint8Array(BLOCK_VOXELS);
  #next = 0;
  #left = 0;

  /**
   * @param keepsOthers whether blocks that `from` does not have stay
   * @throws {RangeError} if their voxels differ in size
   */
  constructor(to: BlockGrid, from: BlockGrid, keepsOthers = false) {
    if (to.voxelSize !== from.voxelSize) {
      throw new RangeError(`voxels of ${from.voxelSize} m cannot replace those of ${to.voxelSize} m`);
    }
    this.#to = to;
    this.#from = from;
    this.#keepsOthers = keepsOthers;
  }

  /** Compares up to `blocks` blocks; true when all are done. */
  step(blocks: number): boolean {
    const [from, to] = [this.#from, this.#to];
    for (let n = 0; n < blocks; n++) {
      if (this.#next < from.count) {
        const id = this.#next++;
        from.copyBlock(id, this.#new);
        this.#paste(from.keys[id]!);
      } else if (this.#keepsOthers) return true;
      else if (this.#left < to.count) {
        const id = this.#left++;
        if (from.find(to.keys[id]!) >= 0) continue;
        this.#new.fill(UNKNOWN);
        this.#paste(to.keys[id]!);
      } else return true;
    }
    return this.#next === from.count && (this.#keepsOthers || this.#left === to.count);
  }

  #paste(key: number): void {
    const id = this.#to.find(key);
    if (id >= 0) this.#to.copyBlock(id, this.#old);
    else this.#old.fill(UNKNOWN);
    for (let i = 0; i < BLOCK_VOXELS; i++) {
      if (this.#new[i] === this.#old[i]) continue;
      this.#to.pasteBlock(key, this.#new, this.#to.frame);
      return;
    }
  }
}
