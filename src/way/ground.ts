import { ClearanceField } from "../map/clearance.ts";
import { FOOTING } from "../terms/safety.ts";
import { LEAST_PRICE, MOST_PRICE } from "../terms/ways.ts";

const FIRM: number = FOOTING.firm;
const UNSEEN: number = FOOTING.unseen;
const DOUBTFUL: number = FOOTING.doubtful;

/** Squared clearance of cells with nothing in the way up to the limit. */
export const FAR = 65535;
/** Side of the clearance field's tiles, cells, and its bits. */
const TILE = 32;
const TILE_BITS = 5;
/** Cells by which the window grows beyond what was asked, so that it grows seldom. */
const SLACK = 32;

/** Changes of cells that are kept. Chosen by hand: a larger change is worth a new search. */
const MOST_LOGGED = 4096;

/** Price of a metre over floor that is not firm, in metres of firm floor; at least 1, Infinity where a way must not lead. */
export interface Prices {
  readonly unseen: number;
  readonly doubtful: number;
}

/** A way leads over firm floor alone. */
export const FIRM_ONLY: Prices = { unseen: Number.POSITIVE_INFINITY, doubtful: Number.POSITIVE_INFINITY };

/** Price of a metre over floor of a kind, in metres of firm floor. */
export function priceOf(footing: number, { prices }: WayGround): number {
  if (footing === UNSEEN) return prices.unseen;
  return footing === DOUBTFUL ? prices.doubtful : 1;
}

/** Cells of a rectangle: `right` and `high` lie beyond it. */
interface Box {
  readonly left: number;
  readonly low: number;
  readonly right: number;
  readonly high: number;
}

/**
 * The floor for ways: a dense window of cells in the world, each with its `FOOTING` and the distance to the nearest cell that ends the
 * ground. Everything outside the window ends the ground. Cells have the places of the map's columns.
 */
export class WayGround {
  readonly cellSize: number;
  readonly prices: Prices;
  /** Cells at the window's border that are never entered: wider than any body, so that lookups around a body stay inside. */
  readonly border: number;
  /** Whether floor that is not firm may be entered. */
  readonly isPriced: boolean;
  readonly #field: ClearanceField;
  /** World column and row of the window's first cell, and its size. */
  col = 0;
  row = 0;
  cols = 0;
  rows = 0;
  /** (cols * rows) row-major: `FOOTING` of each cell. */
  footing = new Uint8Array(0);
  /** (cols * rows) squared distance in cells to the nearest cell that ends the ground, 0 for such a cell, FAR beyond the limit. */
  squared = new Uint16Array(0);
  /** Count up when a cell becomes ground that is entered, when one ceases to be, and when the window moves. */
  opened = 0;
  closed = 0;
  moved = 0;
  /** (cols * rows) what was taken over, before holes are filled. */
  #incoming = new Uint8Array(0);
  /** The newest cells that became ground that is entered, and those that ceased to be: rings, by the counts above. */
  readonly #openedCells = new Int32Array(MOST_LOGGED);
  readonly #closedCells = new Int32Array(MOST_LOGGED);
  /** Whether unseen and doubtful ground of one cell between firm ones is firm. */
  readonly #fillsHoles: boolean;
  /** World cells around where the base stands, and whether its outline touches the cell around a place. */
  #stood: Box | null = null;
  #standsOn: (x: number, y: number) => boolean = () => false;
  /** Whether the distances of the whole window were copied since it moved. */
  #isCopied = false;
  readonly #tile = new Float32Array(TILE * TILE);

  /**
   * @param cellSize metres
   * @param body     metres from the base's floor point within which nothing may be looked up outside the window
   * @param limit    metres up to which distances are exact
   * @param gap      metres: the wheels cross unseen and doubtful ground so narrow between firm cells
   * @throws {RangeError} if a price is out of bounds
   */
  constructor(
    cellSize: number,
    {
      body,
      limit,
      prices = FIRM_ONLY,
      gap = 0,
    }: { body: number; limit: number; prices?: Prices; gap?: number },
  ) {
    this.cellSize = cellSize;
    this.#fillsHoles = cellSize <= gap;
    for (const price of [prices.unseen, prices.doubtful]) {
      if (!(price >= LEAST_PRICE && (price <= MOST_PRICE || price === Number.POSITIVE_INFINITY))) {
        throw new RangeError(`a price of ${price} must be ${LEAST_PRICE} to ${MOST_PRICE}, or Infinity`);
      }
    }
    this.prices = prices;
    this.isPriced = Math.min(prices.unseen, prices.doubtful) < Number.POSITIVE_INFINITY;
    this.border = Math.ceil(body / cellSize) + 4;
    this.#field = new ClearanceField(cellSize, limit);
  }

  /** Metres up to which distances are exact. */
  get limit(): number {
    return this.#field.limit;
  }

  /** Number of a world cell in the window; -1 outside it. */
  cellAt(x: number, y: number): number {
    const c = Math.floor(x / this.cellSize) - this.col;
    const r = Math.floor(y / this.cellSize) - this.row;
    return c < 0 || r < 0 || c >= this.cols || r >= this.rows ? -1 : r * this.cols + c;
  }

  /** Middle of a cell of the window, metres in the world. */
  xOf(cell: number): number {
    return (this.col + (cell % this.cols) + 0.5) * this.cellSize;
  }
  yOf(cell: number): number {
    return (this.row + Math.floor(cell / this.cols) + 0.5) * this.cellSize;
  }

  /** Enlarges the window so that it holds these world cells. */
  fit(col: number, row: number, cols: number, rows: number): void {
    const pad = this.border;
    const left = col - pad;
    const low = row - pad;
    const right = col + cols + pad;
    const high = row + rows + pad;
    const isInside =
      left >= this.col && low >= this.row && right <= this.col + this.cols && high <= this.row + this.rows;
    if (this.cols > 0 && isInside) return;
    const isFirst = this.cols === 0;
    const newCol = isFirst ? left : left < this.col ? left - SLACK : this.col;
    const newRow = isFirst ? low : low < this.row ? low - SLACK : this.row;
    const newRight = isFirst ? right : right > this.col + this.cols ? right + SLACK : this.col + this.cols;
    const newHigh = isFirst ? high : high > this.row + this.rows ? high + SLACK : this.row + this.rows;
    this.#move(newCol, newRow, newRight - newCol, newHigh - newRow);
  }

  #move(col: number, row: number, cols: number, rows: number): void {
    const before = { col: this.col, row: this.row, cols: this.cols, rows: this.rows };
    const { footing } = this;
    const incoming = this.#incoming;
    this.col = col;
    this.row = row;
    this.cols = cols;
    this.rows = rows;
    this.footing = new Uint8Array(cols * rows).fill(UNSEEN);
    this.squared = new Uint16Array(cols * rows);
    this.#incoming = new Uint8Array(cols * rows).fill(UNSEEN);
    for (let r = 0; r < before.rows; r++) {
      const from = r * before.cols;
      const to = (r + before.row - row) * cols + before.col - col;
      this.footing.set(footing.subarray(from, from + before.cols), to);
      this.#incoming.set(incoming.subarray(from, from + before.cols), to);
    }
    this.moved++;
    this.#isCopied = false;
    for (let r = 0; r < rows; r++) {
      for (let c = 0; c < cols; c++) {
        const oldC = c + col - before.col;
        const oldR = r + row - before.row;
        const wasIn = oldC >= 0 && oldR >= 0 && oldC < before.cols && oldR < before.rows;
        const isBorder = this.#isBorder(c, r);
        if (!wasIn) this.#field.set(col + c, row + r, isBorder || !this.#isEntered(UNSEEN));
        else if (!isBorder) {
          // The old border may be inside now.
          const ends = !this.#isEntered(this.footing[r * cols + c]!);
          this.#field.set(col + c, row + r, ends);
        }
      }
    }
  }

  #isBorder(c: number, r: number): boolean {
    const pad = this.border - 1;
    return c < pad || r < pad || c >= this.cols - pad || r >= this.rows - pad;
  }

  #isEntered(footing: number): boolean {
    if (footing === FIRM) return true;
    if (footing === UNSEEN) return this.prices.unseen < Number.POSITIVE_INFINITY;
    return footing === DOUBTFUL && this.prices.doubtful < Number.POSITIVE_INFINITY;
  }

  /** Sets the `FOOTING` of a world cell; distances change with the next `update`. The cell must lie in the window. */
  set(i: number, j: number, footing: number): void {
    const c = i - this.col;
    const r = j - this.row;
    const n = r * this.cols + c;
    const before = this.footing[n]!;
    if (before === footing) return;
    this.footing[n] = footing;
    if (this.#isBorder(c, r)) return;
    // A changed price counts as both.
    if (this.#isEntered(footing)) this.#openedCells[this.opened++ % MOST_LOGGED] = n;
    if (this.#isEntered(before)) this.#closedCells[this.closed++ % MOST_LOGGED] = n;
    this.#field.set(i, j, !this.#isEntered(footing));
  }

  /**
   * Takes over a square of the floor as it is now; distances change with the next `update`.
   * @param cells (side * side) `FOOTING` codes, x fastest, from world cell (i, j)
   */
  take(i: number, j: number, side: number, cells: Uint8Array): void {
    this.fit(i, j, side, side);
    const c = i - this.col;
    const r = j - this.row;
    for (let k = 0; k < side; k++) {
      this.#incoming.set(cells.subarray(k * side, (k + 1) * side), (r + k) * this.cols + c);
    }
    // A hole at the square's border depends on cells outside it, and a hole outside on its border.
    this.#settle({ left: c - 1, low: r - 1, right: c + side + 1, high: r + side + 1 });
  }

  /**
   * Sets where the base stands: unseen floor there is firm. Distances change with the next `update`.
   * @param reach    metres around (x, y) that its outline may touch
   * @param standsOn whether its outline touches the cell around a place of the world
   */
  stand(x: number, y: number, reach: number, standsOn: (x: number, y: number) => boolean): void {
    const { cellSize } = this;
    const before = this.#stood;
    const left = Math.floor((x - reach) / cellSize);
    const low = Math.floor((y - reach) / cellSize);
    const side = Math.ceil((2 * reach) / cellSize) + 1;
    this.fit(left, low, side, side);
    this.#stood = { left, low, right: left + side, high: low + side };
    this.#standsOn = standsOn;
    for (const box of before === null ? [this.#stood] : [before, this.#stood]) {
      this.#settle({
        left: box.left - this.col,
        low: box.low - this.row,
        right: box.right - this.col,
        high: box.high - this.row,
      });
    }
  }

  /** Sets the cells of a part of the window from what was taken over. */
  #settle({ left, low, right, high }: Box): void {
    const { cols } = this;
    const now = this.#incoming;
    for (let r = low; r < high; r++) {
      for (let c = left; c < right; c++) {
        const n = r * cols + c;
        let footing = now[n]!;
        if (footing === UNSEEN || footing === DOUBTFUL) {
          const isHole =
            (now[n - 1] === FIRM && now[n + 1] === FIRM) ||
            (now[n - cols] === FIRM && now[n + cols] === FIRM);
          if (isHole && this.#fillsHoles) footing = FIRM;
          else if (footing === UNSEEN && this.#isStoodOn(c + this.col, r + this.row)) footing = FIRM;
        }
        if (footing !== this.footing[n]) this.set(c + this.col, r + this.row, footing);
      }
    }
  }

  #isStoodOn(i: number, j: number): boolean {
    const box = this.#stood;
    if (box === null || i < box.left || j < box.low || i >= box.right || j >= box.high) return false;
    return this.#standsOn((i + 0.5) * this.cellSize, (j + 0.5) * this.cellSize);
  }

  /** Cells that have become ground that is entered since `opened` was this, and the window has not moved; null when there were too many. */
  openedSince(opened: number): Int32Array | null {
    return logged(this.#openedCells, opened, this.opened);
  }

  /** The same for cells that ceased to be ground that is entered. */
  closedSince(closed: number): Int32Array | null {
    return logged(this.#closedCells, closed, this.closed);
  }

  /** Updates the distances. */
  update(): void {
    this.#field.update();
    if (this.#isCopied) {
      this.#field.takeChanged((tileCol, tileRow) => this.#copy(tileCol, tileRow));
      return;
    }
    // The field reports only results that changed: in a new window, all are copied.
    this.#isCopied = true;
    this.#field.takeChanged(() => {});
    for (let row = this.row >> TILE_BITS; row <= (this.row + this.rows - 1) >> TILE_BITS; row++) {
      for (let col = this.col >> TILE_BITS; col <= (this.col + this.cols - 1) >> TILE_BITS; col++) {
        this.#copy(col, row);
      }
    }
  }

  /** Copies the distances of a tile of the field. */
  #copy(tileCol: number, tileRow: number): void {
    const tile = this.#tile;
    const per = 1 / (this.cellSize * this.cellSize);
    const col = tileCol << TILE_BITS;
    const row = tileRow << TILE_BITS;
    const left = Math.max(col, this.col);
    const right = Math.min(col + TILE, this.col + this.cols);
    const low = Math.max(row, this.row);
    const high = Math.min(row + TILE, this.row + this.rows);
    if (left >= right || low >= high) return;
    this.#field.rectangle(col, row, TILE, TILE, tile);
    for (let j = low; j < high; j++) {
      const from = (j - row) * TILE - col;
      const to = (j - this.row) * this.cols - this.col;
      for (let i = left; i < right; i++) {
        const d = tile[from + i]!;
        this.squared[to + i] = d === Number.POSITIVE_INFINITY ? FAR : Math.round(d * d * per);
      }
    }
  }
}

/** The entries of a ring from one count to another. */
function logged(ring: Int32Array, from: number, to: number): Int32Array | null {
  if (to - from > ring.length) return null;
  return Int32Array.from({ length: to - from }, (_, n) => ring[(from + n) % ring.length]!);
}
