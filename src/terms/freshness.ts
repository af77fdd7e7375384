// When is evidence too old, and when does a robot stop for it? All limits of age stand here.

/** Seconds without a frame that shows the floor after which the guard permits no motion (setting `guard.maxBlind`). */
export const MAX_BLIND = 0.4;

/** Seconds: a reach on older evidence goes out as "late", without a pace (settings file, `late`). */
export const LATE_AFTER = 0.2;

/** Seconds without a frame after which the head calls itself, or a sensor, blind or silent (settings file, `blind`). */
export const BLIND_AFTER = 1;

/** Seconds without any reach after which the base stops by itself; `welcome` tells it to the base. */
export const SILENCE_AFTER = 0.5;
