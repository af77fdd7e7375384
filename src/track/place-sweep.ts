import type { SurfelMap } from "./surfels.ts";
import { CELL, type UprightPoints, UprightRaster } from "./upright-raster.ts";

/** Headings that are tried, and cells between the positions. Chosen by hand, like all numbers below. */
const HEADINGS = 72;
const STRIDE = 2;
/** Points compared in one step: some milliseconds. */
const WORK = 2e6;
/** The best positions are kept apart by headings in this many groups, so that a room that looks the same when it is turned is its own rival. */
const GROUPS = 8;
/** Metres between two of the best positions. */
const APART = 0.5;
/** A position with a smaller share of the best one's score is none of the best. */
const LEAST_SHARE = 0.5;

/** A position and heading at which points from above lie on a map. */
export interface SweptPlace {
  /** Metres: where the origin of the points is. Radians: by how much they are turned. */
  readonly x: number;
  readonly y: number;
  readonly yaw: number;
  /** Points on surfaces, less those on free floor. */
  readonly score: number;
}

/** Lays points over a whole map from above, at every position with free floor and every heading, in steps of bounded work. */
export class PlaceSweep {
  readonly #raster: UprightRaster;
  readonly #columns: number;
  readonly #rows: number;
  /** (GROUPS * rows * columns) best score with a heading of the group at a position, and that heading. */
  readonly #scores: Float32Array;
  readonly #headings: Uint8Array;
  #heading = HEADINGS;
  /** Row of cells from which the next step continues with the present heading. */
  #row = 0;
  #best = 0;

  /** @param most largest number of points */
  constructor(map: SurfelMap, most: number) {
    this.#raster = new UprightRaster(map, most);
    this.#columns = Math.ceil(this.#raster.width / STRIDE);
    this.#rows = Math.ceil(this.#raster.height / STRIDE);
    this.#scores = new Float32Array(GROUPS * this.#rows * this.#columns);
    this.#headings = new Uint8Array(this.#scores.length);
  }

  /** Begins anew. */
  begin(): void {
    this.#heading = this.#row = this.#best = 0;
    this.#scores.fill(0);
  }

  /** Does one step; true when all positions have a score. @param points the same in each step */
  step(points: UprightPoints): boolean {
    const raster = this.#raster;
    const { width, height } = raster;
    const columns = this.#columns;
    for (let left = WORK; this.#heading < HEADINGS; ) {
      if (left <= 0) return false;
      raster.turn(points, (2 * Math.PI * this.#heading) / HEADINGS);
      const group = Math.floor((this.#heading * GROUPS) / HEADINGS) * this.#rows * columns;
      for (; this.#row < height && left > 0; this.#row += STRIDE) {
        for (let i = 0; i < width; i += STRIDE) {
          if (!raster.isFree(this.#row * width + i)) continue;
          const score = raster.scoreAt(i, this.#row);
          left -= points.count;
          const at = group + (this.#row / STRIDE) * columns + i / STRIDE;
          if (score <= this.#scores[at]!) continue;
          this.#scores[at] = score;
          this.#headings[at] = this.#heading;
        }
      }
      if (this.#row < height) return false;
      this.#row = 0;
      this.#heading++;
    }
    return true;
  }

  /** Takes the best position that is left, and drops those around it; null when none is left that comes near the first. */
  takeBest(): SweptPlace | null {
    const scores = this.#scores;
    const [columns, rows] = [this.#columns, this.#rows];
    let at = 0;
    for (let n = 1; n < scores.length; n++) if (scores[n]! > scores[at]!) at = n;
    const score = scores[at]!;
    this.#best = Math.max(this.#best, score);
    if (score === 0 || score < LEAST_SHARE * this.#best) return null;
    const group = Math.floor(at / (columns * rows));
    const [i, j] = [at % columns, Math.floor(at / columns) % rows];
    const reach = Math.ceil(APART / (STRIDE * CELL));
    for (const near of [group, (group + 1) % GROUPS, (group + GROUPS - 1) % GROUPS]) {
      for (let v = Math.max(0, j - reach); v <= Math.min(rows - 1, j + reach); v++) {
        const row = (near * rows + v) * columns;
        scores.fill(0, row + Math.max(0, i - reach), row + Math.min(columns, i + reach + 1));
      }
    }
    const { x0, y0 } = this.#raster;
    const yaw = (2 * Math.PI * this.#headings[at]!) / HEADINGS;
    return { x: x0 + (i * STRIDE + 0.5) * CELL, y: y0 + (j * STRIDE + 0.5) * CELL, yaw, score };
  }
}
