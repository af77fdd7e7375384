import { logOf } from "../geometry/elementary.ts";
/**
 * Seeded random numbers: the same seed gives the same numbers on every run.
 * Source: sfc32 of Chris Doty-Humphrey's PractRand (public domain), three 32-bit words of state and a counter.
 */
export class Random {
  #a: number;
  #b: number;
  #c: number;
  #counter = 1;
  #spare = Number.NaN;

  /** `seed` and `stream` are unsigned 32-bit integers; streams of one seed do not overlap in practice. */
  constructor(seed: number, stream = 0) {
    this.#a = seed >>> 0;
    this.#b = stream >>> 0;
    this.#c = 0x9e3779b9; // any constant; it avoids the all-zero state for seed 0
    for (let i = 0; i < 15; i++) this.#next(); // PractRand's own count of rounds after seeding
  }

  #next(): number {
    const sum = (this.#a + this.#b + this.#counter) | 0;
    this.#counter = (this.#counter + 1) | 0;
    this.#a = this.#b ^ (this.#b >>> 9);
    this.#b = (this.#c + (this.#c << 3)) | 0;
    this.#c = ((this.#c << 21) | (this.#c >>> 11)) + sum;
    return sum >>> 0;
  }

  /** Uniform in [0, 1). */
  uniform(): number {
    return this.#next() / 4294967296;
  }

  /** Normal with mean 0 and standard deviation 1. Source: Marsaglia & Bray 1964, the polar method. */
  gauss(): number {
    if (!Number.isNaN(this.#spare)) {
      const spare = this.#spare;
      this.#spare = Number.NaN;
      return spare;
    }
    let x = 0;
    let y = 0;
    let size = 0;
    do {
      x = this.#next() / 2147483648 - 1;
      y = this.#next() / 2147483648 - 1;
      size = x * x + y * y;
    } while (size >= 1 || size === 0);
    const scale = Math.sqrt((-2 * logOf(size)) / size);
    this.#spare = y * scale;
    return x * scale;
  }
}
