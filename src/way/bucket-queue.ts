/**
 * A queue of whole numbers in order of their keys, for keys that never lie below the present one by more than the range. Entries of one
 * bucket come out newest first, so keys are exact to the bucket's width only. Buckets form a ring.
 *
 * Source: Dial 1969, "Algorithm 360: shortest-path forest with topological ordering", Communications of the ACM 12:632-633. With buckets no
 * wider than the shortest edge, Dijkstra's algorithm stays exact (Denardo & Fox 1979).
 */
export class BucketQueue {
  readonly #shift: number;
  readonly #mask: number;
  readonly #items: Int32Array[];
  readonly #counts: Int32Array;
  #at = 0;
  #size = 0;

  /**
   * @param shift a bucket spans 2^shift keys
   * @param range largest difference of keys in the queue
   */
  constructor(shift: number, range: number) {
    let buckets = 4;
    while (buckets < (range >> shift) + 3) buckets *= 2;
    this.#shift = shift;
    this.#mask = buckets - 1;
    this.#items = Array.from({ length: buckets }, () => new Int32Array(64));
    this.#counts = new Int32Array(buckets);
  }

  get size(): number {
    return this.#size;
  }

  /** Number of the bucket of the last entry that came out: its key's upper bits. */
  get bucket(): number {
    return this.#at;
  }

  /** Empties the queue; the next keys begin at `key`. */
  restart(key: number): void {
    this.#counts.fill(0);
    this.#size = 0;
    this.#at = key >> this.#shift;
  }

  push(item: number, key: number): void {
    let bucket = key >> this.#shift;
    // A key below the present bucket joins it: it comes out next.
    if (bucket < this.#at) bucket = this.#at;
    const b = bucket & this.#mask;
    const count = this.#counts[b]!;
    let items = this.#items[b]!;
    if (count === items.length) {
      const more = new Int32Array(2 * count);
      more.set(items);
      items = more;
      this.#items[b] = more;
    }
    items[count] = item;
    this.#counts[b] = count + 1;
    this.#size++;
  }

  /** Takes out an entry of the lowest bucket. The queue must not be empty. */
  pop(): number {
    while (this.#counts[this.#at & this.#mask] === 0) this.#at++;
    const b = this.#at & this.#mask;
    const count = this.#counts[b]! - 1;
    this.#counts[b] = count;
    this.#size--;
    return this.#items[b]![count]!;
  }
}
