import { expect, test } from "vitest";
import { END } from "../../src/terms/safety.ts";
import { CURVE_BYTES, readCurve, writeCurvePoint } from "../../src/wire/curve.ts";

test("a curve is read as it was written, to a millimetre and a millisecond", () => {
  const view = new DataView(new ArrayBuffer(2 * CURVE_BYTES));
  const points = [
    {
      at: 1_234_000,
      pace: 0.731,
      room: 2.05,
      cause: END.brink,
      state: 0,
      age: 0.31,
      load: 0.42,
      place: { x: -3.217, y: 120.5, heading: -3.1 },
    },
    { at: 1_300_000, pace: 0, room: 0, cause: null, state: 6, age: null, load: 2.55, place: null },
  ];
  points.forEach((point, n) => void writeCurvePoint(view, n, point));
  expect(readCurve(new Uint8Array(view.buffer))).toEqual(points);
});

test("a piece of a frame at the end is ignored", () => {
  expect(readCurve(new Uint8Array(CURVE_BYTES + 3))).toHaveLength(1);
});
