import { expect, test } from "vitest";
import { BlockGrid, OCCUPIED_FROM, TOP } from "../../src/map/grid.ts";
import { knowledgeOf } from "../../src/service/sensing/map-knowledge.ts";
import { Trail } from "../../src/service/sensing/trail.ts";
import { unpackCodes } from "../../src/wire/image.ts";
import { ageCode, ageOfCode, KNOWN_SIDE } from "../../src/wire/known.ts";

const SECOND = 1e6;
const COLUMNS = (8 * KNOWN_SIDE) ** 2;

/** A trail of a base that is at the origin at revision 1, and a metre away at revision 101, ten seconds later. */
function trail(): Trail {
  const made = new Trail();
  const rotation = [0, 0, 0, 1] as const;
  made.add(0, 1, { rotation, position: [0, 0, 0] }, "held");
  made.add(10 * SECOND, 101, { rotation, position: [1, 0, 0] }, "held");
  return made;
}

test("a block is as old as its newest evidence, between the points of the trail; unseen blocks have no age", () => {
  const grid = new BlockGrid(0.05);
  grid.frame = 51;
  grid.setValue(0, 0, 0, TOP);
  grid.frame = 101;
  grid.setValue(8, 0, 0, TOP);
  grid.frame = 201;
  const { age } = knowledgeOf([0, 0], { grid, trail: trail(), time: 20 * SECOND });
  // Revision 51 is half way between 0 s and 10 s: 15 s before the newest frame.
  expect(ageOfCode(age[0]!)).toBeCloseTo(15, 0);
  expect(ageOfCode(age[1]!)).toBeCloseTo(10, 0);
  expect(age[2]).toBe(0);
});

test("a column is as certain as its most certain occupied voxel; free and undecided ones do not count", () => {
  const grid = new BlockGrid(0.05);
  grid.frame = 1;
  grid.setValue(1, 2, 0, OCCUPIED_FROM);
  grid.setValue(1, 2, 5, TOP);
  grid.setValue(3, 2, 0, OCCUPIED_FROM);
  grid.setValue(4, 2, 0, 0);
  const { sure } = knowledgeOf([0, 0], { grid, trail: trail(), time: SECOND });
  const levels = unpackCodes(sure, COLUMNS);
  const at = (x: number, y: number) => levels[y * 8 * KNOWN_SIDE + x];
  // Log-odds of 4.5 nats are odds of 90 to 1; 1.5 nats are 4.5 to 1.
  expect([at(1, 2), at(3, 2), at(4, 2), at(0, 0)]).toEqual([4, 1, 0, 0]);
});

test("negative squares begin below zero", () => {
  const grid = new BlockGrid(0.05);
  grid.frame = 1;
  grid.setValue(-1, -1, 0, TOP);
  const { sure } = knowledgeOf([-1, -1], { grid, trail: trail(), time: SECOND });
  expect(unpackCodes(sure, COLUMNS)[COLUMNS - 1]).toBe(4);
});

test("codes of ages are within 5 %, or half a second", () => {
  for (const seconds of [0, 0.4, 5, 59, 600, 7000]) {
    const error = Math.abs(ageOfCode(ageCode(seconds)) - seconds);
    expect(error).toBeLessThan(Math.max(0.5, 0.05 * seconds));
  }
});
