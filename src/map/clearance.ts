import ndarray, { type NdArray } from "ndarray";
import { square } from "../geometry/elementary.ts";

/** Cells along one side of a tile; a row of a tile is one 32-bit word of blocked bits. */
export const TILE_SIDE = 32;
const TILE_CELLS = TILE_SIDE * TILE_SIDE;
/** Columns and rows must lie within this many cells of the origin on either side. */
const REACH = 1 << 19;
/** Range of tile keys to either side of the origin: tiles within reach, and the neighbours that their cells influence. */
const MOST_TILES = 1 << 15;
/** Bound such that a distance along a column fits a byte, and its square a 16-bit word. */
const MOST_CELLS = 254;
const NONE_IN_COLUMN = 255;
const FAR = 65535;
const ABSENT = -1;
/** Flags of a tile: cells were set since the last update; waits for new results; has new ones; columns out of date. */
const CHANGED_CELLS = 1;
const WAITING = 2;
const FRESH = 4;
const OLD_COLUMNS = 8;

/**
 * Distance from every cell of a plane to the nearest blocked cell, centre to centre: exact up to `limit`, Infinity
 * beyond it (so Infinity says "more than `limit`", be it 3 m or no blocked cell at all).
 *
 * The plane grows as cells are blocked, in tiles of 32 x 32. `set` only notes what changed; `update` recomputes the
 * tiles within `limit` of a change and gives what a computation from nothing would give. Cells that were never set are
 * not blocked.
 *
 * Each tile keeps, per cell, the distance to the nearest blocked cell of the same column; a row of its results is
 * the lower envelope of one parabola per column. Source: Felzenszwalb & Huttenlocher 2012, "Distance transforms of
 * sampled functions", Theory of Computing 8:415-428.
 */
export class ClearanceField {
  /** Metres. */
  readonly cellSize: number;
  readonly limit: number;
  /** `limit` in cells: whole ones, and squared. */
  readonly #margin: number;
  readonly #mostSquared: number;

  readonly #ids = new Map<number, number>();
  #count = 0;
  #capacity = 16;
  /** Per tile: its place. */
  #tileCol = new Int32Array(16);
  #tileRow = new Int32Array(16);
  /** Per tile: 32 rows of blocked bits, bit c for column c. */
  #blocked = new Int32Array(16 * TILE_SIDE);
  /** Per cell: rows to the nearest blocked cell of its column, NONE_IN_COLUMN beyond the margin. */
  #inColumn = new Uint8Array(16 * TILE_CELLS);
  /** Per cell: the result in cells, squared; FAR beyond the limit. */
  #squared = new Uint16Array(16 * TILE_CELLS);
  #flags = new Uint8Array(16);
  /** Per tile: first and last changed column and row, while CHANGED_CELLS is set. */
  #box = new Uint8Array(16 * 4);

  // Tiles with changed cells, tiles that wait for new results (a ring), tiles with new results.
  #touched = new Int32Array(16);
  #touchedCount = 0;
  #waiting = new Int32Array(16);
  #waitingFirst = 0;
  #waitingCount = 0;
  #fresh = new Int32Array(16);
  #freshCount = 0;

  // Scratch for one row and the margins on its two sides.
  readonly #heights: Int32Array;
  readonly #roots: Int32Array;
  readonly #starts: Float64Array;
  /** Per tile across a row with its margins: the tile's id. */
  readonly #across: Int32Array;
  /** While sweeping rows: per column, rows since the last blocked cell. */
  readonly #columnDistance = new Uint8Array(TILE_SIDE);

  /**
   * @param cellSize metres
   * @param limit    metres, up to 254 cells; larger distances are Infinity. The cost grows with it.
   * @throws {RangeError} if the cell size isn't positive or the limit is less than one cell or more than 254
   */
  constructor(cellSize: number, limit: number) {
    const cells = limit / cellSize;
    if (!(cellSize > 0 && cells >= 1 && cells < MOST_CELLS + 1)) {
      throw new RangeError(`clearance limit ${limit} m must be 1 to ${MOST_CELLS} cells of ${cellSize} m`);
    }
    this.cellSize = cellSize;
    this.limit = limit;
    // A limit of whole cells must not lose one by rounding: 2 / 0.05 is 40, but 0.3 / 0.1 is below 3.
    this.#margin = Math.floor(cells + 1e-9);
    this.#mostSquared = Math.floor(square(cells + 1e-9));
    const width = TILE_SIDE + 2 * this.#margin;
    this.#heights = new Int32Array(width);
    this.#roots = new Int32Array(width);
    this.#starts = new Float64Array(width + 1);
    this.#across = new Int32Array(2 * Math.ceil(this.#margin / TILE_SIDE) + 1);
  }

  /** Tiles in use. */
  get tiles(): number {
    return this.#count;
  }

  /** Bytes that the tiles take up now. */
  get byteSize(): number {
    const perTile = 4 * TILE_SIDE + 3 * TILE_CELLS + 4 + 1 + 5 * 4;
    return this.#capacity * perTile;
  }

  /**
   * Sets whether a cell is blocked; results change with the next `update`.
   * @throws {RangeError} if the cell is more than 2^19 cells from the origin
   */
  set(col: number, row: number, blocked: boolean): void {
    if (!(col >= -REACH && col < REACH && row >= -REACH && row < REACH)) {
      throw new RangeError(`cell (${col}, ${row}) is outside the clearance field: within ${REACH} of 0`);
    }
    let id = this.#find(col >> 5, row >> 5);
    if (id === ABSENT) {
      if (!blocked) return;
      id = this.#add(col >> 5, row >> 5);
    }
    const x = col & 31;
    const y = row & 31;
    const word = id * TILE_SIDE + y;
    const before = this.#blocked[word]!;
    const after = blocked ? before | (1 << x) : before & ~(1 << x);
    if (after === before) return;
    this.#blocked[word] = after;
    const box = this.#box;
    const b = 4 * id;
    if ((this.#flags[id]! & CHANGED_CELLS) === 0) {
      this.#flags[id] = this.#flags[id]! | CHANGED_CELLS;
      this.#touched[this.#touchedCount++] = id;
      box[b] = box[b + 1] = x;
      box[b + 2] = box[b + 3] = y;
      return;
    }
    if (x < box[b]!) box[b] = x;
    if (x > box[b + 1]!) box[b + 1] = x;
    if (y < box[b + 2]!) box[b + 2] = y;
    if (y > box[b + 3]!) box[b + 3] = y;
  }

  /**
   * Updates results for all `set` calls, oldest waiting tile first.
   * @param mostTiles tiles to recompute now; the rest wait for the next call and keep their old results
   * @returns tiles that still wait; 0 when all results are exact
   */
  update(mostTiles = Number.POSITIVE_INFINITY): number {
    for (let n = 0; n < this.#touchedCount; n++) this.#spread(this.#touched[n]!);
    this.#touchedCount = 0;
    for (let done = 0; done < mostTiles && this.#waitingCount > 0; done++) {
      const id = this.#waiting[this.#waitingFirst]!;
      this.#waitingFirst = (this.#waitingFirst + 1) % this.#capacity;
      this.#waitingCount--;
      this.#flags[id] = this.#flags[id]! & ~WAITING;
      this.#recompute(id);
    }
    return this.#waitingCount;
  }

  /** Metres to the nearest blocked cell as of the last update: 0 if blocked itself, Infinity beyond `limit`. */
  at(col: number, row: number): number {
    const id = this.#find(col >> 5, row >> 5);
    if (id === ABSENT) return Number.POSITIVE_INFINITY;
    const squared = this.#squared[id * TILE_CELLS + (row & 31) * TILE_SIDE + (col & 31)]!;
    return squared === FAR ? Number.POSITIVE_INFINITY : Math.sqrt(squared) * this.cellSize;
  }

  /**
   * A copy of the results over a rectangle, as `at` gives them: shape [rows, cols], so element (r, c) is the cell
   * (col + c, row + r).
   * @param out (>= rows * cols) is filled row-major and becomes the data; made when absent
   * @throws {RangeError} if `out` is too short
   */
  rectangle(
    col: number,
    row: number,
    cols: number,
    rows: number,
    out = new Float32Array(rows * cols),
  ): NdArray<Float32Array> {
    if (out.length < rows * cols) {
      throw new RangeError(`out has ${out.length} numbers, ${rows} rows of ${cols} need ${rows * cols}`);
    }
    const { cellSize } = this;
    for (let tileRow = row >> 5; tileRow <= (row + rows - 1) >> 5; tileRow++) {
      for (let tileCol = col >> 5; tileCol <= (col + cols - 1) >> 5; tileCol++) {
        const id = this.#find(tileCol, tileRow);
        const left = Math.max(col, tileCol << 5);
        const right = Math.min(col + cols, (tileCol + 1) << 5);
        const bottom = Math.min(row + rows, (tileRow + 1) << 5);
        for (let y = Math.max(row, tileRow << 5); y < bottom; y++) {
          const o = (y - row) * cols - col;
          if (id === ABSENT) {
            out.fill(Number.POSITIVE_INFINITY, o + left, o + right);
            continue;
          }
          const from = id * TILE_CELLS + (y & 31) * TILE_SIDE;
          for (let x = left; x < right; x++) {
            const squared = this.#squared[from + (x & 31)]!;
            out[o + x] = squared === FAR ? Number.POSITIVE_INFINITY : Math.sqrt(squared) * cellSize;
          }
        }
      }
    }
    return ndarray(out, [rows, cols]);
  }

  /** Calls `visit` with each tile in which a result has changed since the last call, then forgets them. */
  takeChanged(visit: (tileCol: number, tileRow: number) => void): void {
    for (let n = 0; n < this.#freshCount; n++) {
      const id = this.#fresh[n]!;
      this.#flags[id] = this.#flags[id]! & ~FRESH;
      visit(this.#tileCol[id]!, this.#tileRow[id]!);
    }
    this.#freshCount = 0;
  }

  #find(tileCol: number, tileRow: number): number {
    const inside =
      tileCol >= -MOST_TILES && tileCol < MOST_TILES && tileRow >= -MOST_TILES && tileRow < MOST_TILES;
    return inside ? (this.#ids.get(tileKey(tileCol, tileRow)) ?? ABSENT) : ABSENT;
  }

  #add(tileCol: number, tileRow: number): number {
    if (this.#count === this.#capacity) this.#grow();
    const id = this.#count++;
    this.#ids.set(tileKey(tileCol, tileRow), id);
    this.#tileCol[id] = tileCol;
    this.#tileRow[id] = tileRow;
    this.#inColumn.fill(NONE_IN_COLUMN, id * TILE_CELLS, (id + 1) * TILE_CELLS);
    this.#squared.fill(FAR, id * TILE_CELLS, (id + 1) * TILE_CELLS);
    return id;
  }

  #grow(): void {
    const before = this.#capacity;
    const size = 2 * before;
    const wider = <T extends Int32Array | Uint16Array | Uint8Array>(from: T, to: T): T => {
      to.set(from);
      return to;
    };
    this.#tileCol = wider(this.#tileCol, new Int32Array(size));
    this.#tileRow = wider(this.#tileRow, new Int32Array(size));
    this.#blocked = wider(this.#blocked, new Int32Array(size * TILE_SIDE));
    this.#inColumn = wider(this.#inColumn, new Uint8Array(size * TILE_CELLS));
    this.#squared = wider(this.#squared, new Uint16Array(size * TILE_CELLS));
    this.#flags = wider(this.#flags, new Uint8Array(size));
    this.#box = wider(this.#box, new Uint8Array(4 * size));
    this.#touched = wider(this.#touched, new Int32Array(size));
    this.#fresh = wider(this.#fresh, new Int32Array(size));
    const waiting = new Int32Array(size);
    for (let n = 0; n < this.#waitingCount; n++) {
      waiting[n] = this.#waiting[(this.#waitingFirst + n) % before]!;
    }
    this.#waiting = waiting;
    this.#waitingFirst = 0;
    this.#capacity = size;
  }

  /** Queues every tile that the changed cells of this one can influence. */
  #spread(id: number): void {
    this.#flags[id] = this.#flags[id]! & ~CHANGED_CELLS;
    const margin = this.#margin;
    const col = this.#tileCol[id]! << 5;
    const row = this.#tileRow[id]! << 5;
    const firstCol = col + this.#box[4 * id]!;
    const lastCol = col + this.#box[4 * id + 1]!;
    const firstRow = row + this.#box[4 * id + 2]!;
    const lastRow = row + this.#box[4 * id + 3]!;
    const own = this.#tileCol[id]!;
    for (let tileRow = (firstRow - margin) >> 5; tileRow <= (lastRow + margin) >> 5; tileRow++) {
      const inRow = this.#find(own, tileRow);
      const column = inRow === ABSENT ? this.#add(own, tileRow) : inRow;
      this.#flags[column] = this.#flags[column]! | OLD_COLUMNS;
      const down = gap(firstRow, lastRow, tileRow << 5);
      for (let tileCol = (firstCol - margin) >> 5; tileCol <= (lastCol + margin) >> 5; tileCol++) {
        const across = gap(firstCol, lastCol, tileCol << 5);
        if (across * across + down * down > this.#mostSquared) continue;
        const found = this.#find(tileCol, tileRow);
        const target = found === ABSENT ? this.#add(tileCol, tileRow) : found;
        if ((this.#flags[target]! & WAITING) !== 0) continue;
        this.#flags[target] = this.#flags[target]! | WAITING;
        this.#waiting[(this.#waitingFirst + this.#waitingCount++) % this.#capacity] = target;
      }
    }
  }

  #recompute(id: number): void {
    const margin = this.#margin;
    const tileCol = this.#tileCol[id]!;
    const tileRow = this.#tileRow[id]!;
    const across = this.#across;
    const sides = (across.length - 1) / 2;
    for (let n = 0; n < across.length; n++) {
      const tile = this.#find(tileCol + n - sides, tileRow);
      across[n] = tile;
      if (tile !== ABSENT && (this.#flags[tile]! & OLD_COLUMNS) !== 0) this.#measureColumns(tile);
    }
    const heights = this.#heights;
    const width = heights.length;
    const inColumn = this.#inColumn;
    const squared = this.#squared;
    const roots = this.#roots;
    const starts = this.#starts;
    const most = this.#mostSquared;
    let changed = false;
    for (let y = 0; y < TILE_SIDE; y++) {
      // Squared column distances of this row and its margins; the envelope uses the finite ones.
      let last = -1;
      for (let n = 0; n < across.length; n++) {
        const tile = across[n]!;
        if (tile === ABSENT) continue;
        // Where the tile's column 0 falls among this row's cells; its outer columns may lie beyond the margin.
        const left = (n - sides) * TILE_SIDE + margin;
        const row = tile * TILE_CELLS + y * TILE_SIDE - left;
        const end = Math.min(width, left + TILE_SIDE);
        for (let x = Math.max(0, left); x < end; x++) {
          const h = inColumn[row + x]!;
          if (h === NONE_IN_COLUMN) continue;
          const height = h * h;
          const lifted = height + x * x;
          heights[x] = height;
          let start = Number.NEGATIVE_INFINITY;
          while (last >= 0) {
            const root = roots[last]!;
            // Both sides are whole numbers, so the quotient is exact wherever it is whole: ties are ties.
            start = (lifted - heights[root]! - root * root) / (2 * (x - root));
            if (start > starts[last]!) break; // always so for the first, which starts at -Infinity
            last--;
          }
          last++;
          roots[last] = x;
          starts[last] = start;
        }
      }
      const o = id * TILE_CELLS + y * TILE_SIDE;
      if (last < 0) {
        for (let x = 0; x < TILE_SIDE; x++) {
          if (squared[o + x] !== FAR) {
            squared[o + x] = FAR;
            changed = true;
          }
        }
        continue;
      }
      starts[last + 1] = Number.POSITIVE_INFINITY;
      for (let x = 0, piece = 0; x < TILE_SIDE; x++) {
        const at = x + margin;
        while (starts[piece + 1]! < at) piece++;
        const root = roots[piece]!;
        const d = (at - root) * (at - root) + heights[root]!;
        const value = d > most ? FAR : d;
        if (squared[o + x] !== value) {
          squared[o + x] = value;
          changed = true;
        }
      }
    }
    if (changed && (this.#flags[id]! & FRESH) === 0) {
      this.#flags[id] = this.#flags[id]! | FRESH;
      this.#fresh[this.#freshCount++] = id;
    }
  }

  /** For each cell of the tile, rows to the nearest blocked cell of its column, up to the margin. */
  #measureColumns(id: number): void {
    this.#flags[id] = this.#flags[id]! & ~OLD_COLUMNS;
    const inColumn = this.#inColumn;
    const o = id * TILE_CELLS;
    inColumn.fill(NONE_IN_COLUMN, o, o + TILE_CELLS);
    this.#sweep(id, -1);
    this.#sweep(id, 1);
  }

  /** Finds blocked cells beyond the tile's first (`step` -1) or last row, then propagates distances through it. */
  #sweep(id: number, step: -1 | 1): void {
    const margin = this.#margin;
    const inColumn = this.#inColumn;
    const blocked = this.#blocked;
    const distance = this.#columnDistance;
    distance.fill(NONE_IN_COLUMN);
    const tileCol = this.#tileCol[id]!;
    const edge = (this.#tileRow[id]! << 5) + (step < 0 ? 0 : TILE_SIDE - 1);
    let open = -1; // columns with no blocked cell yet
    let tile = ABSENT;
    for (let k = 1; k <= margin && open !== 0; k++) {
      const row = edge + step * k;
      const y = row & 31;
      if (k === 1 || y === (step < 0 ? 31 : 0)) tile = this.#find(tileCol, row >> 5);
      if (tile === ABSENT) continue;
      let found = blocked[tile * TILE_SIDE + y]! & open;
      open &= ~found;
      while (found !== 0) {
        const x = 31 - Math.clz32(found & -found);
        // At the tile's edge row; one less a row farther out, where the sweep below starts.
        distance[x] = k - 1;
        found &= found - 1;
      }
    }
    const o = id * TILE_CELLS;
    for (let n = 0; n < TILE_SIDE; n++) {
      const y = step < 0 ? n : TILE_SIDE - 1 - n;
      const word = blocked[id * TILE_SIDE + y]!;
      const row = o + y * TILE_SIDE;
      for (let x = 0; x < TILE_SIDE; x++) {
        const next = (word >>> x) & 1 ? 0 : distance[x]! >= margin ? NONE_IN_COLUMN : distance[x]! + 1;
        distance[x] = next;
        if (next < inColumn[row + x]!) inColumn[row + x] = next;
      }
    }
  }
}

const tileKey = (tileCol: number, tileRow: number): number =>
  (tileCol + MOST_TILES) | ((tileRow + MOST_TILES) << 16);

/** Cells from the span first..last to the 32 that start at `tile`; 0 where they overlap. */
function gap(first: number, last: number, tile: number): number {
  return Math.max(0, tile - last, first - (tile + TILE_SIDE - 1));
}
