import { BLOCK_VOXELS } from "../../map/grid.ts";
import { changedSince } from "../../map/snapshot.ts";
import { encodeClasses, MOST_BLOCK_BYTES } from "../../wire/blocks.ts";

type Grid = Parameters<typeof changedSince>[0];

/** Periodically finds the blocks of the map that have changed, and encodes them for the wire. */
export class ChangedBlocks {
  readonly #grid: Grid;
  readonly #every: number;
  readonly #voxels = new Uint8Array(BLOCK_VOXELS);
  #ids = new Int32Array(1024);
  /** Revision of the map at the last check. */
  #revision = 0;
  #next = 0;

  /** @param every microseconds between two checks */
  constructor(grid: Grid, every: number) {
    this.#grid = grid;
    this.#every = every;
  }

  /** Takes all changes so far as sent, because the receivers have dropped their map. */
  takeAsSent(): void {
    this.#revision = this.#grid.frame;
  }

  /** Takes all blocks as changed. */
  sendAll(): void {
    this.#revision = 0;
  }

  /** Makes the next check due at once. */
  hurry(): void {
    this.#next = Number.NEGATIVE_INFINITY;
  }

  /** Changed blocks; null when no check is due, or nothing has changed. */
  due(now: number): { readonly count: number; readonly bytes: Uint8Array } | null {
    const grid = this.#grid;
    if (now < this.#next || grid.frame === this.#revision) return null;
    this.#next = now + this.#every;
    if (this.#ids.length < grid.count) this.#ids = new Int32Array(2 * grid.count);
    const count = changedSince(grid, this.#revision, this.#ids);
    this.#revision = grid.frame;
    if (count === 0) return null;
    const out = new Uint8Array(count * MOST_BLOCK_BYTES);
    let at = 0;
    for (let n = 0; n < count; n++) {
      const id = this.#ids[n]!;
      grid.copyBlock(id, this.#voxels);
      at = encodeClasses(
        { key: grid.keyOf(id), revision: grid.revisionOf(id), values: this.#voxels },
        out,
        at,
      );
    }
    return { count, bytes: out.slice(0, at) };
  }
}
