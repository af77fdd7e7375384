import { emptyTile, type FloorTile, floorTile } from "../../guard/floor-tiles.ts";
import type { FloorSource } from "../../guard/footing.ts";
import { encodeTile, MOST_LOOKS, TILE_SIDE, tileKeyOf } from "../../wire/floor-tiles.ts";

/** Microseconds between two checks. */
const EVERY = 1_000_000;
/** Metres around the base within which the map may have new obstacles, which change no tile's own count of changes. */
const AROUND = 5;
/** Seconds after which a tile is sent again only because it was seen again: with edges, whose age is shown, and without. Chosen by hand. */
const SEEN_AGAIN = 10;
const SEEN_AGAIN_PLAIN = 60;
/** Metres: smaller movements of an edge's point, and smaller changes of its depth, are not sent. Chosen by hand. */
const MOVED = 0.01;
const DEEPER = 0.02;

type Tiles = FloorSource["tiles"];

interface Sent {
  readonly tile: FloorTile;
  /** The memory's tile, and its count of changes when it was read. */
  readonly source: ReturnType<Tiles["get"]>;
  changes: number;
}

/** Tiles of the map of the floor that have changed. */
export interface TilesChanged {
  /** Metres: side of a cell. */
  readonly cell: number;
  /** Seconds of the map's clock: now. It begins with the first frame. */
  readonly at: number;
  readonly count: number;
  readonly bytes: Uint8Array;
}

/** Periodically finds the tiles of the floor that have changed, and encodes them for the wire. */
export class ChangedTiles {
  readonly #source: FloorSource;
  readonly #sent = new Map<number, Sent>();
  #next = Number.NEGATIVE_INFINITY;
  #first: number | null;

  /** @param first time of the first frame, microseconds; null: the first one that `due` gets */
  constructor(source: FloorSource, first: number | null = null) {
    this.#source = source;
    this.#first = first;
  }

  /** Takes nothing as sent, because the receivers have dropped their map. */
  forget(): void {
    this.#sent.clear();
    this.hurry();
  }

  /** Makes the next check due at once. */
  hurry(): void {
    this.#next = Number.NEGATIVE_INFINITY;
  }

  /**
   * @param now  microseconds of the clock by which the map is published
   * @param time of the newest frame, microseconds
   * @param base x, y of the base, metres; null while unknown
   * @returns null when no check is due, or nothing has changed
   */
  due(now: number, time: number, base: readonly [number, number] | null): TilesChanged | null {
    if (now < this.#next) return null;
    this.#next = now + EVERY;
    this.#first ??= time;
    const first = this.#first;
    const cell = this.#source.cellSize;
    const found: Uint8Array[] = [];
    const add = (tile: FloorTile): void => {
      found.push(encodeTile({ ...tile, seen: Math.max(0, tile.seen - first) / 1e6 }, cell));
    };
    for (const key of this.#candidates(base)) {
      const source = this.#source.tiles.get(key)!;
      const sent = this.#sent.get(key);
      const tile = floorTile(this.#source, key, source);
      if (sent !== undefined && isLike(sent.tile, tile)) sent.changes = source.changes;
      else {
        this.#sent.set(key, { tile, source, changes: source.changes });
        add(tile);
      }
    }
    // The memory was transformed, and this tile has nothing any more.
    for (const key of [...this.#sent.keys()]) {
      if (this.#source.tiles.has(key)) continue;
      this.#sent.delete(key);
      add(emptyTile(key));
    }
    if (found.length === 0) return null;
    const bytes = new Uint8Array(found.reduce((sum, { length }) => sum + length, 0));
    let at = 0;
    for (const one of found) {
      bytes.set(one, at);
      at += one.length;
    }
    return { cell, at: Math.max(0, time - first) / 1e6, count: found.length, bytes };
  }

  /** Keys of the tiles that may have changed. */
  #candidates(base: readonly [number, number] | null): Set<number> {
    const { tiles, cellSize } = this.#source;
    const keys = new Set<number>();
    for (const [key, source] of tiles) {
      const sent = this.#sent.get(key);
      if (sent?.source !== source || sent.changes !== source.changes) keys.add(key);
    }
    if (base === null) return keys;
    const side = TILE_SIDE * cellSize;
    const tileAt = (metres: number): number => Math.floor(metres / side);
    const [x, y] = base;
    for (let row = tileAt(y - AROUND); row <= tileAt(y + AROUND); row++) {
      for (let col = tileAt(x - AROUND); col <= tileAt(x + AROUND); col++) {
        const key = tileKeyOf(col, row);
        if (tiles.has(key)) keys.add(key);
      }
    }
    return keys;
  }
}

/** Whether a tile that was sent is still good for the present one. */
function isLike(sent: FloorTile, now: FloorTile): boolean {
  const again = 1e6 * (now.spots.length > 0 ? SEEN_AGAIN : SEEN_AGAIN_PLAIN);
  if (now.seen - sent.seen >= again || sent.spots.length !== now.spots.length) return false;
  for (let c = 0; c < now.cells.length; c++) if (sent.cells[c] !== now.cells[c]) return false;
  return now.spots.every(({ x, y, drop, looks }, n) => {
    const was = sent.spots[n]!;
    const isDeep = was.drop !== drop && !(Math.abs(was.drop - drop) < DEEPER);
    const isSure = looks >= MOST_LOOKS && was.looks < MOST_LOOKS;
    return !isDeep && !isSure && Math.abs(was.x - x) < MOVED && Math.abs(was.y - y) < MOVED;
  });
}
