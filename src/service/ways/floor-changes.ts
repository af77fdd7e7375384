import type { FloorSource } from "../../guard/footing.ts";
import { CELLS, TILE_BITS, type Tile, tileKey, tileOf } from "../../guard/footing-tile.ts";
import type { KeepOutView } from "../../guard/keep-out.ts";
import { COLUMN, type ColumnSource, type ColumnTile } from "../../map/layers.ts";
import { FOOTING } from "../../terms/safety.ts";

const BLOCKED: number = FOOTING.blocked;
const KEPT_OUT: number = FOOTING.keptOut;
const MASK: number = (1 << TILE_BITS) - 1;
const UNSEEN: number = FOOTING.unseen;

/** What the copy of the floor is made of: the same objects of a head may be others in each call. */
export interface FloorSources {
  readonly floorSource: FloorSource;
  readonly columnSource: ColumnSource;
  readonly keepOut: KeepOutView;
}

/** Tiles of the floor that have changed. */
export interface FloorPatch {
  /** (2 * count) columns and rows in turn, in tiles. */
  readonly places: Int32Array;
  /** (CELLS * count) `FOOTING` codes as the map shows them: firm floor does not age. Tiles follow each other, x fastest. */
  readonly cells: Uint8Array;
  /** Whether no other tile has changed. */
  readonly isComplete: boolean;
}

/** A tile as its reader knows it, and what it was read from. */
interface Known {
  readonly col: number;
  readonly row: number;
  readonly cells: Uint8Array;
  floor: Tile | null;
  floorChanges: number;
  columns: ColumnTile | null;
  columnChanges: number;
}

/** Finds what has changed in the map of the floor, for a reader that keeps a copy of it. Floor and columns have tiles of the same places. */
export class FloorChanges {
  readonly #known = new Map<number, Known>();
  readonly #scratch = new Uint8Array(CELLS);
  #keepOut: KeepOutView | null = null;
  #areasRevision = 0;

  /**
   * The changes since the last call.
   * @param most tiles that are looked at; the others follow with the next calls
   */
  take({ floorSource, columnSource, keepOut }: FloorSources, most: number): FloorPatch {
    if (keepOut !== this.#keepOut || keepOut.revision !== this.#areasRevision) {
      this.#keepOut = keepOut;
      this.#areasRevision = keepOut.revision;
      // Each known tile is read again.
      for (const known of this.#known.values()) known.floorChanges = known.columnChanges = -1;
    }
    const { changed, isComplete } = this.#changed(floorSource, columnSource, most);
    const places = new Int32Array(2 * changed.length);
    const cells = new Uint8Array(CELLS * changed.length);
    changed.forEach((known, n) => {
      places[2 * n] = known.col;
      places[2 * n + 1] = known.row;
      cells.set(known.cells, CELLS * n);
    });
    return { places, cells, isComplete };
  }

  #changed(
    floor: FloorSource,
    columns: ColumnSource,
    most: number,
  ): { changed: Known[]; isComplete: boolean } {
    const changed: Known[] = [];
    let looks = 0;
    const look = (known: Known, floorTile: Tile | null, columnTile: ColumnTile | null): boolean => {
      if (looks === most) return false;
      looks++;
      known.floor = floorTile;
      known.floorChanges = floorTile?.changes ?? 0;
      known.columns = columnTile;
      known.columnChanges = columnTile?.blockedChanges ?? 0;
      if (this.#read(known)) changed.push(known);
      return true;
    };
    const blocked = new Map<number, ColumnTile>();
    for (const tile of columns.tiles) {
      const key = tileKey(tile.col, tile.row);
      blocked.set(key, tile);
      const known = this.#open(key, tile.col, tile.row);
      if (known.columns === tile && known.columnChanges === tile.blockedChanges) continue;
      if (!look(known, floor.tiles.get(key) ?? null, tile)) return { changed, isComplete: false };
    }
    for (const [key, tile] of floor.tiles) {
      const known = this.#known.get(key) ?? this.#open(key, ...tileOf(key));
      if (known.floor === tile && known.floorChanges === tile.changes) continue;
      if (!look(known, tile, blocked.get(key) ?? null)) return { changed, isComplete: false };
    }
    // The map was cleared or transformed, and these places have nothing any more.
    for (const [key, known] of this.#known) {
      const isFloorLost = known.floor !== null && !floor.tiles.has(key);
      if (!isFloorLost && (known.columns === null || blocked.has(key))) continue;
      if (!look(known, floor.tiles.get(key) ?? null, blocked.get(key) ?? null))
        return { changed, isComplete: false };
    }
    return { changed, isComplete: true };
  }

  #open(key: number, col: number, row: number): Known {
    let known = this.#known.get(key);
    if (known === undefined) {
      const cells = new Uint8Array(CELLS).fill(UNSEEN);
      known = { col, row, cells, floor: null, floorChanges: 0, columns: null, columnChanges: 0 };
      this.#known.set(key, known);
    }
    return known;
  }

  /** Reads a tile. @returns whether any cell has changed */
  #read({ col, row, cells, floor, columns }: Known): boolean {
    const now = this.#scratch;
    if (floor === null) now.fill(UNSEEN);
    else now.set(floor.settled);
    const areas = this.#keepOut !== null && this.#keepOut.areas.length > 0 ? this.#keepOut : null;
    let isChanged = false;
    for (let c = 0; c < CELLS; c++) {
      if (areas !== null && now[c] !== UNSEEN) {
        const area = areas.at((col << TILE_BITS) + (c & MASK), (row << TILE_BITS) + (c >> TILE_BITS));
        if (area !== null) now[c] = KEPT_OUT;
      }
      if (columns !== null && columns.kind[c] === COLUMN.blocked) now[c] = BLOCKED;
      if (now[c] !== cells[c]) isChanged = true;
    }
    if (isChanged) cells.set(now);
    return isChanged;
  }
}
