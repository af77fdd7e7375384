import { expect, test } from "vitest";
import { damageText } from "../../src/viewer/damage.ts";

test("the banner of a damaged recording says from when to when, how much, and why", () => {
  expect(damageText([])).toBe("");
  const one = { from: 1_200_000, to: 2_500_000, bytes: 4321, why: "checksum of the record is wrong" };
  expect(damageText([one])).toBe(
    "This recording is damaged. A part cannot be read: between 1.2 s and 2.5 s, 5 kB (checksum of the record is wrong).",
  );
  const end = { from: 9_000_000, to: null, bytes: 100, why: "record is cut short" };
  const start = { from: null, to: 0, bytes: 100, why: "no record head" };
  expect(damageText([start, one, end])).toBe(
    "This recording is damaged. 3 parts cannot be read: before its first event, 1 kB (no record head); " +
      "between 1.2 s and 2.5 s, 5 kB (checksum of the record is wrong); from 9.0 s to its end, 1 kB (record is cut short).",
  );
  // A single frame is shorter than the step in which times are written.
  expect(damageText([{ ...one, to: 1_210_000 }])).toMatch(/cannot be read: at 1\.2 s, 5 kB/);
  expect(damageText([one, one, one, one, one])).toMatch(/; and 2 more\.$/);
});
