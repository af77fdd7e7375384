import type { WayGround } from "./ground.ts";

/** Which cells have room for a circle around their middle, with cells that end the ground as whole squares. */
export class CircleCells {
  /** Squared distance in cells to the middle of the nearest cell that ends the ground: with less no room is left, from `sure` on there surely is. */
  readonly need: number;
  readonly #sure: number;
  /** Between the two: cells, as columns and rows in turn, whose middles are far enough and whose squares are not. */
  readonly #near: Int16Array;
  #offsets = new Int32Array(0);
  #cols = 0;

  /** @param radius in cells */
  constructor(radius: number) {
    // The nearest point of a square lies half a cell from its middle, or half a diagonal.
    const least = (radius + 0.5) * (radius + 0.5);
    const most = (radius + Math.SQRT1_2) * (radius + Math.SQRT1_2);
    this.need = Math.ceil(least - 1e-9);
    this.#sure = Math.ceil(most);
    const near: number[] = [];
    const reach = Math.ceil(radius + 1);
    for (let r = -reach; r <= reach; r++) {
      for (let c = -reach; c <= reach; c++) {
        const dx = Math.max(0, Math.abs(c) - 0.5);
        const dy = Math.max(0, Math.abs(r) - 0.5);
        if (c * c + r * r >= this.need && dx * dx + dy * dy < radius * radius - 1e-9) near.push(c, r);
      }
    }
    this.#near = Int16Array.from(near);
  }

  /** Prepares for a ground. Call it before `isFree` when the ground or its window may have changed. */
  use({ cols }: WayGround): void {
    if (cols === this.#cols) return;
    this.#cols = cols;
    this.#offsets = new Int32Array(this.#near.length / 2);
    for (let n = 0; n < this.#offsets.length; n++) {
      this.#offsets[n] = this.#near[2 * n + 1]! * cols + this.#near[2 * n]!;
    }
  }

  /** @param squared of the ground that was prepared for */
  isFree(squared: Uint16Array, cell: number): boolean {
    const apart = squared[cell]!;
    if (apart < this.need) return false;
    if (apart >= this.#sure) return true;
    const offsets = this.#offsets;
    for (let n = 0; n < offsets.length; n++) if (squared[cell + offsets[n]!] === 0) return false;
    return true;
  }
}
