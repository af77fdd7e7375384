import { expect, test } from "vitest";
import { END } from "../../src/terms/safety.ts";
import { brinksFrom, dropText } from "../../src/viewer/brinks.ts";
import { eventsOf } from "../../src/viewer/reach-events.ts";
import type { FromServer } from "../../src/wire/messages.ts";

const QUARTER_LEFT = [0, 0, Math.SQRT1_2, Math.SQRT1_2] as const;

test("edges of the floor are turned to where the base stands, the nearest first", () => {
  const pose = { position: [1, 2, 0], rotation: QUARTER_LEFT } as const;
  const brink = { confidence: 1, error: 0.01 };
  const near = brinksFrom(pose, [
    {
      ...brink,
      points: [
        [0, 6],
        [1, 5],
      ],
      drop: null,
    },
    // Ahead of a base that looks along the world's y, and half a metre to its left.
    {
      ...brink,
      points: [
        [0.5, 3],
        [0.5, 4],
      ],
      drop: 0.17,
    },
    { ...brink, points: [], drop: 1 },
  ]);
  expect(near.map(({ drop }) => drop)).toEqual([0.17, null]);
  expect(near[0]!.nearest[0]).toBeCloseTo(1);
  expect(near[0]!.nearest[1]).toBeCloseTo(0.5);
  expect(near[0]!.distance).toBeCloseTo(Math.hypot(1, 0.5));
  expect(near.map(({ drop }) => dropText(drop))).toEqual(["17 cm deep", "no bottom seen"]);
});

type Reach = FromServer<"reach">;
const reach = (state: Reach["state"], cause: number | null = null, forward = 1): Reach =>
  ({
    time: 7,
    state,
    pace: { forward, limit: cause === null ? null : { cause }, roomMm: 420 },
  }) as unknown as Reach;

test("a stop at a drop is reported once, and sight when it is lost and comes back", () => {
  const [free, stopped] = [reach("clear"), reach("clear", END.brink, 0)];
  expect(eventsOf(free, stopped)).toEqual([{ time: 7, what: "brink", text: "a drop ahead in 0.42 m: stop" }]);
  expect(eventsOf(stopped, stopped)).toEqual([]);
  expect(eventsOf(free, reach("clear", END.brink, 0.4))).toEqual([]);
  expect(eventsOf(free, reach("blind")).map(({ text }) => text)).toEqual(["clear, then blind"]);
  expect(eventsOf(reach("late"), free).map(({ what }) => what)).toEqual(["sight"]);
  // Dark floor is no loss of sight. The head reports itself that the pose is lost.
  expect(eventsOf(free, reach("dark"))).toEqual([]);
  expect(eventsOf(free, reach("lost"))).toEqual([]);
});
