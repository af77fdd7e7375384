import { test } from "vitest";

/** Registers a test that takes more than about three seconds on a quiet machine: the fast tier leaves it out. */
export function slowTest(name: string, fn: () => void | Promise<void>, timeout?: number): void {
  if (process.env["BRINKMAP_FAST"] === "1") test.skip(name, fn);
  else test(name, fn, timeout);
}
