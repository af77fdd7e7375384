import type { FromServer } from "../wire/messages.ts";

type Board = NonNullable<FromServer<"pulse">["board"]>;

/** The motor board in a line: its state, why it holds the base, its battery, and the age of its last frame. */
export function boardText({ state, age, stop, isWaived, voltage, charge }: Board): string {
  const parts = [state === "waiting" ? "not heard yet" : state];
  if (state === "running") {
    if (isWaived) parts.push("waiver");
    else if (stop !== null && stop !== "none") parts.push(`stops by itself: ${stop}`);
    if (voltage !== null) parts.push(`${voltage.toFixed(1)} V`);
    if (charge !== null) parts.push(`${charge} %`);
  }
  if (age !== null)
    parts.push(`heard ${age < 1e6 ? `${Math.round(age / 1e3)} ms` : `${Math.round(age / 1e6)} s`} ago`);
  return parts.join(", ");
}
