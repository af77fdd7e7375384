import { type Brink, chainBrinks, decodeTiles, TILE_SIDE, type WireTile } from "../wire/floor-tiles.ts";
import type { FromServer } from "../wire/messages.ts";

/** Largest distance in cells between neighbouring points of one edge, as in the head. */
const LINK = 3;

/** An edge of the floor, and how long ago it was seen, seconds. */
export type FloorEdge = Brink & { readonly age: number };

/** A rectangle of cells of the floor: FOOTING codes, x fastest; its corner is at (col, row) * cell in the world. */
export interface FloorCells {
  readonly col: number;
  readonly row: number;
  readonly width: number;
  readonly height: number;
  /** Metres. */
  readonly cell: number;
  readonly cells: Uint8Array;
}

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
    let [west, south, east, north] = [Infinity, Infinity, -Infinity, -Infinity];
    for (const { col, row } of this.tiles.values()) {
      const isFar =
        Math.max(east, col + 1) - Math.min(west, col) > most / TILE_SIDE ||
        Math.max(north, row + 1) - Math.min(south, row) > most / TILE_SIDE;
      if (isFar) continue;
      [west, east] = [Math.min(west, col), Math.max(east, col + 1)];
      [south, north] = [Math.min(south, row), Math.max(north, row + 1)];
    }
    if (west >= east) return null;
    const width = TILE_SIDE * (east - west);
    const cells = new Uint8Array(width * TILE_SIDE * (north - south));
    for (const tile of this.tiles.values()) {
      if (tile.col < west || tile.col >= east || tile.row < south || tile.row >= north) continue;
      const corner = TILE_SIDE * ((tile.row - south) * width + (tile.col - west));
      for (let j = 0; j < TILE_SIDE; j++) {
        cells.set(tile.cells.subarray(TILE_SIDE * j, TILE_SIDE * (j + 1)), corner + j * width);
      }
    }
    const [col, row] = [TILE_SIDE * west, TILE_SIDE * south];
    return { col, row, width, height: cells.length / width, cell: this.cell, cells };
  }

  /** All edges, chained from point to point. */
  edges(): FloorEdge[] {
    const spots = [...this.tiles.values()].flatMap(({ spots, seen }) =>
      spots.map((spot) => ({ ...spot, age: Math.max(0, this.at - seen) })),
    );
    const ages = new Map(spots.map(({ x, y, age }) => [`${x},${y}`, age]));
    return chainBrinks(spots, LINK * this.cell).map((brink) => ({
      ...brink,
      age: Math.min(...brink.points.map(([x, y]) => ages.get(`${x},${y}`)!)),
    }));
  }
}
