import { hypot2 } from "../../geometry/elementary.ts";
import type { Scene } from "../scene.ts";

/** Metres above a wheel from which floor below it is sought. */
const LOOK_FROM = 0.06;
/** Side of a cell. */
export const CELL = 0.05;
/** A step of more than this ends the ground, down or up: more than any threshold (ADA 303.3: 13 mm). */
const MOST_STEP = 0.0145;
/** Objects between such steps and this height are in the way. */
const BODY_HEIGHT = 0.7;

const UNKNOWN = 0;
const FREE = 1;
const BLOCKED = 2;
const GONE = 3;

/** Distances of a cell of the ground from what ends it, metres; `Infinity` without an end. */
export interface GroundCell {
  readonly x: number;
  readonly y: number;
  /** Of the floor. */
  readonly z: number;
  readonly toBlocked: number;
  readonly toGone: number;
}

/**
 * The floor that can be reached on wheels from one place, by the scene itself: cells of `CELL` metres, each with its height,
 * ending at drops and at obstacles. Movers are ignored.
 */
export class ReachableGround {
  readonly width: number;
  readonly height: number;
  readonly #x0: number;
  readonly #y0: number;
  readonly #kind: Uint8Array;
  readonly #z: Float64Array;
  readonly #toBlocked: Float64Array;
  readonly #toGone: Float64Array;

  /** @param scene without movers, or at a time at which none is there */
  constructor(scene: Scene, from: readonly [number, number]) {
    const [x0 = 0, y0 = 0, , x1 = 0, y1 = 0] = scene.extent;
    this.#x0 = x0;
    this.#y0 = y0;
    this.width = Math.ceil((x1 - x0) / CELL);
    this.height = Math.ceil((y1 - y0) / CELL);
    const count = this.width * this.height;
    this.#kind = new Uint8Array(count);
    this.#z = new Float64Array(count);
    this.#spread(scene, from);
    this.#toBlocked = this.#distanceTo(BLOCKED);
    this.#toGone = this.#distanceTo(GONE);
  }

  #cellOf(x: number, y: number): number {
    const i = Math.floor((x - this.#x0) / CELL);
    const k = Math.floor((y - this.#y0) / CELL);
    return i < 0 || k < 0 || i >= this.width || k >= this.height ? -1 : k * this.width + i;
  }

  #spread(scene: Scene, [fromX, fromY]: readonly [number, number]): void {
    const start = this.#cellOf(fromX, fromY);
    if (start < 0) return;
    const { width, height } = this;
    const queue = [start];
    const kind = this.#kind;
    const look = (cell: number, near: number): void => {
      if (kind[cell] !== UNKNOWN) return;
      const x = this.#x0 + ((cell % width) + 0.5) * CELL;
      const y = this.#y0 + (Math.floor(cell / width) + 0.5) * CELL;
      const z = near + LOOK_FROM - scene.cast(x, y, near + LOOK_FROM, 0, 0, -1, 0);
      const half = CELL / 2;
      if (z < near - MOST_STEP) kind[cell] = GONE;
      else if (
        z > near + MOST_STEP ||
        scene.overlapsBox([x - half, y - half, z + MOST_STEP], [x + half, y + half, z + BODY_HEIGHT], 0) > 0
      ) {
        kind[cell] = BLOCKED;
      } else {
        kind[cell] = FREE;
        this.#z[cell] = z;
        queue.push(cell);
      }
    };
    kind[start] = FREE;
    for (let n = 0; n < queue.length; n++) {
      const cell = queue[n]!;
      const col = cell % width;
      const z = this.#z[cell]!;
      if (col > 0) look(cell - 1, z);
      if (col < width - 1) look(cell + 1, z);
      if (cell >= width) look(cell - width, z);
      if (cell < width * (height - 1)) look(cell + width, z);
    }
  }

  /** Metres from each cell to the nearest of a kind, over cells' middles; too long by at most 8 %. Two passes over the grid. */
  #distanceTo(kind: number): Float64Array {
    const { width, height } = this;
    const out = new Float64Array(width * height).fill(Number.POSITIVE_INFINITY);
    this.#kind.forEach((one, cell) => {
      if (one === kind) out[cell] = 0;
    });
    const steps = [
      [-1, 0, 1],
      [0, -1, 1],
      [-1, -1, Math.SQRT2],
      [1, -1, Math.SQRT2],
    ] as const;
    for (const sign of [1, -1] as const) {
      for (let n = 0; n < out.length; n++) {
        const cell = sign > 0 ? n : out.length - 1 - n;
        const col = cell % width;
        const row = Math.floor(cell / width);
        for (const [di, dk, far] of steps) {
          const i = col + sign * di;
          const k = row + sign * dk;
          if (i < 0 || k < 0 || i >= width || k >= height) continue;
          out[cell] = Math.min(out[cell]!, out[k * width + i]! + far * CELL);
        }
      }
    }
    return out;
  }

  /** The cell around a place, or null if wheels cannot reach it. */
  at(x: number, y: number): GroundCell | null {
    const cell = this.#cellOf(x, y);
    return cell < 0 || this.#kind[cell] !== FREE ? null : this.#cell(cell);
  }

  #cell(cell: number): GroundCell {
    return {
      x: this.#x0 + ((cell % this.width) + 0.5) * CELL,
      y: this.#y0 + (Math.floor(cell / this.width) + 0.5) * CELL,
      z: this.#z[cell]!,
      toBlocked: this.#toBlocked[cell]!,
      toGone: this.#toGone[cell]!,
    };
  }

  /** All reachable cells. */
  *cells(): Generator<GroundCell> {
    for (let cell = 0; cell < this.#kind.length; cell++)
      if (this.#kind[cell] === FREE) yield this.#cell(cell);
  }

  /** Reachable square metres. */
  get area(): number {
    let count = 0;
    for (const kind of this.#kind) if (kind === FREE) count++;
    return count * CELL * CELL;
  }

  /** Whether a straight path keeps the distances from obstacles and edges. */
  isClear(
    from: readonly [number, number],
    to: readonly [number, number],
    toBlocked: number,
    toGone: number,
  ): boolean {
    const length = hypot2(to[0] - from[0], to[1] - from[1]);
    const steps = Math.max(1, Math.ceil((2 * length) / CELL));
    for (let s = 0; s <= steps; s++) {
      const cell = this.at(
        from[0] + ((to[0] - from[0]) * s) / steps,
        from[1] + ((to[1] - from[1]) * s) / steps,
      );
      if (cell === null || cell.toBlocked < toBlocked || cell.toGone < toGone) return false;
    }
    return true;
  }
}
