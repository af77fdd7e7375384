/** Metres: side of a cell. Found on simulated mirror floors. */
const CELL = 0.3;
/** Cells along a side of the square around the base that is kept: 19 m. A power of two. */
const SIDE = 64;
/** A cell's votes are halved at this sum, so that newer ones count more. */
const MOST_VOTES = 60;
/** A frame votes on a cell with at least this many returns from below. */
const FEWEST_RETURNS = 4;

/** Counts of returns from below the floor, and of floor returns between them. */
export interface BelowCounts {
  /** Images of objects in view. */
  images: number;
  /** Returns at the place of an object that is out of view now: images, or surfaces below a drop. */
  hidden: number;
  /** Other returns from below. */
  below: number;
  /** Floor returns between them. */
  floor: number;
}

/**
 * Votes of many frames on places with returns from below the floor: the share of mirror images among them, and of floor between them. One strip of
 * one frame cannot distinguish a mirror from a drop; all strips that saw a place can. Places are in the odometry frame, which never jumps.
 */
export class MirrorVotes {
  /** (SIDE * SIDE) key of the ground cell in each slot; below, its votes, and the counts of the newest frame. */
  readonly #key = new Float64Array(SIDE * SIDE).fill(Number.NaN);
  readonly #images = new Float32Array(SIDE * SIDE);
  readonly #hidden = new Float32Array(SIDE * SIDE);
  readonly #below = new Float32Array(SIDE * SIDE);
  readonly #floor = new Float32Array(SIDE * SIDE);
  readonly #newImages = new Uint16Array(SIDE * SIDE);
  readonly #newHidden = new Uint16Array(SIDE * SIDE);
  readonly #newBelow = new Uint16Array(SIDE * SIDE);
  readonly #newFloor = new Uint16Array(SIDE * SIDE);
  /** Whether an object was seen there. */
  readonly #stood = new Uint8Array(SIDE * SIDE);
  readonly #touched: number[] = [];

  /** Slot of the cell at a place. A slot that held another cell is reset. */
  cellAt(x: number, y: number): number {
    const i = Math.floor(x / CELL);
    const j = Math.floor(y / CELL);
    const at = (j & (SIDE - 1)) * SIDE + (i & (SIDE - 1));
    const key = i * 1048576 + j;
    if (this.#key[at] !== key) {
      this.#key[at] = key;
      this.#images[at] = this.#hidden[at] = this.#below[at] = this.#floor[at] = this.#stood[at] = 0;
      this.#newImages[at] = this.#newHidden[at] = this.#newBelow[at] = this.#newFloor[at] = 0;
    }
    return at;
  }

  /** Adds the counts of one row of a strip. */
  count(cell: number, { images, hidden, below, floor }: BelowCounts): void {
    const before =
      this.#newImages[cell]! + this.#newHidden[cell]! + this.#newBelow[cell]! + this.#newFloor[cell]!;
    if (before === 0) this.#touched.push(cell);
    this.#newImages[cell]! += images;
    this.#newHidden[cell]! += hidden;
    this.#newBelow[cell]! += below;
    this.#newFloor[cell]! += floor;
  }

  /** Ends the frame: its counts become votes. */
  vote(): void {
    for (const cell of this.#touched) {
      const images = this.#newImages[cell]!;
      const hidden = this.#newHidden[cell]!;
      const below = this.#newBelow[cell]!;
      const floor = this.#newFloor[cell]!;
      this.#newImages[cell] = this.#newHidden[cell] = this.#newBelow[cell] = this.#newFloor[cell] = 0;
      const all = images + hidden + below;
      if (all < FEWEST_RETURNS) continue;
      this.#images[cell]! += images / all;
      this.#hidden[cell]! += hidden / all;
      this.#below[cell]! += below / all;
      if (hidden + below + floor > 0) this.#floor[cell]! += floor / (hidden + below + floor);
      if (this.#images[cell]! + this.#hidden[cell]! + this.#below[cell]! < MOST_VOTES) continue;
      this.#images[cell]! /= 2;
      this.#hidden[cell]! /= 2;
      this.#below[cell]! /= 2;
      this.#floor[cell]! /= 2;
    }
    this.#touched.length = 0;
  }

  /** Adds a cell's votes to `sums`. */
  addTo(sums: BelowCounts, cell: number): void {
    sums.images += this.#images[cell]!;
    sums.hidden += this.#hidden[cell]!;
    sums.below += this.#below[cell]!;
    sums.floor += this.#floor[cell]!;
  }

  /** Notes that an object stands at a place. */
  stand(x: number, y: number): void {
    this.#stood[this.cellAt(x, y)] = 1;
  }

  /** Whether an object was seen within half a cell of a place. */
  hasStood(x: number, y: number): boolean {
    for (let n = 0; n < 4; n++) {
      const at = this.cellAt(x + (n & 1 ? CELL / 2 : -CELL / 2), y + (n & 2 ? CELL / 2 : -CELL / 2));
      if (this.#stood[at] === 1) return true;
    }
    return false;
  }
}
