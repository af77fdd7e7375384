import { expect, test } from "vitest";
import { END } from "../../src/terms/safety.ts";
import { nearestText, whyText } from "../../src/viewer/reach-text.ts";
import type { FromServer } from "../../src/wire/messages.ts";

const reach = (cause: number, forward: number): FromServer<"reach"> =>
  ({
    pace: { forward, limit: cause === END.open ? null : { cause, distanceMm: 720 } },
  }) as unknown as FromServer<"reach">;

test("the page says why the robot may not go faster, and how deep a drop ahead is", () => {
  expect(whyText(reach(END.brink, 0.4), 1, 0.33)).toBe("Up to 0.40 m/s: drop 72 cm ahead, 33 cm deep");
  expect(whyText(reach(END.brink, 0), 1, null)).toBe("Stop: drop 72 cm ahead, no bottom seen");
  expect(whyText(reach(END.obstacle, 0), 1, 0.33)).toBe("Stop: obstacle 72 cm ahead");
});

test("at full speed, or without a pace, there is nothing to say", () => {
  expect(whyText(reach(END.obstacle, 1), 1)).toBe("");
  expect(whyText(reach(END.open, 0.5), 1)).toBe("");
  expect(whyText({ pace: null }, 1)).toBe("");
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
