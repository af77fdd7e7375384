import { byId } from "./dom.ts";
import { signOf } from "./event-signs.ts";
import type { Note } from "./reach-events.ts";

/** Rows in the list. */
const LISTED = 12;

/** Lists notes, newest first. A note that repeats is one row with the number of times. @param notes oldest first, with when each came */
export function listNotes(notes: readonly (Note & { readonly came: Date })[]): void {
  const rows: HTMLElement[] = [];
  for (let n = notes.length - 1; n >= 0 && rows.length < LISTED; n--) {
    const { what, text, came } = notes[n]!;
    let first = n;
    while (first > 0 && notes[first - 1]!.what === what && notes[first - 1]!.text === text) first--;
    const count = n - first + 1;
    const over = (came.getTime() - notes[first]!.came.getTime()) / 1000;
    const times = count === 1 ? "" : ` (${count} times in ${Math.max(1, Math.round(over))} s)`;
    const row = document.createElement("li");
    const { sign, name } = signOf(what, text);
    row.textContent = `${sign} ${came.toLocaleTimeString("en-GB")}  ${name}: ${text}${times}`;
    rows.push(row);
    n = first;
  }
  byId("notes").replaceChildren(...rows);
}
