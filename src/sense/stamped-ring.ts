/**
 * A ring of the last samples, ordered by stamp whatever their order of arrival; the oldest are dropped first. Sample 0 is the oldest.
 * Nothing is allocated after construction.
 */
export class StampedRing {
  /** (width) values a sample; `placeFor` and `offsetOf` give the start of one. */
  readonly values: Float64Array;
  // Sample k is at (#first + k) % capacity.
  readonly #times: Float64Array;
  readonly #width: number;
  #first = 0;
  #count = 0;

  constructor(capacity: number, width: number) {
    this.#times = new Float64Array(capacity);
    this.values = new Float64Array(width * capacity);
    this.#width = width;
  }

  get count(): number {
    return this.#count;
  }

  /**
   * Makes room for a sample.
   * @param time finite, in the unit of all
   * @returns the offset for its values; -1 when the stamp is a duplicate, or the ring is full of newer samples
   */
  placeFor(time: number): number {
    let place = this.#count; // how many samples are older
    while (place > 0 && this.timeOf(place - 1) >= time) place--;
    if (place < this.#count && this.timeOf(place) === time) return -1;
    const capacity = this.#times.length;
    if (this.#count === capacity) {
      if (place === 0) return -1;
      this.#first = (this.#first + 1) % capacity;
      this.#count--;
      place--;
    }
    const width = this.#width;
    for (let k = this.#count; k > place; k--) {
      const [from, to] = [this.#slot(k - 1), this.#slot(k)];
      this.#times[to] = this.#times[from]!;
      this.values.copyWithin(width * to, width * from, width * (from + 1));
    }
    this.#count++;
    this.#times[this.#slot(place)] = time;
    return this.offsetOf(place);
  }

  timeOf(k: number): number {
    return this.#times[this.#slot(k)]!;
  }

  offsetOf(k: number): number {
    return this.#width * this.#slot(k);
  }

  #slot(k: number): number {
    return (this.#first + k) % this.#times.length;
  }
}
