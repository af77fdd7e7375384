import { expect, test } from "vitest";
import type { TrackState } from "../../src/head/outputs.ts";
import { PlaceDoubt } from "../../src/head/place-doubt.ts";

/** A place with this much doubt along x and y, metres, and of its heading, radians; 1 sigma. */
const state = (place: number, heading = 0): TrackState => ({
  hold: "sliding",
  covariance: [place ** 2 / 2, 0, 0, 0, place ** 2 / 2, 0, 0, 0, 0],
  yawSigma: heading,
  share: 0.9,
});
/** Margin and cell as shipped, metres: three sigma may take 0.12. */
const ROOM = 0.12;

test("memory answers from a place as long as its doubt has grown by less than margin and cell hold, three sigma", () => {
  const doubt = new PlaceDoubt();
  expect(doubt.isKnown(state(0.006), true, ROOM)).toBe(true);
  expect(doubt.isKnown(state(0.035), false, ROOM)).toBe(true);
  expect(doubt.isKnown(state(0.05), false, ROOM)).toBe(false);
  expect(doubt.isKnown(state(0.9), false, ROOM)).toBe(false);
  expect(doubt.isKnown(state(0.01), true, ROOM)).toBe(true);
});

test("doubt that the memory was built with counts as none, however large", () => {
  const doubt = new PlaceDoubt();
  expect(doubt.isKnown(state(0.5), true, ROOM)).toBe(true);
  expect(doubt.isKnown(state(Math.hypot(0.5, 0.03)), false, ROOM)).toBe(true);
  expect(doubt.isKnown(state(Math.hypot(0.5, 0.06)), false, ROOM)).toBe(false);
});

test("doubt of the heading counts a metre away, and a place that is given is known", () => {
  const doubt = new PlaceDoubt();
  expect(doubt.isKnown(state(0.01, 0.01), true, ROOM)).toBe(true);
  expect(doubt.isKnown(state(0.01, 0.035), false, ROOM)).toBe(true);
  expect(doubt.isKnown(state(0.01, 0.06), false, ROOM)).toBe(false);
  expect(doubt.isKnown(null, true, ROOM)).toBe(true);
});
