import { expect, test } from "vitest";
import { lineOf } from "../../src/viewer/place.ts";

test("no two kinds of pose in doubt are drawn alike, and none as one that is well known", () => {
  const lines = ["sliding", "carried", "lost"].map(lineOf);
  expect(new Set([...lines, "whole"]).size).toBe(4);
  expect(lineOf("good")).toBe("whole");
});
