import { type ClassBlock, decodeClasses } from "../wire/blocks.ts";
import type { FromServer } from "../wire/messages.ts";

/** The client's copy of the head's map: blocks of 8 x 8 x 8 voxel classes, kept up to date by patches. */
export class MapMirror {
  /** Blocks by key (see `blockKey` in src/map/grid.ts). */
  readonly blocks = new Map<number, ClassBlock>();
  epoch = "";
  /** Number of the newest change that is in it. */
  change = 0;
  /** Whether the copy is complete as of the last patch: false while more blocks are to come. */
  isComplete = false;

  /**
   * @returns keys of the blocks that changed, or null when the whole map was replaced
   * @throws {DecodeError} when its blocks cannot be read; then the map must be requested again
   */
  apply(patch: FromServer<"patch">): readonly number[] | null {
    const isOther = patch.epoch !== this.epoch;
    if (isOther) {
      this.blocks.clear();
      this.epoch = patch.epoch;
    }
    const keys: number[] = [];
    for (const block of decodeClasses(patch.blocks)) {
      this.blocks.set(block.key, block);
      keys.push(block.key);
    }
    this.change = patch.to;
    this.isComplete = patch.left === 0;
    return isOther ? null : keys;
  }

  /** The state for a new subscription, so that the head sends only what is missing. */
  get have(): { readonly epoch: string; readonly change: number } {
    return { epoch: this.epoch, change: this.change };
  }
}
