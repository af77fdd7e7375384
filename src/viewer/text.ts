export { bearingText, metresText } from "../terms/words.ts";

/** Microseconds in words: "40 ms", "1.3 s", "2 min". */
export function ageText(microseconds: number): string {
  const ms = Math.max(0, microseconds) / 1000;
  if (ms < 1000) return `${Math.round(ms)} ms`;
  if (ms < 100_000) return `${(ms / 1000).toFixed(1)} s`;
  return `${Math.round(ms / 60_000)} min`;
}

/** A position in a recording: "12.3 s", "4:05.0". */
export function secondsText(microseconds: number): string {
  const seconds = Math.max(0, microseconds) / 1e6;
  if (seconds < 100) return `${seconds.toFixed(1)} s`;
  const minutes = Math.floor(seconds / 60);
  return `${minutes}:${(seconds - 60 * minutes).toFixed(1).padStart(4, "0")}`;
}

export const bytesText = (bytes: number): string =>
  bytes < 1e6 ? `${Math.ceil(bytes / 1000)} kB` : `${(bytes / 1e6).toFixed(1)} MB`;

export const countText = (count: number): string => count.toLocaleString("en-GB");

/** The largest number of the series 1, 2, 5, 10, 20 ... (and its decimal fractions) that does not exceed a value. */
export function roundBelow(value: number): number {
  const power = 10 ** Math.floor(Math.log10(value));
  const first = value / power;
  return (first >= 5 ? 5 : first >= 2 ? 2 : 1) * power;
}
