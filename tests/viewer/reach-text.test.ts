import { expect, test } from "vitest";
import { END } from "../../src/terms/safety.ts";
import { nearestText, paceWord, whyText } from "../../src/viewer/reach-text.ts";
import type { FromServer } from "../../src/wire/messages.ts";

const reach = (cause: number, forward: number, bearing = 0, ageMs: number | null = 300) =>
  ({
    pace: { forward, limit: cause === END.open ? null : { cause, bearing, distanceMm: 720, ageMs } },
  }) as unknown as FromServer<"reach">;

test("the page names the cause that limits the robot, its place, the depth of a drop, and when it was seen", () => {
  expect(whyText(reach(END.brink, 0.4), 1, 0.33)).toBe(
    "Up to 0.40 m/s: drop 72 cm ahead, 33 cm deep, seen 0.3 s ago",
  );
  expect(whyText(reach(END.brink, 0), 1, null)).toBe(
    "Stop: drop 72 cm ahead, no bottom seen, seen 0.3 s ago",
  );
  const aside = reach(END.obstacle, 0, (24 * Math.PI) / 180);
  expect(whyText(aside, 1, 0.33)).toBe("Stop: obstacle 24° left, 72 cm from the body, seen 0.3 s ago");
  const shutIn = { pace: { ...reach(END.obstacle, 0).pace!, isWayOut: true } };
  expect(whyText(shutIn, 1)).toBe(
    "Stop: obstacle 72 cm ahead, seen 0.3 s ago; shut in: back or turn at a crawl",
  );
  expect(whyText(reach(END.unseen, 0.4, 0, null), 1)).toBe("Up to 0.40 m/s: unseen floor 72 cm ahead");
});

test("at full speed the page says so; without a pace there is nothing to say", () => {
  expect(whyText(reach(END.obstacle, 1), 1)).toBe("Full speed, 1.00 m/s");
  expect(whyText({ pace: null }, 1)).toBe("");
});

test("below half of the top speed the robot counts as slowed, and below a creep as stopped", () => {
  const word = (forward: number) => paceWord(reach(END.obstacle, forward), 1);
  expect([1, 0.6, 0.49, 0.02].map(word)).toEqual(["full", "limited", "slow", "stop"]);
  expect(paceWord({ pace: null }, 1)).toBe(null);
});

test("unseen floor is not the nearest thing", () => {
  const bearings = {
    first: 0,
    step: Math.PI / 2,
    distanceMm: [300, 900, 500, 2000],
    what: [END.unseen, END.obstacle, END.open, END.brink],
  };
  expect(nearestText(bearings)).toBe("90 cm, obstacle, 90° left");
  expect(nearestText({ ...bearings, what: [0, 0, 0, 0] })).toBe("nothing");
});
