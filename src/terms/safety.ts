// The safety codes of guard, wire, service, page and datagram. Each is defined here
// and nowhere else. Numbers are part of the protocol (docs/protocol.md): a code may be added, never renumbered.

/** What ends free, firm ground along a bearing. */
export const END = {
  /** No floor was seen farther on, and none was expected: too dark, too far, hidden, or the end of the view. */
  unseen: 0,
  /** Floor was expected here and none was measured: it has changed or ended. */
  doubtful: 1,
  /** A drop: rays went through the place where floor should be and came back from below. */
  brink: 2,
  /** Something stands on the floor. */
  obstacle: 3,
  /** Something hangs lower than the body is high, with floor below it. */
  overhang: 4,
  /** Nothing, up to the range that was looked at. Never from a frame alone. */
  open: 5,
  /** The end of the swept way: nothing beyond it was looked at. */
  unlooked: 6,
  /** The sensor whose view covers this direction is silent. */
  late: 7,
  /** The sensor whose view covers this direction sends, but it does not see the floor: it is covered, or blind. */
  blind: 8,
  /** A stream repeats old data although the head moves: its data do not show the present. */
  frozen: 9,
  /** The position of the base has been unknown for a while: memory cannot be placed around it. */
  unplaced: 10,
  /** The border of an area that a person has closed to the base. */
  keptOut: 11,
  /** The border of a zone in which the base drives slowly. It limits a pace and ends no free ground. */
  slowZone: 12,
} as const;

/** Names of the codes in `END`, by number. */
export const END_NAMES = [
  "unseen",
  "doubtful",
  "brink",
  "obstacle",
  "overhang",
  "open",
  "not looked at",
  "late",
  "blind",
  "frozen",
  "no place",
  "kept out",
  "slow zone",
] as const;
export type EndName = (typeof END_NAMES)[number];

/** State of a cell of the floor. */
export const FOOTING = {
  /** Never seen, or too long ago. */
  unseen: 0,
  /** Floor was seen there. */
  firm: 1,
  /** Rays went through it. */
  gone: 2,
  /** Floor was expected there and none was measured. */
  doubtful: 3,
  /** Something stands or hangs there, by the map, by a bumper, or by this frame. */
  blocked: 4,
  /** Part of an area that a person has closed to the base. Never in a map of the floor. */
  keptOut: 5,
} as const;

/** Names of the codes in `FOOTING`, by number. */
export const FOOTING_NAMES = ["unseen", "firm", "gone", "doubtful", "blocked", "kept out"] as const;

/** Quality of one frame as a view of the floor. */
export type Sight = "clear" | "dark" | "covered" | "blind";

/** The same, or "frozen" when a stream repeats old content (src/sense/frozen.ts): the base stops. */
export type StreamSight = Sight | "frozen";

/** State of a reach, by the number that the datagram gives it. Anything but "clear" and "dark": the base stops. */
export const REACH_STATES = [
  "clear",
  "dark",
  "covered",
  "late",
  "blind",
  "lost",
  "frozen",
  /** No frame has been judged since the start: no sensor has connected, or none that works. */
  "waiting",
  /** The outline and the brakes of this base were never set, so no pace is safe. */
  "unconfigured",
] as const;
export type ReachState = (typeof REACH_STATES)[number];

/** Bearings of a reach, evenly spaced, counter-clockwise from ahead. */
export const BEARINGS = 120;

/** Sectors of the datagram, evenly spaced, counter-clockwise; sector 0 is centred ahead. */
export const SECTORS = 8;

/** Curvatures (1/m, positive to the left) for which a pace is given. */
export const CURVATURES = [-2, -1, -0.5, 0, 0.5, 1, 2] as const;

/** Index of straight ahead in `CURVATURES`. */
export const STRAIGHT = CURVATURES.indexOf(0);

/** Ways in which a base can move, and for which it can ask for a waiver. */
export const DIRECTIONS = ["forward", "backward", "left", "right"] as const;

/** Why a motor board itself permits no motion, or none in one direction, by the number that its frame `state` gives. */
export const BOARD_STOPS = [
  /** It permits what the pace permits. */
  "none",
  /** No pace has come for `WIRE_OLD` seconds, or its validity has ended. */
  "silence",
  /** The last reach is neither clear nor dark, or it has no pace. */
  "state",
  /** The clock of the head is not known, so no age can be checked. */
  "clock",
  /** The head plays a recording or simulates its sensors. */
  "played",
  /** A contact has just closed. */
  "contact",
  /** A floor sensor misses the floor, and the head agrees, cannot see it, or does not answer. */
  "floor",
] as const;

/** What a head answers to the alarm of a floor sensor, by the number that a frame gives it. */
export const VERDICTS = ["agrees", "disagrees", "cannot see"] as const;
export type Verdict = (typeof VERDICTS)[number];
