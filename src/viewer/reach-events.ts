import { END } from "../terms/safety.ts";
import { Slowing } from "../terms/slowing.ts";
import { limitText } from "../terms/words.ts";
import type { FromServer } from "../wire/messages.ts";

/** An event, reported by the head or found in its reaches. */
export type Note = Pick<FromServer<"note">, "time" | "text"> & { readonly what: string };
type Reach = FromServer<"reach">;

/** Whether the base may move by a reach. */
export const isFit = ({ state }: Reach): boolean => state === "clear" || state === "dark";

/** Finds events in the reaches of a live head: each slowing and each stop with its cause, and each loss and return of sight. */
export class ReachEvents {
  #before: Reach | null = null;
  #slowing = new Slowing();
  /** The top speed in the settings, m/s. */
  topSpeed = 1;

  /** Forgets the last reach, because the head is another one. */
  forget(): void {
    this.#before = null;
    this.#slowing = new Slowing();
  }

  /** @returns the events that begin with this reach */
  take(now: Reach): Note[] {
    const before = this.#before;
    this.#before = now;
    const { time, state, pace } = now;
    const notes: Note[] = [];
    // The head itself reports that the pose is lost or found.
    const isReported = state === "lost" || before?.state === "lost";
    if (before !== null && before.state !== state && !isReported && (!isFit(now) || !isFit(before))) {
      notes.push({ time, what: "sight", text: `${before.state}, then ${state}` });
    }
    const held = pace === null ? null : this.#slowing.begins(time, pace.forward, this.topSpeed);
    if (held !== null) {
      const isDrop = held === "stop" && pace!.limit?.cause === END.brink;
      const why = pace!.limit === null ? "nothing named" : limitText(pace!.limit);
      const text = held === "stop" ? why : `${pace!.forward.toFixed(2)} m/s: ${why}`;
      notes.push({ time, what: isDrop ? "brink" : held, text });
    }
    return notes;
  }
}
