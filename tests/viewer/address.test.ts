import { expect, test } from "vitest";
import { hashOf, momentOf } from "../../src/viewer/address.ts";

test("an address names a view and a moment, and is read as it was written", () => {
  const moment = { view: "plan", at: 43_250_000 } as const;
  expect(hashOf(moment)).toBe("#view=plan&at=43.25");
  expect(momentOf(hashOf(moment))).toEqual(moment);
  expect(hashOf({ view: null, at: null })).toBe("");
});

test("what is not understood is left out", () => {
  expect(momentOf("#view=sideways&at=soon")).toEqual({ view: null, at: null });
  expect(momentOf("#map-section")).toEqual({ view: null, at: null });
});
