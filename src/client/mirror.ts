import { type ClassBlock, decodeClasses } from "../wire/blocks.ts";
import type { FromServer } from "../wire/messages.ts";

/** The head's map as a client knows it: blocks of 8 x 8 x 8 voxel classes, kept up to date by patches. */
export class MapMirror {
  /** Blocks by key (see `blockKey` in src/map/grid.ts). */
  readonly blocks = new Map<number, ClassBlock>();
  epoch = "";
  /** Number of the newest change that is in it. */
  change = 0;
  /** Whether all of the map as of the last patch is here: false while more of it is on its way. */
  isComplete = false;

  /**
   * @returns keys of the blocks that changed, or null when the whole map is another one
   * @throws {DecodeError} when its blocks cannot be read; the mirror is then to be asked for anew
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

  /** What a new connection is told, so that it sends what is missing only. */
  get have(): { readonly epoch: string; readonly change: number } {
    return { epoch: this.epoch, change: this.change };
  }
}
