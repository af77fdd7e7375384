import { expect, test } from "vitest";
import { END } from "../../src/terms/safety.ts";
import { limitPointOf, outlineOf } from "../../src/viewer/body.ts";
import { roundBelow } from "../../src/viewer/text.ts";
import type { FromServer } from "../../src/wire/messages.ts";

const body = outlineOf("0.3,0.2 0.3,-0.2 -0.3,-0.2 -0.3,0.2");
const reach = (limit: object | null, roomMm = 3000) =>
  ({ pace: { roomMm, limit } }) as unknown as FromServer<"reach">;

test("the outline is read from the settings; what is none is left out", () => {
  expect(body).toHaveLength(4);
  expect(outlineOf("0.3,0.2 0.3")).toEqual([]);
});

test("what limits the pace lies as far before the outline as the way is free", () => {
  const limit = { cause: END.obstacle, distanceMm: 700, outline: [0.3, -0.15], bearing: -0.1, ageMs: 50 };
  const limitPoint = limitPointOf(reach(limit), body)!;
  expect([limitPoint.x, limitPoint.y, limitPoint.end]).toEqual([
    expect.closeTo(1, 9),
    -0.15,
    expect.closeTo(1, 9),
  ]);
  expect([limitPoint.left, limitPoint.right, limitPoint.isOpen]).toEqual([0.2, -0.2, false]);
});

test("where nothing limits it, the band reaches as far as was looked, and nothing is ringed", () => {
  expect(limitPointOf(reach(null), body)).toMatchObject({ end: expect.closeTo(3.3, 9), isOpen: true });
  expect(limitPointOf({ pace: null }, body)).toBe(null);
});

test("the scale bar has a round length", () => {
  expect([0.37, 1.9, 4.1, 51, 100].map(roundBelow)).toEqual([expect.closeTo(0.2, 9), 1, 2, 50, 100]);
});
