import { expect, test } from "vitest";
import type { Damage, OutlineEvent } from "../../src/record/reader.ts";
import { LostParts } from "../../src/service/playing/lost-parts.ts";

/** A recording with an event at each time, and damage of `bytes` before the events named. */
function recordingOf(times: readonly number[], before: Readonly<Record<number, number>>) {
  const damage: Damage[] = [];
  const lose = (n: number): void => {
    if (before[n] !== undefined) damage.push({ offset: 0, length: before[n], reason: `damage ${n}` });
  };
  function* outline(): Generator<OutlineEvent, void, undefined> {
    for (const [n, time] of times.entries()) {
      lose(n);
      yield { kind: "depth", time };
    }
    lose(times.length);
  }
  return { damage, outline };
}

test("damage lies between the events around it, in microseconds from the start", () => {
  const lost = new LostParts(recordingOf([1000, 1100, 1500, 1600], { 2: 64, 4: 8 }));
  expect([...lost.events()]).toHaveLength(4);
  expect(lost.found).toEqual([
    { from: 100, to: 500, bytes: 64, why: "damage 2" },
    { from: 600, to: null, bytes: 8, why: "damage 4" },
  ]);
});

test("damage before the first event has no start; a recording without damage has no parts", () => {
  const lost = new LostParts(recordingOf([1000, 1100], { 0: 5 }));
  for (const _ of lost.events());
  expect(lost.found).toEqual([{ from: null, to: 0, bytes: 5, why: "damage 0" }]);
  const whole = new LostParts(recordingOf([1000], {}));
  for (const _ of whole.events());
  expect(whole.found).toEqual([]);
});

test("of very many damages the last part covers the rest", () => {
  const times = Array.from({ length: 300 }, (_, n) => 10 * n);
  const lost = new LostParts(recordingOf(times, Object.fromEntries(times.map((_, n) => [n, 1]))));
  for (const _ of lost.events());
  expect(lost.found).toHaveLength(100);
  expect(lost.found.at(-1)).toMatchObject({ to: 2990, bytes: 201, why: "many damages from here on" });
});
