import { type FloorCells, type FloorEdge, floorCells, floorEdges } from "../wire/floor-map.ts";
import { decodeTiles, type WireTile } from "../wire/floor-tiles.ts";
import type { FromServer } from "../wire/messages.ts";

/** The client's copy of the head's map of the floor: its tiles, kept up to date by patches. */
export class FloorMirror {
  readonly tiles = new Map<number, WireTile>();
  epoch = "";
  /** Number of the newest change that is in it. */
  change = 0;
  /** Whether the copy is complete as of the last patch. */
  isComplete = false;
  /** Metres: side of a cell. */
  cell = 0;
  /** Seconds of the map's clock at the last patch. */
  at = 0;

  /**
   * @returns keys of the tiles that changed, or null when the whole map was replaced
   * @throws {DecodeError} when its tiles cannot be read; then the map must be requested again
   */
  apply(patch: FromServer<"floor">): readonly number[] | null {
    const isOther = patch.epoch !== this.epoch;
    if (isOther) {
      this.tiles.clear();
      this.epoch = patch.epoch;
    }
    const keys: number[] = [];
    for (const { key, ...tile } of decodeTiles(patch.tiles, patch.cell)) {
      this.tiles.set(key, tile);
      keys.push(key);
    }
    this.cell = patch.cell;
    this.at = patch.at;
    this.change = patch.to;
    this.isComplete = patch.left === 0;
    return isOther ? null : keys;
  }

  /** The state for a new subscription, so that the head sends only what is missing. */
  get have(): { readonly epoch: string; readonly change: number } {
    return { epoch: this.epoch, change: this.change };
  }

  /** All tiles in one rectangle; null without any. @param most cells along a side: farther tiles are left out */
  cells(most: number): FloorCells | null {
    return floorCells(this.tiles.values(), this.cell, most);
  }

  /** All edges. */
  edges(): FloorEdge[] {
    return floorEdges(this.tiles.values(), this.cell, this.at);
  }
}
