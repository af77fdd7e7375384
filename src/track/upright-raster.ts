import { atan2Of, cosOf, sinOf } from "../geometry/elementary.ts";
import type { SurfelMap } from "./surfels.ts";

/** Metres: side of a cell. Chosen by hand: with one neighbour on each side a wall is found from 18 cm away. */
export const CELL = 0.12;
/** Directions of a normal about the vertical are cut into this many sectors. */
const SECTORS = 8;
/** Bit of a cell that shows floor and nothing upright. The lower bits are sectors of normals. */
const FREE = 1 << SECTORS;
/** A surface is upright when the vertical part of its unit normal is smaller than this: 60 degrees. */
export const UPRIGHT = 0.5;
/** And floor when it is larger than this: 26 degrees. */
const LEVEL = 0.9;
/** Fewest samples of a surfel that is believed. */
const FEWEST = 2;
/** What a point on free floor costs, in points that lie on a surface. Chosen by hand: furniture moves. */
const CLASH = 0.5;
/** Points after which a position with too few hits is given up, and that share of hits. */
const TRIAL = 32;
const TRIAL_SHARE = 0.25;
/** Most cells of a raster: 240 m on a side. */
const MOST_CELLS = 4e6;

/** Upright surfaces as points from above, each with the direction of its normal. */
export interface UprightPoints {
  count: number;
  /** (2 * count) metres. */
  readonly xy: Float32Array;
  /** (count) radians: direction of the normal about the vertical. */
  readonly facing: Float32Array;
}

/**
 * A known map from above, for comparing where a base could stand: which cells have upright surfaces, by the direction that these face, and
 * which show floor and nothing upright.
 */
export class UprightRaster {
  readonly width: number;
  readonly height: number;
  /** Metres: the corner of cell 0. */
  readonly x0: number;
  readonly y0: number;
  /** (height * width) bits of the sectors that surfaces here or in a neighbouring cell face, and FREE. */
  readonly #cells: Uint16Array;
  readonly #dx: Int32Array;
  readonly #dy: Int32Array;
  readonly #mask: Uint16Array;
  #count = 0;

  /** @param most largest number of points of a query */
  constructor(map: SurfelMap, most: number) {
    let [left, low, right, high] = [Infinity, Infinity, -Infinity, -Infinity];
    map.forEach((surfel) => {
      left = Math.min(left, surfel[0]!);
      right = Math.max(right, surfel[0]!);
      low = Math.min(low, surfel[1]!);
      high = Math.max(high, surfel[1]!);
    });
    const isEmpty = !(right >= left);
    this.x0 = isEmpty ? 0 : left - CELL;
    this.y0 = isEmpty ? 0 : low - CELL;
    this.width = isEmpty ? 1 : Math.ceil((right - this.x0) / CELL) + 2;
    this.height = isEmpty ? 1 : Math.ceil((high - this.y0) / CELL) + 2;
    if (this.width * this.height > MOST_CELLS) this.width = this.height = 1;
    this.#cells = new Uint16Array(this.width * this.height);
    this.#dx = new Int32Array(most);
    this.#dy = new Int32Array(most);
    this.#mask = new Uint16Array(most);
    if (this.#cells.length > 1) this.#draw(map);
  }

  #draw(map: SurfelMap): void {
    const { width, height } = this;
    const floor = new Uint8Array(width * height);
    const cells = this.#cells;
    map.forEach((surfel) => {
      if (surfel[7]! < FEWEST) return;
      const i = Math.floor((surfel[0]! - this.x0) / CELL);
      const j = Math.floor((surfel[1]! - this.y0) / CELL);
      if (surfel[5]! > LEVEL) floor[j * width + i] = 1;
      if (Math.abs(surfel[5]!) > UPRIGHT) return;
      const sector = sectorOf(atan2Of(surfel[4]!, surfel[3]!));
      const bits =
        (1 << sector) | (1 << ((sector + 1) % SECTORS)) | (1 << ((sector + SECTORS - 1) % SECTORS));
      for (let v = Math.max(0, j - 1); v <= Math.min(height - 1, j + 1); v++) {
        for (let u = Math.max(0, i - 1); u <= Math.min(width - 1, i + 1); u++) cells[v * width + u]! |= bits;
      }
    });
    for (let n = 0; n < cells.length; n++) if (floor[n] === 1 && cells[n] === 0) cells[n] = FREE;
  }

  /** Whether a base can stand in a cell: it shows floor. */
  isFree(cell: number): boolean {
    return this.#cells[cell] === FREE;
  }

  /** Turns the points of a query by an angle about its origin, for `scoreAt`. */
  turn({ count, xy, facing }: UprightPoints, yaw: number): void {
    const [cos, sin] = [cosOf(yaw), sinOf(yaw)];
    this.#count = count;
    for (let n = 0; n < count; n++) {
      const [x, y] = [xy[2 * n]!, xy[2 * n + 1]!];
      this.#dx[n] = Math.round((cos * x - sin * y) / CELL);
      this.#dy[n] = Math.round((sin * x + cos * y) / CELL);
      this.#mask[n] = 1 << sectorOf(facing[n]! + yaw);
    }
  }

  /** Points of the turned query that lie on surfaces when its origin is in a cell, less CLASH for each on free floor. */
  scoreAt(i: number, j: number): number {
    const { width, height } = this;
    const [cells, dx, dy, mask, count] = [this.#cells, this.#dx, this.#dy, this.#mask, this.#count];
    let hits = 0;
    let clashes = 0;
    for (let n = 0; n < count; n++) {
      if (n === TRIAL && hits < TRIAL_SHARE * TRIAL) return 0;
      const u = i + dx[n]!;
      const v = j + dy[n]!;
      if (u < 0 || v < 0 || u >= width || v >= height) continue;
      const cell = cells[v * width + u]!;
      if ((cell & mask[n]!) !== 0) hits++;
      else if (cell === FREE) clashes++;
    }
    return hits - CLASH * clashes;
  }
}

function sectorOf(angle: number): number {
  const turn = angle / (2 * Math.PI);
  return Math.floor((turn - Math.floor(turn)) * SECTORS) % SECTORS;
}
