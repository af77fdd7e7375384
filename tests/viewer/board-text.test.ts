import { expect, test } from "vitest";
import { boardText } from "../../src/viewer/board-text.ts";

const RUNNING = {
  state: "running",
  age: 12_400,
  transit: 3000,
  delay: 6000,
  stop: "none",
  isWaived: false,
  refused: 0,
  damagedThere: 0,
  damagedHere: 0,
  voltage: 12.58,
  charge: 80,
  why: null,
} as const;

test("a board that runs shows its battery and the age of its last frame", () => {
  expect(boardText(RUNNING)).toBe("running, 12.6 V, 80 %, heard 12 ms ago");
  expect(boardText({ ...RUNNING, voltage: null, charge: null })).toBe("running, heard 12 ms ago");
});

test("a board that holds the base says why, and a silent one since when", () => {
  expect(boardText({ ...RUNNING, stop: "contact" })).toBe(
    "running, stops by itself: contact, 12.6 V, 80 %, heard 12 ms ago",
  );
  expect(boardText({ ...RUNNING, isWaived: true })).toContain("waiver");
  // The battery of a board that is silent is not known now.
  expect(boardText({ ...RUNNING, state: "silent", age: 2_300_000 })).toBe("silent, heard 2 s ago");
  expect(boardText({ ...RUNNING, state: "waiting", age: null })).toBe("not heard yet");
});
