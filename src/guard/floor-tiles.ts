import type { BrinkSpot } from "../map/brink-lines.ts";
import { FOOTING } from "../terms/safety.ts";
import type { FloorSource } from "./footing.ts";
import { CELLS, TILE_BITS, type Tile, tileOf } from "./footing-tile.ts";

const SIDE = 1 << TILE_BITS;

/** A tile of the floor as the map shows it: firm floor does not age. */
export interface FloorTile {
  /** In tiles. */
  readonly col: number;
  readonly row: number;
  /** (CELLS) `FOOTING` codes, x fastest. */
  readonly cells: Uint8Array;
  /** Points of edges, in the world, with the height of the floor there. */
  readonly spots: readonly (BrinkSpot & { readonly z: number })[];
  /** Microseconds: when any of its cells was seen last; 0 when none was. */
  readonly seen: number;
}

/** Copies a tile. @param tile the tile of `key` in `footing` */
export function floorTile(footing: FloorSource, key: number, tile: Tile): FloorTile {
  const [col, row] = tileOf(key);
  const cells = new Uint8Array(CELLS);
  const spots: (BrinkSpot & { readonly z: number })[] = [];
  let seen = 0;
  for (let c = 0; c < CELLS; c++) {
    const i = col * SIDE + (c % SIDE);
    const j = row * SIDE + (c >> TILE_BITS);
    cells[c] = footing.forMap(i, j);
    if (cells[c] !== FOOTING.unseen && tile.time[c]! > seen) seen = tile.time[c]!;
    const spot = tile.spotAt(c);
    if (spot !== null && footing.isRim(spot.x, spot.y, true)) spots.push({ ...spot, z: tile.height[c]! });
  }
  return { col, row, cells, spots, seen };
}

/** The tile without anything, for one that is not in the memory any more. */
export function emptyTile(key: number): FloorTile {
  const [col, row] = tileOf(key);
  return { col, row, cells: new Uint8Array(CELLS), spots: [], seen: 0 };
}
