interface StoredPart {
  readonly key: number;
  readonly change: number;
  /** In wire format. */
  readonly bytes: Uint8Array;
}

/** Replaced entries that the order may hold before it is compacted. */
const SPARE = 256;

/** Changes that a client lacks, up to a limit of bytes. */
export interface MapChanges {
  /** Parts in wire format, one after the other. */
  readonly bytes: Uint8Array;
  readonly count: number;
  /** Number of parts beyond the limit. */
  readonly left: number;
  /** Number of the newest change among them. */
  readonly to: number;
}

/** Divides the bytes of parts that follow each other. */
type Split = (bytes: Uint8Array) => Iterable<{ readonly key: number; readonly bytes: Uint8Array }>;

/**
 * One kind of parts of the map for clients, blocks of voxels or tiles of the floor: the newest bytes of each, in the order of their changes. Changes are numbered, so the changes that a client
 * lacks are the tail of that order, however long it was away. A slow client costs no memory.
 */
export class MapStore {
  /** Identifies the map: another epoch is another map. */
  epoch: string;
  /** Number of the newest change. */
  change = 0;
  /** Total bytes of all parts. */
  size = 0;
  /** The newest bytes of every part, by key. */
  readonly #parts = new Map<number, StoredPart>();
  /** Changes, oldest first. Replaced ones are removed from time to time. */
  #order: StoredPart[] = [];
  readonly #split: Split;

  constructor(epoch: string, split: Split) {
    this.epoch = epoch;
    this.#split = split;
  }

  get count(): number {
    return this.#parts.size;
  }

  /** The newest bytes of every part. The arrays are immutable. */
  get parts(): readonly Uint8Array[] {
    this.#tidy();
    return this.#order.map(({ bytes }) => bytes);
  }

  /** Starts another map. */
  reset(epoch: string): void {
    this.epoch = epoch;
    this.#parts.clear();
    this.#order = [];
    this.size = 0;
    this.change = 0;
  }

  /** Adds changed parts, one after the other. */
  add(changed: Uint8Array): void {
    for (const { key, bytes } of this.#split(changed)) {
      const part = { key, change: ++this.change, bytes: bytes.slice() };
      this.size += part.bytes.length - (this.#parts.get(key)?.bytes.length ?? 0);
      this.#parts.set(key, part);
      this.#order.push(part);
    }
    if (this.#order.length > 2 * this.#parts.size + SPARE) this.#tidy();
  }

  #tidy(): void {
    this.#order = this.#order.filter((part) => this.#isNewest(part));
  }

  #isNewest(part: StoredPart): boolean {
    return this.#parts.get(part.key) === part;
  }

  /** Index in the order of the first change after `change`. */
  #after(change: number): number {
    let [low, high] = [0, this.#order.length];
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.#order[middle]!.change <= change) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  /** The changes after `change`, oldest first: as many parts as fit into `limit` bytes, and at least one. */
  since(change: number, limit: number): MapChanges {
    if (change >= this.change) return { bytes: new Uint8Array(0), count: 0, left: 0, to: this.change };
    const out: StoredPart[] = [];
    let size = 0;
    let left = 0;
    for (let n = this.#after(change); n < this.#order.length; n++) {
      const part = this.#order[n]!;
      if (!this.#isNewest(part)) continue;
      if (left > 0 || (out.length > 0 && size + part.bytes.length > limit)) left++;
      else {
        out.push(part);
        size += part.bytes.length;
      }
    }
    const bytes = new Uint8Array(size);
    let at = 0;
    for (const { bytes: own } of out) {
      bytes.set(own, at);
      at += own.length;
    }
    return { bytes, count: out.length, left, to: left > 0 ? out.at(-1)!.change : this.change };
  }
}
