import { expect, test } from "vitest";
import { END } from "../../src/terms/safety.ts";
import { brinksFrom, dropText } from "../../src/viewer/brinks.ts";
import { ReachEvents } from "../../src/viewer/reach-events.ts";
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
let time = 0;
const reach = (state: Reach["state"], cause: number | null = null, forward = 1): Reach => {
  time += 100_000;
  const limit = cause === null ? null : { cause, bearing: 0, distanceMm: 420 };
  return { time, state, pace: { forward, limit, roomMm: 420 } } as unknown as Reach;
};
/** Events of a head that says all this, one after the other, ten times a second. */
function eventsOf(...reaches: readonly Reach[]): string[] {
  const events = new ReachEvents();
  return reaches.flatMap((one) => events.take(one)).map(({ what, text }) => `${what}: ${text}`);
}

test("each stop and each slowing is reported once, with its cause", () => {
  const [free, stopped] = [() => reach("clear"), () => reach("clear", END.brink, 0)];
  expect(eventsOf(free(), stopped(), stopped())).toEqual(["brink: drop 42 cm ahead"]);
  expect(eventsOf(free(), reach("clear", END.obstacle, 0))).toEqual(["stop: obstacle 42 cm ahead"]);
  expect(eventsOf(free(), reach("clear", END.unseen, 0.4), reach("clear", END.unseen, 0.3))).toEqual([
    "slow: 0.40 m/s: unseen floor 42 cm ahead",
  ]);
  // Half of the top speed and more is no event.
  expect(eventsOf(free(), reach("clear", END.unseen, 0.6))).toEqual([]);
});

test("a pace that flickers is one stop; one that was free for a while begins another", () => {
  const [free, stopped] = [() => reach("clear"), () => reach("clear", END.brink, 0)];
  expect(eventsOf(stopped(), free(), free(), stopped())).toHaveLength(1);
  const long = Array.from({ length: 8 }, free);
  expect(eventsOf(stopped(), ...long, stopped())).toHaveLength(2);
});

test("sight is reported when it is lost and comes back", () => {
  expect(eventsOf(reach("clear"), reach("blind"))).toEqual(["sight: clear, then blind"]);
  expect(eventsOf(reach("late"), reach("clear"))).toEqual(["sight: late, then clear"]);
  // Dark floor is no loss of sight. The head reports itself that the pose is lost.
  expect(eventsOf(reach("clear"), reach("dark"))).toEqual([]);
  expect(eventsOf(reach("clear"), reach("lost"))).toEqual([]);
});
