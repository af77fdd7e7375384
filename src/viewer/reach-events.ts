import { END } from "../terms/safety.ts";
import type { FromServer } from "../wire/messages.ts";
import { STOPPED } from "./reach-text.ts";

/** An event: reported by the head, or seen in its reach. */
export type Note = Pick<FromServer<"note">, "time" | "text"> & { readonly what: string };
type Reach = FromServer<"reach">;

/** The base may move by it. */
export const isFit = ({ state }: Reach): boolean => state === "clear" || state === "dark";
const isStoppedByDrop = ({ pace }: Reach): boolean =>
  pace?.limit?.cause === END.brink && pace.forward < STOPPED;

/** Events between two reaches: a stop at a drop, sight that was lost or came back. */
export function eventsOf(before: Reach | null, now: Reach): Note[] {
  const { time, state, pace } = now;
  const notes: Note[] = [];
  if (isStoppedByDrop(now) && (before === null || !isStoppedByDrop(before))) {
    const room = ((pace?.roomMm ?? 0) / 1000).toFixed(2);
    notes.push({ time, what: "brink", text: `a drop ahead in ${room} m: stop` });
  }
  // The head reports itself that the pose is lost, or known again.
  const isReported = state === "lost" || before?.state === "lost";
  if (before !== null && before.state !== state && !isReported && (!isFit(now) || !isFit(before))) {
    notes.push({ time, what: "sight", text: `${before.state}, then ${state}` });
  }
  return notes;
}
