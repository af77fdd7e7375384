import { expect, test } from "vitest";
import { judge, type Known, lineOf } from "../../src/viewer/page-state.ts";
import { ageText, bearingText, metresText } from "../../src/viewer/text.ts";
import type { FromServer } from "../../src/wire/messages.ts";

const reach = (state: FromServer<"reach">["state"], age = 40_000) =>
  ({ state, age }) as unknown as FromServer<"reach">;
const known: Known = {
  isOpen: true,
  reason: null,
  retry: null,
  reach: reach("clear"),
  since: 20,
  silence: 500_000,
  isHeld: false,
};

test.each([
  [{}, "Seeing", true],
  [{ reach: reach("dark") }, "Dark", true],
  [{ reach: reach("covered") }, "Covered", false],
  [{ reach: reach("late", 900_000) }, "Late", false],
  [{ reach: reach("blind") }, "Blind", false],
  [{ reach: reach("lost") }, "Lost", false],
  [{ poseClass: "lost" }, "Lost", true],
  [{ poseClass: "lost", reach: reach("blind") }, "Blind", false],
  [{ poseClass: "sliding" }, "Seeing", true],
  [{ since: 501 }, "Silent", false],
  [{ since: 499 }, "Seeing", true],
  [{ isOpen: false, reason: "gone", retry: 400 }, "No connection", false],
  [{ isOpen: false }, "Connecting", false],
  [{ reach: null }, "Connecting", false],
  [{ isHeld: true }, "Held", false],
] as const)("%o is %s", (change, word, isLive) => {
  const trust = judge({ ...known, ...change });
  expect([trust.word, trust.isLive]).toEqual([word, isLive]);
});

test("lost, the floor ahead is live, and the map is not", () => {
  expect(judge({ ...known, poseClass: "lost" })).toMatchObject({ isLive: true, isMapOld: true });
  expect(judge({ ...known, poseClass: "held" }).isMapOld ?? false).toBe(false);
});

test("the age goes on while nothing comes", () => {
  expect(judge({ ...known, since: 300 }).line).toBe("340 ms old");
});

test("numbers are said as people say them", () => {
  expect([ageText(40_000), ageText(1_250_000), ageText(180e6)]).toEqual(["40 ms", "1.3 s", "3 min"]);
  expect([metresText(0.42), metresText(1.234)]).toEqual(["42 cm", "1.23 m"]);
  expect([bearingText(0.01), bearingText(Math.PI / 2), bearingText(-0.5), bearingText(3.14)]).toEqual([
    "ahead",
    "90° left",
    "29° right",
    "behind",
  ]);
});

test("no two kinds of pose in doubt are drawn alike, and none as one that is well known", () => {
  const lines = ["sliding", "carried", "lost", "good"].map(lineOf);
  expect(lines.at(-1)).toBe("whole");
  expect(new Set(lines).size).toBe(4);
});
