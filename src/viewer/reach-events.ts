import { END } from "../terms/safety.ts";
import type { FromServer } from "../wire/messages.ts";

/** A base that may go no faster stands, m/s. */
const STANDING = 0.03;

/** Something that happened: said by the head, or seen in what it says. */
export type Note = Pick<FromServer<"note">, "time" | "text"> & { readonly what: string };
type Reach = FromServer<"reach">;

export const isFit = ({ state }: Reach): boolean => state === "clear" || state === "dark";
const endsAtBrink = ({ pace }: Reach): boolean =>
  pace !== null && pace.limit === END.brink && pace.forward < STANDING;

/** What an answer says that the one before did not: a stop at a brink, sight that went or came back. */
export function changesOf(before: Reach | null, now: Reach): Note[] {
  const { time, state, pace } = now;
  const notes: Note[] = [];
  if (endsAtBrink(now) && (before === null || !endsAtBrink(before))) {
    const room = ((pace?.roomMm ?? 0) / 1000).toFixed(2);
    notes.push({ time, what: "brink", text: `the way ahead ends at a brink in ${room} m: stop` });
  }
  // That the place is lost, or known again, the head says itself.
  const isTold = state === "lost" || before?.state === "lost";
  if (before !== null && before.state !== state && !isTold && (!isFit(now) || !isFit(before))) {
    notes.push({ time, what: "sight", text: `${before.state}, then ${state}` });
  }
  return notes;
}

/** So soon after a reach of the frame alone the one with memory follows, milliseconds. */
export const FOLLOWS = 300;

/**
 * Whether a reach of the newest frame alone is passed over: of each frame it is told first, and the one that knows what lies
 * around as well a moment later. Shown in turn, the two would flicker. What stops the base is never passed over.
 * @param before what is shown, with when it came, milliseconds
 */
export function isFollowed(
  before: { readonly message: Reach; readonly arrived: number } | null,
  now: Reach,
  arrived: number,
): boolean {
  const isKnown = before?.message.source === "memory" && arrived - before.arrived < FOLLOWS;
  return isKnown && now.source === "frame" && isFit(now);
}
