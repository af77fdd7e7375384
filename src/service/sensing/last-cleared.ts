import type { ClearedMap } from "../../head/head.ts";
import type { Stop } from "./trail.ts";

/** Microseconds for which a cleared map can be brought back: time to notice a mistake. Chosen by hand. */
export const UNDO_FOR = 60e6;

interface Kept {
  readonly map: ClearedMap;
  readonly stops: readonly Stop[];
  /** Microseconds of the head's clock. */
  readonly until: number;
}

/** The map that was cleared last, with its path, for a minute. At most one map is kept, so the memory is bounded. */
export class LastCleared {
  #kept: Kept | null = null;

  keep(map: ClearedMap, stops: readonly Stop[], now: number): void {
    this.#kept = { map, stops, until: now + UNDO_FOR };
  }

  /** Drops the map when its time is over. */
  expire(now: number): void {
    if (this.#kept !== null && now >= this.#kept.until) this.#kept = null;
  }

  /** Hands out the map, once. @throws {RangeError} when there is none */
  take(now: number): Omit<Kept, "until"> {
    this.expire(now);
    const kept = this.#kept;
    this.#kept = null;
    if (kept === null) {
      throw new RangeError(`no map to bring back: none was cleared in the last ${UNDO_FOR / 1e6} s`);
    }
    return kept;
  }
}
