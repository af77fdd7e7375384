import { expect, test } from "vitest";
import { Roster } from "../../tools/tune/lanes.ts";

const tasks = (counts: Readonly<Record<string, number>>) =>
  Object.entries(counts).flatMap(([group, count]) =>
    Array.from({ length: count }, (_, n) => ({ group, name: `${group}${n}` })),
  );

test("each lane begins a recording of its own and goes on with it", () => {
  const roster = new Roster(tasks({ a: 3, b: 2, c: 1 }));
  expect(roster.next("")?.name).toBe("a0");
  expect(roster.next("")?.name).toBe("b0");
  expect(roster.next("a")?.name).toBe("a1");
  expect(roster.next("b")?.name).toBe("b1");
  // Done with its own, it begins another before it helps.
  expect(roster.next("b")?.name).toBe("c0");
  expect(roster.next("a")?.name).toBe("a2");
});

test("with nothing to begin, the one with most left is helped, unless it is done sooner alone", () => {
  const roster = new Roster(tasks({ a: 8, b: 5 }));
  expect([roster.next(""), roster.next("")].map((task) => task?.group)).toEqual(["a", "b"]);
  // A third lane: of a 7 are left, of b 4.
  expect(roster.next("c")?.group).toBe("a");
  for (let left = 6; left > 2; left--) expect(roster.next("a")?.group).toBe("a");
  expect(roster.next("c")?.group).toBe("b");
  expect(roster.next("c")?.group).toBe("b");
  expect(roster.next("c")).toBeUndefined();
  // Those who have prepared them do the rest.
  expect([roster.next("a"), roster.next("a"), roster.next("b"), roster.next("b")].map((task) => task?.name)).toEqual(["a6", "a7", "b3", "b4"]); // biome-ignore format: one line
  expect(roster.next("a")).toBeUndefined();
});

test("every task is given once, whoever asks when", () => {
  const all = tasks({ a: 7, b: 1, c: 12, d: 4 });
  const roster = new Roster(all);
  const lanes = ["", "", ""];
  const given: string[] = [];
  for (let turn = 0, idle = 0; idle < 3; turn++) {
    // Lane 0 asks twice as often as the others.
    const lane = [0, 1, 0, 2][turn % 4]!;
    const task = roster.next(lanes[lane]!);
    idle = task === undefined ? idle + 1 : 0;
    if (task === undefined) continue;
    lanes[lane] = task.group;
    given.push(task.name);
  }
  expect(new Set(given).size).toBe(given.length);
  // Who has prepared a group does it to its end.
  for (const group of lanes) for (let task = roster.next(group); task !== undefined; task = roster.next(group)) given.push(task.name); // biome-ignore format: one line
  expect(given.sort()).toEqual(all.map(({ name }) => name).sort());
});
