import type { FromServer } from "../wire/messages.ts";

type Brink = FromServer<"brinks">["brinks"][number];
type Point = Brink["points"][number];

/** A rectangle of cells of the floor: FOOTING codes, x fastest. */
export interface FloorCells {
  readonly col: number;
  readonly row: number;
  readonly width: number;
  readonly height: number;
  /** Metres. */
  readonly cell: number;
  readonly cells: Uint8Array;
}

/** Cells by which the memory grows at a time. */
const SPARE = 128;
/** Most cells along a side. Farther cells are not remembered. */
const MOST = 8192;
/** Metres: edges are cut at the border of the area of a message, and complete this far inside it. */
const RIM = 0.15;

/**
 * The floor of earlier messages. The head sends the floor around the base only. This memory keeps other places, so that drops stay on the
 * map when the robot leaves them.
 */
export class FloorMemory {
  #col = 0;
  #row = 0;
  #width = 0;
  #height = 0;
  #cell = 0;
  #cells = new Uint8Array(0);
  #brinks: readonly Brink[] = [];

  /** Clears the memory for another map. */
  forget(): void {
    this.#width = this.#height = 0;
    this.#brinks = [];
  }

  /** Adds a message. @returns all cells: each from the newest message that covers it */
  addCells(newest: FloorCells): FloorCells {
    if (newest.cell !== this.#cell) this.#width = this.#height = 0;
    this.#cell = newest.cell;
    this.#makeRoom(newest);
    for (let j = 0; j < newest.height; j++) {
      const to = (newest.row - this.#row + j) * this.#width + newest.col - this.#col;
      if (to < 0 || to + newest.width > this.#cells.length) continue;
      this.#cells.set(newest.cells.subarray(j * newest.width, (j + 1) * newest.width), to);
    }
    return {
      col: this.#col,
      row: this.#row,
      width: this.#width,
      height: this.#height,
      cell: this.#cell,
      cells: this.#cells.slice(),
    };
  }

  #makeRoom({ col, row, width, height }: FloorCells): void {
    const isEmpty = this.#width === 0;
    const own = {
      west: this.#col,
      south: this.#row,
      east: this.#col + this.#width,
      north: this.#row + this.#height,
    };
    const west = isEmpty ? col : col < own.west ? col - SPARE : own.west;
    const south = isEmpty ? row : row < own.south ? row - SPARE : own.south;
    const east = isEmpty ? col + width : col + width > own.east ? col + width + SPARE : own.east;
    const north = isEmpty ? row + height : row + height > own.north ? row + height + SPARE : own.north;
    if (!isEmpty && west === own.west && south === own.south && east === own.east && north === own.north)
      return;
    if (east - west > MOST || north - south > MOST) {
      // The area became too large: the memory restarts around the robot.
      this.#width = this.#height = 0;
      this.#makeRoom({ col, row, width, height, cell: this.#cell, cells: this.#cells });
      return;
    }
    const cells = new Uint8Array((east - west) * (north - south));
    for (let j = 0; j < this.#height; j++) {
      const from = j * this.#width;
      const to = (j + own.south - south) * (east - west) + own.west - west;
      cells.set(this.#cells.subarray(from, from + this.#width), to);
    }
    [this.#col, this.#row, this.#width, this.#height, this.#cells] = [
      west,
      south,
      east - west,
      north - south,
      cells,
    ];
  }

  /**
   * @param radius metres: radius of the area of a message
   * @returns the newest edges, and earlier ones outside that area
   */
  addBrinks(newest: readonly Brink[], base: Point, radius: number): readonly Brink[] {
    const kept = this.#brinks.flatMap((brink) => outside(brink, base, radius - RIM));
    this.#brinks = [...newest, ...kept];
    return this.#brinks;
  }
}

/** The parts of an edge that are farther from a position than `radius`. */
function outside(brink: Brink, [x, y]: Point, radius: number): Brink[] {
  const parts: Point[][] = [];
  let isOutside = false;
  for (const point of brink.points) {
    const wasOutside = isOutside;
    isOutside = Math.hypot(point[0] - x, point[1] - y) > radius;
    if (!isOutside) continue;
    if (wasOutside) parts.at(-1)!.push(point);
    else parts.push([point]);
  }
  return parts.filter((points) => points.length > 1).map((points) => ({ ...brink, points }));
}
