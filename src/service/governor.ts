/** Frames between decisions. */
const WINDOW = 15;
/** Share of the time between frames above which mapping is shed, and below which it comes back. */
const HIGH = 0.85;
const LOW = 0.4;
const MOST_SHED = 4;

/**
 * Keeps the frame's budget on a slow board by mapping fewer frames: each step halves how many. What is judged for the base's
 * sake is never put off. A frame that is not mapped still gets its pose and its reach.
 */
export class Governor {
  #shed = 0;
  #frames = 0;
  #count = 0;
  #spent = 0;
  #first = Number.NaN;
  #calm = 0;

  /** 0: every frame is mapped; n: one in 2^n. */
  get shed(): number {
    return this.#shed;
  }

  /** Whether the next frame is to be mapped. */
  isMapped(): boolean {
    return this.#frames++ % 2 ** this.#shed === 0;
  }

  /** @param arrival of the frame, @param cost of it, both microseconds */
  add(arrival: number, cost: number): void {
    if (Number.isNaN(this.#first)) {
      this.#first = arrival;
      return;
    }
    this.#spent += cost;
    if (++this.#count < WINDOW) return;
    const share = this.#spent / Math.max(1, arrival - this.#first);
    this.#first = arrival;
    this.#count = 0;
    this.#spent = 0;
    if (share > HIGH) {
      this.#shed = Math.min(MOST_SHED, this.#shed + 1);
      this.#calm = 0;
    } else if (share < LOW && this.#shed > 0 && ++this.#calm >= 2) {
      this.#shed--;
      this.#calm = 0;
    }
  }
}
