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
  isPaused: false,
};

test.each([
  [{}, "Sees the floor", "live"],
  [{ reach: reach("dark") }, "Dark floor", "live"],
  [{ reach: reach("covered") }, "Lens covered", "stale"],
  [{ reach: reach("late", 900_000) }, "Late", "stale"],
  [{ reach: reach("blind") }, "Blind", "stale"],
  [{ reach: reach("lost") }, "Lost", "stale"],
  [{ poseClass: "lost" }, "Lost", "live"],
  [{ poseClass: "lost", reach: reach("blind") }, "Blind", "stale"],
  [{ poseClass: "sliding" }, "Sees the floor", "live"],
  [{ since: 501 }, "Silent", "stale"],
  [{ since: 499 }, "Sees the floor", "live"],
  [{ isOpen: false, reason: "gone", retry: 400 }, "No connection", "stale"],
  [{ isOpen: false }, "Connecting", "stale"],
  [{ reach: null }, "Connecting", "stale"],
  [{ isPaused: true }, "Paused", "stale"],
  [{ isSensorMissing: true, reach: reach("blind") }, "No sensor", "stale"],
  [{ isSensorMissing: true, reach: null }, "No sensor", "stale"],
] as const)("%o is %s", (change, word, values) => {
  const state = judge({ ...known, ...change });
  expect([state.word, state.values]).toEqual([word, values]);
});

test("with the pose lost, the floor ahead is live and the map is stale", () => {
  expect(judge({ ...known, poseClass: "lost" })).toMatchObject({ values: "live", isMapStale: true });
  expect(judge({ ...known, poseClass: "held" }).isMapStale ?? false).toBe(false);
});

test("a state in which the base must stop says so", () => {
  for (const state of ["covered", "late", "blind"] as const) {
    expect(judge({ ...known, reach: reach(state) }).line).toMatch(/the base stops$/);
  }
  expect(judge({ ...known, since: 900 }).line).toMatch(/the base stops$/);
  expect(judge({ ...known, isSensorMissing: true }).line).toMatch(/the base stops$/);
});

test("the age counts on while nothing comes", () => {
  expect(judge({ ...known, since: 300 }).line).toBe("340 ms old");
});

test("ages, lengths and bearings are written with units and in words", () => {
  expect([ageText(40_000), ageText(1_250_000), ageText(180e6)]).toEqual(["40 ms", "1.3 s", "3 min"]);
  expect([metresText(0.42), metresText(1.234)]).toEqual(["42 cm", "1.23 m"]);
  expect([bearingText(0.01), bearingText(Math.PI / 2), bearingText(-0.5), bearingText(3.14)]).toEqual([
    "ahead",
    "90° left",
    "29° right",
    "behind",
  ]);
});

test("each class of pose in doubt has a line of its own, other than that of a well-known pose", () => {
  const lines = ["sliding", "carried", "lost", "good"].map(lineOf);
  expect(lines.at(-1)).toBe("whole");
  expect(new Set(lines).size).toBe(4);
});
