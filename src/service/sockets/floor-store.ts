import { floorCells, floorEdges } from "../../wire/floor-map.ts";
import { decodeTiles, splitTiles } from "../../wire/floor-tiles.ts";
import type { FloorMap } from "../maps/floor-files.ts";
import type { TilesChanged } from "../sensing/changed-tiles.ts";
import { MapStore } from "./map-store.ts";

/** Most cells of the whole map along a side. */
const MOST_CELLS = 8192;

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

  /** The whole map of the floor; null before the first tile. */
  get whole(): FloorMap | null {
    return wholeFloor(this.parts, this.cell, this.at);
  }
}

/**
 * The whole map of the floor; null without tiles.
 * @param parts tiles in wire format; @param cell metres: side of a cell; @param at seconds of the map's clock
 */
export function wholeFloor(parts: readonly Uint8Array[], cell: number, at: number): FloorMap | null {
  const tiles = parts.flatMap((part) => [...decodeTiles(part, cell)]);
  const ground = floorCells(tiles, cell, MOST_CELLS);
  return ground && { ground, edges: floorEdges(tiles, cell, at) };
}
