import ndarray, { type NdArray } from "ndarray";
import { ClearanceField } from "./clearance.ts";
import type { FloorLayer } from "./floor.ts";
import {
  BLOCK_SIDE,
  type BlockGrid,
  blockKey,
  FREE_BELOW,
  keyX,
  keyY,
  keyZ,
  OCCUPIED_FROM,
  voxelOffset,
} from "./grid.ts";

/** State of a column for this body. */
export const COLUMN = {
  /** Neither floor nor free space seen at the body's height. */
  unseen: 0,
  /** Floor seen, and nothing above it. */
  clear: 1,
  /** An obstacle between the ground clearance and the body's height. */
  blocked: 2,
  /** Floor seen and no obstacle, but something hangs above the body's height. */
  overhang: 3,
  /** Free space at the body's height, but no floor seen: it may be far away, dark, or not there. */
  open: 4,
} as const;

export interface Body {
  /** Metres from the floor to the robot's highest point. */
  readonly height: number;
  /** Ground clearance, metres: lower obstacles are driven over. */
  readonly groundClearance: number;
}

const TILE = 32;

/**
 * Standard deviations of the floor's samples that its noise reaches, and bounds of that reach, in voxels. One stray return occupies a voxel, and
 * voxels just above the floor are not carved, because the floor lies before their far side.
 */
const NOISE_SIGMAS = 4;
const LEAST_NOISE = 0.25;
const MOST_NOISE = 0.5;

class LayerTile {
  /** In tiles. */
  readonly col: number;
  readonly row: number;
  readonly kind = new Uint8Array(TILE * TILE);
  /** Number of times that a column became blocked or ceased to be. */
  blockedChanges = 0;
  /** Metres from the floor to the lowest object above the ground clearance; Infinity without one. */
  readonly headroom = new Float32Array(TILE * TILE).fill(Number.POSITIVE_INFINITY);

  constructor(col: number, row: number) {
    this.col = col;
    this.row = row;
  }
}

/** A square of 32 x 32 columns, x fastest, for readers that look for changes. */
export type ColumnTile = Readonly<Pick<LayerTile, "col" | "row" | "kind" | "blockedChanges">>;

/** A rectangle of a layer, an ndarray: shape [rows, columns], row 0 at the lowest y. */
export interface LayerRectangle<T extends Uint8Array | Float32Array> {
  /** World columns of element (0, 0). */
  readonly col: number;
  readonly row: number;
  readonly cells: NdArray<T>;
}

/**
 * The map in two dimensions, for one body: which columns it can enter, their headroom, and the distance of each
 * from the nearest blocked column. Follows the grid's block revisions, so its cost depends on the changes only.
 */
export class BodyLayers {
  readonly #clearance: ClearanceField;
  #isClearanceStale = false;
  readonly #grid: BlockGrid;
  readonly #floor: FloorLayer;
  readonly #body: Body;
  readonly #tiles = new Map<number, LayerTile>();
  readonly #seen = new Map<number, number>();
  readonly #dirty = new Set<number>();
  #isKnownAt = new Int32Array(1024);
  readonly #ids = new Int32Array(2048);
  readonly #heights = new Float64Array(BLOCK_SIDE * BLOCK_SIDE);
  readonly #spreads = new Float64Array(BLOCK_SIDE * BLOCK_SIDE);
  #minCol = Number.POSITIVE_INFINITY;
  #maxCol = Number.NEGATIVE_INFINITY;
  #minRow = Number.POSITIVE_INFINITY;
  #maxRow = Number.NEGATIVE_INFINITY;

  /**
   * @param clearanceLimit metres up to which the clearance field is exact
   * @throws {RangeError} if the body is invalid
   */
  constructor(grid: BlockGrid, floor: FloorLayer, body: Body, clearanceLimit: number) {
    if (!(body.height > body.groundClearance && body.groundClearance >= 0)) {
      throw new RangeError(
        `body.height ${body.height} must be above body.groundClearance ${body.groundClearance}, both from 0`,
      );
    }
    this.#grid = grid;
    this.#floor = floor;
    this.#body = body;
    this.#clearance = new ClearanceField(grid.voxelSize, clearanceLimit);
  }

  /**
   * Updates the layers from the grid.
   * @param floorHeight z of the floor under the base, used for columns whose own floor was not seen
   * @returns how many columns of blocks were recomputed
   */
  update(floorHeight: number): number {
    const grid = this.#grid;
    if (this.#isKnownAt.length < grid.count) {
      const more = new Int32Array(Math.max(grid.count, 2 * this.#isKnownAt.length));
      more.set(this.#isKnownAt);
      this.#isKnownAt = more;
    }
    const known = this.#isKnownAt;
    for (let id = 0; id < grid.count; id++) {
      if (known[id] === grid.revision[id]) continue;
      known[id] = grid.revision[id]!;
      const key = grid.keys[id]!;
      this.#dirty.add(columnKey(keyX(key), keyY(key)));
      const bz = keyZ(key);
      const slot = columnKey(keyX(key), keyY(key));
      const range = this.#seen.get(slot);
      // Lowest and highest block of the column, packed, so that the scan below can skip the rest.
      const low = Math.min(bz, range === undefined ? bz : (range >> 11) - 1024);
      const high = Math.max(bz, range === undefined ? bz : (range & 2047) - 1024);
      this.#seen.set(slot, ((low + 1024) << 11) | (high + 1024));
    }
    this.#floor.takeNews((i, j) => {
      const slot = columnKey(i >> 3, j >> 3);
      if (this.#seen.has(slot)) this.#dirty.add(slot);
    });
    for (const slot of this.#dirty) this.#rebuild(slot, floorHeight);
    const count = this.#dirty.size;
    this.#dirty.clear();
    return count;
  }

  #rebuild(slot: number, floorHeight: number): void {
    const grid = this.#grid;
    const size = grid.voxelSize;
    const bx = Math.floor(slot / 4096) - 2048;
    const by = (slot % 4096) - 2048;
    const range = this.#seen.get(slot)!;
    const low = (range >> 11) - 1024;
    const high = (range & 2047) - 1024;
    const { height: bodyHeight, groundClearance } = this.#body;
    // The ids of the column's blocks, looked up once; -1 without one.
    const { pool, bricks } = grid;
    const ids = this.#ids;
    for (let bz = low; bz <= high; bz++) {
      ids[bz - low] = grid.find(blockKey(bx, by, bz));
    }
    const last = high * BLOCK_SIDE + BLOCK_SIDE - 1;
    const heights = this.#heights;
    const spreads = this.#spreads;
    this.#floor.heightsOfBlock(bx * BLOCK_SIDE, by * BLOCK_SIDE, heights, spreads);
    // A block's columns lie in one tile.
    let tile = this.#tiles.get(tileKey(bx >> 2, by >> 2));
    for (let y = 0; y < BLOCK_SIDE; y++) {
      for (let x = 0; x < BLOCK_SIDE; x++) {
        const i = bx * BLOCK_SIDE + x;
        const j = by * BLOCK_SIDE + y;
        const own = heights[y * BLOCK_SIDE + x]!;
        const floor = Number.isNaN(own) ? floorHeight : own;
        const hasFloor = !Number.isNaN(own);
        let isFree = false;
        let headroom = Number.POSITIVE_INFINITY;
        // A voxel counts by its centre, because one that the plane of the ground clearance cuts may be filled below it only.
        const first = Math.max(low * BLOCK_SIDE, Math.ceil((floor + groundClearance) / size - 0.5));
        // The voxel layer that contains the floor is floor, wherever in it the floor lies; so is the next layer, where noise of the floor reaches it.
        const noise = hasFloor ? (NOISE_SIGMAS * spreads[y * BLOCK_SIDE + x]!) / size : 0;
        const reached = noise > MOST_NOISE ? MOST_NOISE : noise < LEAST_NOISE ? LEAST_NOISE : noise;
        const above = Math.max(first, Math.floor(floor / size + reached) + 1);
        // Centres below this stand in the body's way.
        const bodyTop = (floor + bodyHeight) / size - 0.5;
        for (let k = above; k <= last; k++) {
          const id = ids[(k >> 3) - low]!;
          if (id < 0) {
            k |= 7;
            continue;
          }
          const offset = voxelOffset(x, y, k & 7);
          const start = bricks[8 * id + (offset >> 6)]!;
          const value =
            start < 0 ? -1 - start : (pool[start + ((offset >> 2) & 15)]! >>> ((offset & 3) * 8)) & 255;
          if (value >= OCCUPIED_FROM) {
            headroom = k * size - floor;
            break;
          }
          if (value < FREE_BELOW && k < bodyTop) isFree = true;
          if (start < 0) k |= 3; // the rest of the brick is the same
        }
        const isBlocked = headroom < bodyHeight;
        const standing = headroom < Number.POSITIVE_INFINITY ? COLUMN.overhang : COLUMN.clear;
        const bare = isFree ? COLUMN.open : COLUMN.unseen;
        const kind = isBlocked ? COLUMN.blocked : hasFloor ? standing : bare;
        if (tile === undefined) {
          if (kind === COLUMN.unseen) continue;
          tile = new LayerTile(bx >> 2, by >> 2);
          this.#tiles.set(tileKey(bx >> 2, by >> 2), tile);
        }
        this.#set(tile, i, j, kind, headroom);
      }
    }
  }

  #set(tile: LayerTile, i: number, j: number, kind: number, headroom: number): void {
    const c = ((j & 31) << 5) | (i & 31);
    if ((tile.kind[c] === COLUMN.blocked) !== (kind === COLUMN.blocked)) {
      this.#clearance.set(i, j, kind === COLUMN.blocked);
      this.#isClearanceStale = true;
      tile.blockedChanges++;
    }
    tile.kind[c] = kind;
    tile.headroom[c] = headroom;
    if (kind !== COLUMN.unseen) {
      this.#minCol = Math.min(this.#minCol, i);
      this.#maxCol = Math.max(this.#maxCol, i);
      this.#minRow = Math.min(this.#minRow, j);
      this.#maxRow = Math.max(this.#maxRow, j);
    }
  }

  /** The tiles that have columns. */
  get tiles(): Iterable<ColumnTile> {
    return this.#tiles.values();
  }

  /** Number of a `COLUMN` kind for world column (i, j). */
  kindAt(i: number, j: number): number {
    return this.#tiles.get(tileKey(i >> 5, j >> 5))?.kind[((j & 31) << 5) | (i & 31)] ?? COLUMN.unseen;
  }

  /**
   * Metres from column (i, j) to the nearest blocked one, centre to centre; Infinity beyond the limit. Changes since
   * the last query are computed now and not earlier: noisy columns change often and may never be queried.
   */
  clearanceAt(i: number, j: number): number {
    if (this.#isClearanceStale) this.#clearance.update();
    this.#isClearanceStale = false;
    return this.#clearance.at(i, j);
  }

  /** The smallest rectangle of columns that holds everything seen, or null; `col`, `row` lowest, sizes in columns. */
  bounds(): { col: number; row: number; columns: number; rows: number } | null {
    if (this.#maxCol < this.#minCol) return null;
    return {
      col: this.#minCol,
      row: this.#minRow,
      columns: this.#maxCol - this.#minCol + 1,
      rows: this.#maxRow - this.#minRow + 1,
    };
  }

  /** Kinds of everything seen. A copy. */
  kinds(): LayerRectangle<Uint8Array> | null {
    return this.#view(Uint8Array, (i, j) => this.kindAt(i, j));
  }

  /** Headroom of everything seen, metres. A copy. */
  headroom(): LayerRectangle<Float32Array> | null {
    return this.#view(
      Float32Array,
      (i, j) =>
        this.#tiles.get(tileKey(i >> 5, j >> 5))?.headroom[((j & 31) << 5) | (i & 31)] ??
        Number.POSITIVE_INFINITY,
    );
  }

  /** Floor heights of everything seen, metres, NaN where no floor was. A copy. */
  floorHeights(): LayerRectangle<Float32Array> | null {
    return this.#view(Float32Array, (i, j) => this.#floor.heightAt(i, j));
  }

  /** Distance to the nearest blocked column, metres. A copy. */
  clearances(): LayerRectangle<Float32Array> | null {
    return this.#view(Float32Array, (i, j) => this.clearanceAt(i, j));
  }

  #view<T extends Uint8Array | Float32Array>(
    make: new (size: number) => T,
    value: (i: number, j: number) => number,
  ): LayerRectangle<T> | null {
    const box = this.bounds();
    if (box === null) return null;
    const cells = new make(box.columns * box.rows);
    for (let row = 0, n = 0; row < box.rows; row++) {
      for (let col = 0; col < box.columns; col++, n++) cells[n] = value(box.col + col, box.row + row);
    }
    return { col: box.col, row: box.row, cells: ndarray(cells, [box.rows, box.columns]) };
  }
}

const columnKey = (bx: number, by: number): number => (bx + 2048) * 4096 + (by + 2048);
/** Of tiles with columns that the grid reaches, and of any others one that none of these has. */
const tileKey = (tx: number, ty: number): number =>
  tx >= -8192 && tx < 8192 && ty >= -8192 && ty < 8192 ? ((tx + 8192) << 14) | (ty + 8192) : -1;

/** Read-only view of the layers, for users of a head. */
export type LayersView = Readonly<
  Pick<BodyLayers, "kindAt" | "clearanceAt" | "bounds" | "kinds" | "headroom" | "floorHeights" | "clearances">
>;

/** The part of the layers from which blocked columns are read, tile by tile. */
export type ColumnSource = Readonly<Pick<BodyLayers, "tiles">>;
