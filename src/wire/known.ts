// How old and how certain the map is, as codes of one byte.

/** Stacks of blocks along the side of a square. */
export const KNOWN_SIDE = 16;
/** Steps of the code while the age, counted from one second, doubles. */
const STEPS = 15;

/** An age in seconds as a code from 1 to 255: one second more is one step near zero, and a step is 5 % beyond. */
export const ageCode = (seconds: number): number =>
  Math.min(255, 1 + Math.round(STEPS * Math.log2(1 + Math.max(0, seconds))));

/** The age of a code, seconds. */
export const ageOfCode = (code: number): number => 2 ** ((code - 1) / STEPS) - 1;

/** Log-odds in nats at which a surface is counted as more certain: odds of 10, 20 and 50 to 1. From 1.5 nats on it is occupied. */
export const SURE_FROM = [2.3, 3, 3.9] as const;

/** Level of certainty of an occupied voxel, 1 to 4. */
export const sureLevel = (nats: number): number => 1 + SURE_FROM.filter((from) => nats >= from).length;
