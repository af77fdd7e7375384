import { Random } from "../random.ts";

/** Seeded choices for what is laid out at random. */
export class Dice {
  readonly #random: Random;

  constructor(seed: number, stream: number) {
    this.#random = new Random(seed, stream);
  }

  between(low: number, high: number): number {
    return low + (high - low) * this.#random.uniform();
  }

  /** A whole number from 0 to `count` - 1. */
  whole(count: number): number {
    return Math.floor(count * this.#random.uniform());
  }

  chance(share: number): boolean {
    return this.#random.uniform() < share;
  }

  pick<T>(list: readonly T[]): T {
    const one = list[this.whole(list.length)];
    if (one === undefined) throw new RangeError("nothing to pick from");
    return one;
  }

  /** A copy in random order. Source: Fisher & Yates 1938, as by Durstenfeld 1964. */
  shuffled<T>(list: readonly T[]): T[] {
    const out = [...list];
    for (let i = out.length - 1; i > 0; i--) {
      const k = this.whole(i + 1);
      [out[i], out[k]] = [out[k]!, out[i]!];
    }
    return out;
  }
}
