import { FOOTING_NAMES } from "../terms/safety.ts";
import type { WhyNot } from "./why-not.ts";

/** Names of what is there, in a sentence. */
const GROUND: Readonly<Record<(typeof FOOTING_NAMES)[number], string>> = {
  unseen: "unseen floor",
  firm: "firm floor",
  gone: "a drop",
  doubtful: "doubtful floor",
  blocked: "an obstacle",
  "kept out": "an area that is closed to the base",
};

const metres = (value: number | null): string => `${(value ?? 0).toFixed(2)} m`;

/** The reason as a sentence for a person. */
export function whyNotText({ why, x, y, footing, has, needs }: WhyNot): string {
  const at = `at ${x.toFixed(2)}, ${y.toFixed(2)}`;
  const ground = GROUND[FOOTING_NAMES[footing ?? 0]!];
  switch (why) {
    case "start":
      return `the base stands ${at} on ${ground}`;
    case "goal":
      return `the goal ${at} is on ${ground}`;
    case "start room":
      return `the base ${at} has ${metres(has)} of room around it, it needs ${metres(needs)}`;
    case "goal room":
      return `the goal ${at} has ${metres(has)} of room around it, the body needs ${metres(needs)}`;
    case "gap":
      return `the gap ${at} is ${metres(has)} wide, the body needs ${metres(needs)}`;
    case "turn":
      return `the body cannot turn ${at}: there are ${metres(has)}, a free turn needs ${metres(needs)}`;
    case "cut":
      return `no firm floor leads to the goal: ${ground} ${at} is in the way`;
    default:
      return why satisfies never;
  }
}
