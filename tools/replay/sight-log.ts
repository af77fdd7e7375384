/** Results of judging a frame that affect its pose and the map. */
export interface Seen {
  /** Whether something close covers the lens. */
  readonly isCovered: boolean;
  /** Indices of the pixels whose depth was taken out: images in a mirror-like floor. Empty in most frames. */
  readonly taken: Uint32Array;
}

/** Bytes of a log kept in memory by one worker. */
const ROOM = 16e6;
/** Bytes of an entry without its pixels, rather too many. */
const ENTRY = 100;

/**
 * Log of these results for a recording, to be replayed. They depend on the mask, the guard's settings and the
 * base's place, but not on the map.
 */
export class SightLog {
  readonly #entries: Seen[] = [];
  #at = 0;
  #size = 0;
  #isWhole = false;

  /** Whether it has all of a recording, and can be replayed. */
  get isWhole(): boolean {
    return this.#isWhole;
  }

  /** What was seen in the next frame: as it was kept, or as `look` finds it now. */
  next(look: () => Seen): Seen {
    if (this.#isWhole) {
      const seen = this.#entries[this.#at++];
      if (seen === undefined) throw new RangeError("this log of sights is of a shorter recording");
      return seen;
    }
    const seen = look();
    this.#size += ENTRY + seen.taken.byteLength;
    if (this.#size <= ROOM) this.#entries.push(seen);
    return seen;
  }

  /** The recording is at its end: the next replay starts at the beginning. */
  finish(): void {
    this.#at = 0;
    this.#isWhole = this.#size <= ROOM;
    if (!this.#isWhole) {
      this.#entries.length = 0;
      this.#size = 0;
    }
  }
}
