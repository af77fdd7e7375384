import type { MapMirror } from "../client/mirror.ts";
import { MapSurface } from "./map-surface.ts";
import { type FromWorker, sharedNow } from "./worker-messages.ts";

/** Least milliseconds between two changes of the map that the page is told. */
const EVERY = 100;
/** A map that replaces another is told when it is complete, or after so many milliseconds: playback would flicker. */
const REPLACED_WITHIN = 1500;

/** Makes the surface of the map, block by block as it changes, and hands changes on to the page. */
export class SurfaceFeed {
  readonly #mirror: MapMirror;
  readonly #surface: MapSurface;
  readonly #tell: (message: FromWorker, transfer: readonly ArrayBufferLike[]) => void;
  /** Blocks whose surface is to be made: once when it is told, however often they or their neighbours change before. */
  readonly #pending = new Set<number>();
  #isDue = false;
  #isOther = false;
  #otherSince = 0;

  constructor(mirror: MapMirror, tell: (message: FromWorker, transfer: readonly ArrayBufferLike[]) => void) {
    this.#mirror = mirror;
    this.#tell = tell;
    this.#surface = new MapSurface((key) => mirror.blocks.get(key)?.classes);
  }

  /** @param keys of the blocks that changed; null: the map is another one */
  change(keys: Iterable<number> | null): void {
    if (keys === null) {
      this.#surface.clear();
      this.#pending.clear();
      this.#isOther = true;
      this.#otherSince = sharedNow();
    }
    for (const key of keys ?? this.#mirror.blocks.keys()) this.#pending.add(key);
    if (!this.#isDue) setTimeout(() => this.#tellChanges(), EVERY);
    this.#isDue = true;
  }

  #tellChanges(): void {
    this.#isDue = false;
    const { blocks, isComplete } = this.#mirror;
    // While it is incomplete, blocks keep coming, and each calls `change` again.
    if (this.#isOther && !isComplete && sharedNow() - this.#otherSince < REPLACED_WITHIN) return;
    const changed = this.#pending.size;
    this.#surface.change(this.#pending);
    this.#pending.clear();
    const updates = [...this.#surface.take()];
    this.#tell(
      { kind: "surface", updates, blocks: blocks.size, changed, isComplete, isOther: this.#isOther },
      updates.map(({ quads }) => quads.buffer),
    );
    this.#isOther = false;
  }
}
