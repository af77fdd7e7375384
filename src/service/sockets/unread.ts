import type { Topic } from "../../wire/messages.ts";

/** Unread messages are counted by topic; replies and notes together. */
export type Lane = Exclude<Topic, "notes"> | "other";

/** Parts of the map, which share a window. */
const PATCHES: ReadonlySet<Lane> = new Set<Lane>(["map", "floor"]);
/** Window of map bytes in flight: smallest, largest, and initial. */
const LEAST_WINDOW = 4 * 1024;
const MOST_WINDOW = 128 * 1024;
const FIRST_WINDOW = 16 * 1024;
/** Microseconds until a map patch is read: the window shrinks above SLOW and grows below QUICK. */
const SLOW = 150_000;
const QUICK = 60_000;

interface Sent {
  readonly sequence: number;
  readonly lane: Lane;
  readonly size: number;
  readonly time: number;
}

/** Messages in flight to one client that it has not read yet. Patches of the map have a window that adapts to the client's reading speed. */
export class Unread {
  #sent: Sent[] = [];
  #bytes = 0;
  #window = FIRST_WINDOW;

  get isEmpty(): boolean {
    return this.#sent.length === 0;
  }
  /** Bytes of all messages. */
  get bytes(): number {
    return this.#bytes;
  }
  /** Bytes of the map that may be sent now; 0 or less when none may. */
  get patchRoom(): number {
    return this.#window - this.#sent.reduce((sum, { lane, size }) => sum + (PATCHES.has(lane) ? size : 0), 0);
  }
  /** Time at which the oldest was sent; null when everything is read. */
  get oldest(): number | null {
    return this.#sent[0]?.time ?? null;
  }

  count(lane: Lane): number {
    let count = 0;
    for (const one of this.#sent) if (one.lane === lane) count++;
    return count;
  }

  add(sequence: number, lane: Lane, size: number, time: number): void {
    this.#sent.push({ sequence, lane, size, time });
    this.#bytes += size;
  }

  /** Notes that everything up to a number was read. @returns whether any of it was unread */
  confirm(sequence: number, now: number): boolean {
    let read = 0;
    while (read < this.#sent.length && this.#sent[read]!.sequence <= sequence) {
      const { lane, size, time } = this.#sent[read]!;
      this.#bytes -= size;
      if (PATCHES.has(lane)) this.#adjustWindow(now - time);
      read++;
    }
    this.#sent.splice(0, read);
    return read > 0;
  }

  #adjustWindow(delay: number): void {
    if (delay < QUICK) this.#window = Math.min(MOST_WINDOW, this.#window * 2);
    else if (delay > SLOW) this.#window = Math.max(LEAST_WINDOW, this.#window / 2);
  }
}
