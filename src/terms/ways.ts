// Words of ways and of their absence, shared by the search, the wire and the page.

/** Why the base goes slowly on a part of a way, or stops. */
export const SLOW_REASONS = [
  /** Less room beside the outline than usual. */
  "narrow",
  /** A turn on the spot. */
  "turn",
  /** Floor that was not seen, or that was expected and not measured. */
  "unseen",
  "doubtful",
] as const;
export type SlowReason = (typeof SLOW_REASONS)[number];

/** Why there is no way. */
export const NO_WAY_REASONS = [
  /** The base, or the goal, is not on ground that may be driven on. */
  "start",
  "goal",
  /** There is too little room for the body at the start, or at the goal. */
  "start room",
  "goal room",
  /** The widest way leads through a gap that is too narrow. */
  "gap",
  /** The widest way is wide enough, but the body cannot turn on it. */
  "turn",
  /** Ground that may be driven on connects start and goal nowhere. */
  "cut",
] as const;
export type NoWayReason = (typeof NO_WAY_REASONS)[number];

/** How a head sees the floor when a question for the next look does not say: metres, and radians, for a depth camera of 70 degrees. Chosen by hand: a little less than it sees. */
export const USUAL_LOOK = { reach: 2, width: 1 } as const;
/** Metres around places where a look was in vain: unseen floor there is not looked for again. Chosen by hand. */
export const IN_VAIN = 0.7;
/** Most rims of unseen floor that are listed. */
export const MOST_RIMS = 20;

/** Prices of a metre over floor that is not firm, in metres of firm floor. Chosen by hand: the highest bounds the searches. */
export const LEAST_PRICE = 1;
export const MOST_PRICE = 50;
