import { END, type FOOTING_NAMES } from "./safety.ts";

// Wording of the head's outputs, shared by the page, the list of events and notes.

export const metresText = (metres: number): string =>
  Math.abs(metres) < 1 ? `${Math.round(metres * 100)} cm` : `${metres.toFixed(2)} m`;

/** A bearing of the base: 0 ahead, positive to the left. */
export function bearingText(radians: number): string {
  const degrees = Math.round((Math.atan2(Math.sin(radians), Math.cos(radians)) * 180) / Math.PI);
  if (Math.abs(degrees) <= 2) return "ahead";
  if (Math.abs(degrees) >= 178) return "behind";
  return `${Math.abs(degrees)}° ${degrees > 0 ? "left" : "right"}`;
}

/** What ends the free ground, in words. */
export const ENDS: Readonly<Record<number, string>> = {
  [END.open]: "free",
  [END.obstacle]: "obstacle",
  [END.overhang]: "overhang",
  [END.brink]: "drop",
  [END.doubtful]: "doubtful floor",
  [END.unseen]: "unseen floor",
  [END.unlooked]: "end of what was looked at",
  [END.late]: "sensor silent",
  [END.blind]: "sensor sees no floor",
  [END.frozen]: "sensor repeats old data",
  [END.unplaced]: "place of the base not known",
  [END.keptOut]: "closed area",
  [END.slowZone]: "slow zone",
};

/** State of the floor, in the legends of maps. */
export const FLOORS: Readonly<Record<Exclude<(typeof FOOTING_NAMES)[number], "kept out">, string>> = {
  unseen: "unseen",
  firm: "firm floor",
  gone: "drop: floor gone",
  doubtful: "doubtful: floor expected, none measured",
  blocked: "something on it",
};

/** Ends without a place: they close a whole direction. */
const PLACELESS: ReadonlySet<number> = new Set([END.late, END.blind, END.frozen, END.unplaced]);

/** A place within this bearing, radians, is called "ahead"; otherwise its bearing is given. */
const AHEAD = 0.175;

/** The cause that limits a pace, and its place. */
export interface LimitPlace {
  readonly cause: number;
  /** Radians: where it is from the base's floor point. */
  readonly bearing: number;
  readonly distanceMm: number;
  /** Name of the closed area or the slow zone, where that is the cause. */
  readonly area?: string;
}

/** "obstacle 24° left, 5 cm from the body"; "drop 72 cm ahead". */
export function limitText({ cause, bearing, distanceMm, area }: LimitPlace): string {
  const what = (ENDS[cause] ?? "unknown") + (area === undefined ? "" : ` "${area}"`);
  if (PLACELESS.has(cause)) return what;
  if (cause === END.slowZone && distanceMm === 0) return `in ${what}`;
  const room = metresText(distanceMm / 1000);
  const isAhead = Math.abs(Math.atan2(Math.sin(bearing), Math.cos(bearing))) < AHEAD;
  const where = isAhead ? `${room} ahead` : `${bearingText(bearing)}, ${room} from the body`;
  return `${what} ${where}`;
}
