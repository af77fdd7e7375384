import { parseSpots } from "../../terms/spots.ts";
import { WireError } from "../../wire/codec.ts";
import type { PlacedGoal, PlacedQuestion, Question, WayGoal } from "../../wire/messages.ts";

/**
 * A goal with the place of the spot that it names, and the spot's heading unless it has one of its own.
 * @param spots the setting `map.spots`
 * @throws {WireError} for an unknown name; it lists the known ones
 */
export function placedAt(goal: WayGoal, spots: string): PlacedGoal {
  const { to, ...rest } = goal;
  if (typeof to !== "string") return { ...rest, to };
  const known = parseSpots(spots);
  const spot = known.find(({ name }) => name === to);
  if (spot === undefined) {
    const names = known.map(({ name }) => `"${name}"`).join(", ");
    const which = names === "" ? "map.spots has none" : `map.spots has ${names}`;
    throw new WireError("setting", "to", null, `to: there is no spot "${to}"; ${which}`);
  }
  return { ...(spot.heading !== null && { heading: spot.heading }), ...rest, to: [spot.x, spot.y] };
}

/** The same for a question: a spot is in the world, whatever frame the question has. */
export function placedWay(
  question: Extract<Question, { about: "way" }>,
  spots: string,
): Extract<PlacedQuestion, { about: "way" }> {
  const { about, frame, ...goal } = question;
  return { about, frame: typeof goal.to === "string" ? "world" : frame, ...placedAt(goal, spots) };
}
