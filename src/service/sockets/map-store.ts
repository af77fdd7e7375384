import { BLOCK_VOXELS } from "../../map/grid.ts";

interface StoredBlock {
  readonly key: number;
  readonly change: number;
  /** In wire format. */
  readonly bytes: Uint8Array;
}

const LONGEST_RUN = 64;
/** Replaced entries that the order may hold before it is compacted. */
const SPARE = 256;

/** Changes that a client lacks, up to a limit of bytes. */
export interface MapChanges {
  /** Blocks in wire format, one after the other. */
  readonly bytes: Uint8Array;
  readonly count: number;
  /** Number of blocks beyond the limit. */
  readonly left: number;
  /** Number of the newest change among them. */
  readonly to: number;
}

/**
 * The map for clients: the newest bytes of every block, in the order of their changes. Changes are numbered, so the changes that a client
 * lacks are the tail of that order, however long it was away. A slow client costs no memory.
 */
export class MapStore {
  /** Identifies the map: another epoch is another map. */
  epoch: string;
  /** Number of the newest change. */
  change = 0;
  /** Total bytes of all blocks. */
  size = 0;
  /** The newest bytes of every block, by key. */
  readonly #blocks = new Map<number, StoredBlock>();
  /** Changes, oldest first. Replaced ones are removed from time to time. */
  #order: StoredBlock[] = [];

  constructor(epoch: string) {
    this.epoch = epoch;
  }

  get count(): number {
    return this.#blocks.size;
  }

  /** The newest bytes of every block. The arrays are immutable. */
  get blocks(): readonly Uint8Array[] {
    this.#tidy();
    return this.#order.map(({ bytes }) => bytes);
  }

  /** Starts another map. */
  reset(epoch: string): void {
    this.epoch = epoch;
    this.#blocks.clear();
    this.#order = [];
    this.size = 0;
    this.change = 0;
  }

  /** Adds changed blocks in the format of `encodeClasses`, one after the other. */
  add(bytes: Uint8Array): void {
    const view = new DataView(bytes.buffer, bytes.byteOffset, bytes.byteLength);
    for (let at = 0; at < bytes.length; ) {
      const key = view.getInt32(at, true);
      let end = at + 8;
      for (let n = 0; n < BLOCK_VOXELS; end++) n += (bytes[end]! & (LONGEST_RUN - 1)) + 1;
      const block = { key, change: ++this.change, bytes: bytes.slice(at, end) };
      this.size += block.bytes.length - (this.#blocks.get(key)?.bytes.length ?? 0);
      this.#blocks.set(key, block);
      this.#order.push(block);
      at = end;
    }
    if (this.#order.length > 2 * this.#blocks.size + SPARE) this.#tidy();
  }

  #tidy(): void {
    this.#order = this.#order.filter((block) => this.#isNewest(block));
  }

  #isNewest(block: StoredBlock): boolean {
    return this.#blocks.get(block.key) === block;
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

  /** The changes after `change`, oldest first: as many blocks as fit into `limit` bytes, and at least one. */
  since(change: number, limit: number): MapChanges {
    if (change >= this.change) return { bytes: new Uint8Array(0), count: 0, left: 0, to: this.change };
    const out: StoredBlock[] = [];
    let size = 0;
    let left = 0;
    for (let n = this.#after(change); n < this.#order.length; n++) {
      const block = this.#order[n]!;
      if (!this.#isNewest(block)) continue;
      if (left > 0 || (out.length > 0 && size + block.bytes.length > limit)) left++;
      else {
        out.push(block);
        size += block.bytes.length;
      }
    }
    const bytes = new Uint8Array(size);
    let at = 0;
    for (const block of out) {
      bytes.set(block.bytes, at);
      at += block.bytes.length;
    }
    return { bytes, count: out.length, left, to: left > 0 ? out.at(-1)!.change : this.change };
  }
}
