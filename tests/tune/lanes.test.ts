import { expect, test } from "vitest";
import { Roster } from "../../tools/tune/lanes.ts";

/** Tasks by group, or by "group poses". */
const tasks = (counts: Readonly<Record<string, number>>) =>
  Object.entries(counts).flatMap(([name, count]) => {
    const [group = "", poses = ""] = name.split(" ");
    return Array.from({ length: count }, (_, n) => ({ group, poses, name: `${group}${poses}${n}` }));
  });

/** A lane that has prepared these. */
const lane = (name: string) => {
  const [group = "", poses = ""] = name.split(" ");
  return { group, poses };
};

test("each lane begins a recording of its own and stays with it", () => {
  const roster = new Roster(tasks({ a: 3, b: 2, c: 1 }));
  expect(roster.next(lane(""))?.name).toBe("a0");
  expect(roster.next(lane(""))?.name).toBe("b0");
  expect(roster.next(lane("a"))?.name).toBe("a1");
  expect(roster.next(lane("b"))?.name).toBe("b1");
  // Done with its own, it begins another before it helps.
  expect(roster.next(lane("b"))?.name).toBe("c0");
  expect(roster.next(lane("a"))?.name).toBe("a2");
});

test("with nothing to begin, the one with most left is helped, unless it is done sooner alone", () => {
  const roster = new Roster(tasks({ a: 8, b: 5 }));
  expect([roster.next(lane("")), roster.next(lane(""))].map((task) => task?.group)).toEqual(["a", "b"]);
  // A third lane: of a 7 are left, of b 4.
  expect(roster.next(lane("c"))?.group).toBe("a");
  for (let left = 6; left > 2; left--) expect(roster.next(lane("a"))?.group).toBe("a");
  expect(roster.next(lane("c"))?.group).toBe("b");
  expect(roster.next(lane("c"))?.group).toBe("b");
  expect(roster.next(lane("c"))).toBeUndefined();
  // Those who have prepared them do the rest.
  expect([roster.next(lane("a")), roster.next(lane("a")), roster.next(lane("b")), roster.next(lane("b"))].map((task) => task?.name)).toEqual(["a6", "a7", "b3", "b4"]); // biome-ignore format: one line
  expect(roster.next(lane("a"))).toBeUndefined();
});

test("every task is given once, whatever the order of requests", () => {
  const all = tasks({ a: 7, b: 1, "c p": 12, "c q": 2, "c r": 9, d: 4 });
  const roster = new Roster(all);
  const lanes = [lane(""), lane(""), lane("")];
  const given: string[] = [];
  for (let turn = 0, idle = 0; idle < 3; turn++) {
    // The first asks twice as often as the others.
    const asking = [0, 1, 0, 2][turn % 4]!;
    const task = roster.next(lanes[asking]!);
    idle = task === undefined ? idle + 1 : 0;
    if (task === undefined) continue;
    lanes[asking] = task;
    given.push(task.name);
  }
  expect(new Set(given).size).toBe(given.length);
  // Who has prepared a group does it to its end.
  for (const one of lanes) for (let task = roster.next(one); task !== undefined; task = roster.next(one)) given.push(task.name); // biome-ignore format: one line
  expect(given.sort()).toEqual(all.map(({ name }) => name).sort());
});

test("a lane with poses first uses them, then finds others of the same recording, and begins another recording last", () => {
  const roster = new Roster(tasks({ "a p": 2, "a q": 1, "b p": 2 }));
  expect(roster.next(lane(""))?.name).toBe("ap0");
  expect(roster.next(lane(""))?.name).toBe("bp0");
  expect(roster.next(lane("a p"))?.name).toBe("ap1");
  expect(roster.next(lane("a p"))?.name).toBe("aq0");
  // Of the other recording one is left: who has it does it sooner alone.
  expect(roster.next(lane("a q"))).toBeUndefined();
  expect(roster.next(lane("b p"))?.name).toBe("bp1");
});

test("a helping lane takes poses that no lane has begun to find, or the batch with most tasks left", () => {
  const roster = new Roster(tasks({ "a p": 9, "a q": 2 }));
  expect(roster.next(lane(""))?.name).toBe("ap0");
  expect(roster.next(lane("b p"))?.name).toBe("aq0");
  expect(roster.next(lane("a q"))?.name).toBe("aq1");
  // Eight are left, worth finding their poses once more; then seven, which are not.
  expect(roster.next(lane("a q"))?.name).toBe("ap1");
  expect(roster.next(lane("c"))).toBeUndefined();
  expect(roster.next(lane("a p"))?.name).toBe("ap2");
});
