import { type Brink, chainBrinks } from "../map/brink-lines.ts";
import { TILE_CELLS, TILE_SIDE, type WireTile } from "./floor-tiles.ts";

// The whole map of the floor, made of its tiles.

/** Largest distance in cells between neighbouring points of one edge, as in the head. */
const LINK = 3;

/** An edge of the floor. A drop without a bottom is infinite. */
export type FloorEdge = Omit<Brink, "points"> & {
  /** x, y in order along the edge, and the height of the floor there: metres of the world. */
  readonly points: readonly (readonly [x: number, y: number, z: number])[];
  /** Seconds since it was seen. */
  readonly age: number;
};

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

/** All tiles in one rectangle; null without any. @param most cells along a side: farther tiles are left out */
export function floorCells(tiles: Iterable<WireTile>, cell: number, most: number): FloorCells | null {
  let [west, south, east, north] = [Infinity, Infinity, -Infinity, -Infinity];
  const taken: WireTile[] = [];
  for (const tile of tiles) {
    const [w, e] = [Math.min(west, tile.col), Math.max(east, tile.col + 1)];
    const [s, n] = [Math.min(south, tile.row), Math.max(north, tile.row + 1)];
    if ((e - w) * TILE_SIDE > most || (n - s) * TILE_SIDE > most) continue;
    [west, east, south, north] = [w, e, s, n];
    taken.push(tile);
  }
  if (taken.length === 0) return null;
  const width = TILE_SIDE * (east - west);
  const cells = new Uint8Array(TILE_CELLS * (east - west) * (north - south));
  for (const tile of taken) {
    const corner = TILE_SIDE * ((tile.row - south) * width + (tile.col - west));
    for (let j = 0; j < TILE_SIDE; j++) {
      cells.set(tile.cells.subarray(TILE_SIDE * j, TILE_SIDE * (j + 1)), corner + j * width);
    }
  }
  return { col: TILE_SIDE * west, row: TILE_SIDE * south, width, height: cells.length / width, cell, cells };
}

/**
 * All edges, chained from point to point, also across tiles.
 * @param at seconds of the map's clock
 */
export function floorEdges(tiles: Iterable<WireTile>, cell: number, at: number): FloorEdge[] {
  const known = new Map<string, { readonly z: number; readonly age: number }>();
  const keyOf = (x: number, y: number): string => `${x},${y}`;
  const spots = [];
  for (const { spots: own, seen } of tiles) {
    for (const spot of own) {
      known.set(keyOf(spot.x, spot.y), { z: spot.z, age: Math.max(0, at - seen) });
      spots.push(spot);
    }
  }
  return chainBrinks(spots, LINK * cell).map((brink) => {
    const about = brink.points.map(([x, y]) => known.get(keyOf(x, y))!);
    return {
      ...brink,
      points: brink.points.map(([x, y], n) => [x, y, about[n]!.z] as const),
      age: Math.min(...about.map(({ age }) => age)),
    };
  });
}
