import type { Draft } from "../../wire/messages.ts";
import type { MapChanges, MapStore } from "./map-store.ts";

/** The map that a client has, by its last patch. */
interface Have {
  readonly epoch: string;
  readonly change: number;
}

/** Makes the message of a patch. */
export type PatchDraft = (
  changes: MapChanges & { readonly epoch: string; readonly from: number },
) => Draft<"patch" | "floor">;

/** One client's copy of one part of the map: which changes it lacks, and when the next ones are due. */
export class PatchFeed {
  readonly topic: "map" | "floor";
  readonly #store: MapStore;
  readonly #draft: PatchDraft;
  #interval = 0;
  #due = 0;
  #epoch = "";
  #change = 0;

  constructor(topic: "map" | "floor", store: MapStore, draft: PatchDraft) {
    this.topic = topic;
    this.#store = store;
    this.#draft = draft;
  }

  subscribe(interval: number, have: Have | null): void {
    this.#interval = interval;
    this.#due = 0;
    if (have === null) return;
    this.#epoch = have.epoch;
    // The client claims a change that does not exist yet, so it gets the whole map.
    this.#change = have.change <= this.#store.change ? have.change : 0;
  }

  /** Microseconds when changes are to be sent next; null when there are none, or none are wanted. */
  get dueAt(): number | null {
    if (this.#interval === 0 || (this.isSame && this.#change === this.#store.change)) return null;
    return this.isSame ? this.#due : 0;
  }

  /** Whether the client's map is of the present epoch. */
  get isSame(): boolean {
    return this.#epoch === this.#store.epoch;
  }

  /** The next patch, of about `limit` bytes at most. For another epoch it may be empty: it tells that the old map is void. */
  take(limit: number): Draft<"patch" | "floor"> {
    if (!this.isSame) {
      this.#epoch = this.#store.epoch;
      this.#change = 0;
      this.#due = 0;
    }
    const from = this.#change;
    const changes = this.#store.since(from, limit);
    this.#change = changes.to;
    return this.#draft({ ...changes, epoch: this.#epoch, from });
  }

  /** Notes that all changes were sent. */
  rest(now: number, stretch: number): void {
    this.#due = now + this.#interval * stretch;
  }
}
