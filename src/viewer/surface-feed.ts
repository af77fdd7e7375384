import type { MapMirror } from "../client/mirror.ts";
import { ColumnMap } from "./column-map.ts";
import type { Bands } from "./map-plans.ts";
import { MapSurface } from "./map-surface.ts";
import { type FromWorker, sharedNow } from "./worker-messages.ts";

/** Milliseconds: least interval between two messages with the map. */
const EVERY = 100;
/** Milliseconds: a map that replaces another is sent once it is complete, at the latest after this time. Without the wait, playback would flicker. */
const REPLACED_WITHIN = 1500;

/** Meshes the surface of the map, block by block as it changes, and sends changes to the page. */
export class SurfaceFeed {
  readonly #mirror: MapMirror;
  readonly #surface: MapSurface;
  readonly #columns: ColumnMap;
  readonly #send: (message: FromWorker, transfer: readonly ArrayBufferLike[]) => void;
  /** Blocks to be meshed before the next message, once each, however often they have changed. */
  readonly #pending = new Set<number>();
  #isDue = false;
  #isOther = false;
  #otherSince = 0;

  /** @param voxelSize of the map, metres */
  constructor(
    mirror: MapMirror,
    voxelSize: () => number,
    send: (message: FromWorker, transfer: readonly ArrayBufferLike[]) => void,
  ) {
    this.#mirror = mirror;
    this.#send = send;
    this.#columns = new ColumnMap(mirror.blocks, voxelSize);
    this.#surface = new MapSurface((key) => mirror.blocks.get(key)?.classes);
  }

  /** Heights between which things stand in the robot's way. */
  set bands(bands: Bands) {
    this.#columns.bands = bands;
    this.#sendSoon();
  }

  /** @param keys of the changed blocks; null for another map */
  change(keys: Iterable<number> | null): void {
    if (keys === null) {
      this.#surface.clear();
      this.#columns.clear();
      this.#pending.clear();
      this.#isOther = true;
      this.#otherSince = sharedNow();
    }
    for (const key of keys ?? this.#mirror.blocks.keys()) this.#pending.add(key);
    this.#sendSoon();
  }

  #sendSoon(): void {
    if (!this.#isDue) setTimeout(() => this.#sendChanges(), EVERY);
    this.#isDue = true;
  }

  #sendChanges(): void {
    this.#isDue = false;
    const { blocks, isComplete } = this.#mirror;
    // While the map is incomplete more blocks arrive, and each calls `change` again.
    if (this.#isOther && !isComplete && sharedNow() - this.#otherSince < REPLACED_WITHIN) return;
    const changed = this.#pending.size;
    this.#surface.change(this.#pending);
    this.#columns.change(this.#pending);
    this.#pending.clear();
    const updates = [...this.#surface.take()];
    const columns = this.#columns.take();
    this.#send(
      { kind: "surface", updates, columns, blocks: blocks.size, changed, isComplete, isOther: this.#isOther },
      [...updates.map(({ quads }) => quads.buffer), columns.columns.buffer, columns.shades.buffer],
    );
    this.#isOther = false;
  }
}
