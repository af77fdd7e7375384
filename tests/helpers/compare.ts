import { expect } from "vitest";

const DEGREE = Math.PI / 180;
export const degrees = (value: number) => value * DEGREE;

/** Every number within `tolerance` of its expected one. */
export function expectClose(actual: ArrayLike<number>, expected: ArrayLike<number>, tolerance: number): void {
  expect(actual.length).toBe(expected.length);
  for (let i = 0; i < expected.length; i++) {
    const error = Math.abs(actual[i]! - expected[i]!);
    expect(error <= tolerance, `value ${i}: ${actual[i]} is not ${expected[i]} +- ${tolerance}`).toBe(true);
  }
}

/** A repeatable stream of numbers in [0, 1): Park & Miller 1988, multiplier 16807. */
export function seeded(seed: number): () => number {
  let state = seed % 2147483647 || 1;
  return () => {
    state = (state * 16807) % 2147483647;
    return (state - 1) / 2147483646;
  };
}

/** Normal deviates, mean 0 and sigma 1, from `seeded` uniform ones: Box & Muller 1958. */
export function seededNormal(seed: number): () => number {
  const uniform = seeded(seed);
  return () => Math.sqrt(-2 * Math.log(1 - uniform())) * Math.cos(2 * Math.PI * uniform());
}
