import { splitTiles } from "../../wire/floor-tiles.ts";
import type { TilesChanged } from "../sensing/changed-tiles.ts";
import { MapStore } from "./map-store.ts";

/** The map of the floor for clients: its tiles, and what they all have in common. */
export class FloorStore extends MapStore {
  /** Metres: side of a cell; 0 before the first tile. */
  cell = 0;
  /** Seconds of the map's clock at the newest change. */
  at = 0;

  constructor(epoch: string) {
    super(epoch, splitTiles);
  }

  take({ cell, at, bytes }: TilesChanged): void {
    this.cell = cell;
    this.at = at;
    this.add(bytes);
  }
}
