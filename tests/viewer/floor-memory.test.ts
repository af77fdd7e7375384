import { expect, test } from "vitest";
import { FOOTING } from "../../src/terms/safety.ts";
import { type FloorCells, FloorMemory } from "../../src/viewer/floor-memory.ts";

const square = (col: number, row: number, code: number) => ({
  col,
  row,
  width: 4,
  height: 4,
  cell: 0.05,
  cells: new Uint8Array(16).fill(code),
});
const codeAt = ({ col, row, width, cells }: FloorCells, x: number, y: number) =>
  cells[(y - row) * width + x - col];

test("floor that the robot has left stays as it was last reported; newer reports replace it", () => {
  const memory = new FloorMemory();
  memory.addCells(square(0, 0, FOOTING.gone));
  const all = memory.addCells(square(2, -9, FOOTING.firm));
  expect(codeAt(all, 0, 0)).toBe(FOOTING.gone);
  expect(codeAt(all, 2, -9)).toBe(FOOTING.firm);
  expect(codeAt(all, 0, -9)).toBe(FOOTING.unseen);
  const later = memory.addCells(square(2, 2, FOOTING.unseen));
  expect(codeAt(later, 3, 3)).toBe(FOOTING.unseen);
  expect(codeAt(later, 1, 1)).toBe(FOOTING.gone);
});

test("another map forgets the floor", () => {
  const memory = new FloorMemory();
  memory.addCells(square(0, 0, FOOTING.gone));
  memory.forget();
  const all = memory.addCells(square(4, 0, FOOTING.firm));
  expect(all.cells).not.toContain(FOOTING.gone);
});

const edge = (...points: (readonly [number, number])[]) => ({
  points,
  drop: 0.3,
  confidence: 1,
  error: 0.02,
});

test("edges beyond the reported area stay; nearer ones are those of the newest message", () => {
  const memory = new FloorMemory();
  memory.addBrinks([edge([0, 1], [0.2, 1], [0.4, 1])], [0, 0], 3);
  // Seen again, and corrected.
  expect(memory.addBrinks([edge([0, 1.1], [0.4, 1.1])], [0, 0], 3)).toEqual([edge([0, 1.1], [0.4, 1.1])]);
  // Left behind.
  expect(memory.addBrinks([], [9, 0], 3)).toEqual([edge([0, 1.1], [0.4, 1.1])]);
  // Looked at again from near, and found to be none.
  expect(memory.addBrinks([], [0, 0], 3)).toEqual([]);
});
