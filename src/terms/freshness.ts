// All limits of age: when evidence is too old, and when a robot stops for that.

/**
 * A direction is late when the sensors whose views cover it have shown no floor for SILENT_AFTER seconds or for SILENT_INTERVALS of
 * their own frame intervals, whichever is longer, but at most for `guard.maxBlind`. No motion is permitted into a late direction,
 * whatever other sensors see.
 */
export const SILENT_AFTER = 0.14;
export const SILENT_INTERVALS = 1.5;

/** Seconds: the default of `guard.maxBlind`. A camera slower than 3.75 frames a second needs more. */
export const MAX_BLIND = 0.4;

/**
 * A pace may be obeyed until the time `until` of its reach, and no longer. Without the setting `guard.hold` that is HOLD_INTERVALS
 * frame intervals from the time when the head knew it, within HOLD_LEAST to HOLD_MOST seconds. The pace is computed for a base that obeys it that long.
 */
export const HOLD_INTERVALS = 2;
export const HOLD_LEAST = 0.15;
export const HOLD_MOST = 0.4;

/** Seconds that the answer to a frame waits for the frame's pose; then memory answers from the last known place. */
export const POSE_WAIT = 0.03;

/**
 * Seconds for which memory answers from the last known place, minus the way that the base may have gone since. After that no motion
 * is permitted until a place is known again. Chosen by hand: a base that is told to slow down does so within it.
 */
export const PLACE_HOLDS = 0.5;

/** Seconds without a frame after which the head reports itself, or a sensor, as blind or silent (settings file, `blind`). */
export const BLIND_AFTER = 1;

/**
 * On the wire to a motor board the newest pace is repeated every WIRE_REPEAT seconds with its new age. The board stops when no pace has come
 * for WIRE_OLD seconds, and refuses a frame that took longer than that to arrive; its header has that limit by default.
 */
export const WIRE_REPEAT = 0.02;
export const WIRE_OLD = 0.06;

/** Seconds: the longest waiver that a base can ask for. */
export const MOST_WAIVER = 60;
