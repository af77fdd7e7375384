import type { FromServer } from "../wire/messages.ts";
import { bytesText, secondsText } from "./text.ts";

type Lost = FromServer<"recording">["lost"];

/** Parts that are written out. */
const NAMED = 3;

/** What is missing in a recording: from when to when, how much, and why. Empty for a recording without damage. */
export function damageText(lost: Lost): string {
  if (lost.length === 0) return "";
  const parts = lost
    .slice(0, NAMED)
    .map(({ from, to, bytes, why }) => `${whenText(from, to)}, ${bytesText(bytes)} (${why})`);
  const more = lost.length > NAMED ? `; and ${lost.length - NAMED} more` : "";
  const what = lost.length === 1 ? "A part" : `${lost.length} parts`;
  return `This recording is damaged. ${what} cannot be read: ${parts.join("; ")}${more}.`;
}

function whenText(from: number | null, to: number | null): string {
  if (from === null) return "before its first event";
  if (to === null) return `from ${secondsText(from)} to its end`;
  const [begin, end] = [secondsText(from), secondsText(to)];
  return begin === end ? `at ${begin}` : `between ${begin} and ${end}`;
}
