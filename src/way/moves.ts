import { atan2Of, cosOf, sinOf, tanOf } from "../geometry/elementary.ts";
import { wrapAngle } from "../geometry/vec.ts";
import { bend, legsOf as bendLegs, turnedAbout } from "./bend.ts";
import { CellSum } from "./cell-sum.ts";
import { STEP_COST, STEPS, UNIT } from "./goal-field.ts";
import type { Outline } from "./outline.ts";
import { endOf, type Piece, type Stand, standAfter } from "./pieces.ts";
import { keptMargin } from "./room.ts";

/** Headings of the lattice: those of the steps, radians, counter-clockwise from 0. */
export const HEADINGS: readonly number[] = STEPS.map(([c, r], k) => {
  const yaw = atan2Of(r, c);
  return k > 8 ? yaw + 2 * Math.PI : yaw;
});

/** Cost of a metre backwards, in metres ahead: cameras look ahead. Chosen by hand. */
const BACKWARD = 1.5;
/** Cost of turning on the spot by one heading: low, so that the length decides; chosen by hand. */
const TURN_COST = 64;
/** Cells by which the legs of a bend may be longer than the radius needs. Chosen by hand. */
const LONGEST_LEGS = 12;
/** Share of a cell by which the farthest corner moves between two places of a sweep. */
const SWEEP_STEP = 0.5;

/** A move from one state of the lattice to another. */
export interface Move {
  /** Headings before and after, and the step in cells. */
  readonly from: number;
  readonly to: number;
  readonly col: number;
  readonly row: number;
  readonly cost: number;
  /** Its pieces, from the origin, in metres. */
  readonly pieces: readonly Piece[];
  /** Cells that the outline with its margin touches on the move, from the cell at its start: columns and rows in turn. */
  readonly swept: Int16Array;
}

/** Makes moves, each with the cells that it sweeps. */
class MoveMaker {
  readonly moves: Move[] = [];
  readonly #sum: CellSum;
  readonly #swept: Swept;

  constructor(outline: Outline, margin: number, cellSize: number) {
    this.#sum = new CellSum(outline, cellSize);
    this.#swept = { outline, kept: keptMargin(margin, cellSize / 2), cellSize };
  }

  add(move: Omit<Move, "swept">): void {
    this.moves.push({ ...move, swept: sweptCells(move.pieces, this.#sum, this.#swept) });
  }

  /** Adds a move ahead, and the same curve driven with the rear ahead. */
  addBothWays(move: Omit<Move, "swept">): void {
    this.add(move);
    const about = (heading: number): number => (heading + 8) & 15;
    this.add({
      ...move,
      from: about(move.from),
      to: about(move.to),
      cost: Math.round(BACKWARD * move.cost),
      pieces: turnedAbout(move.pieces),
    });
  }
}

/** A step ahead along a heading. */
function stepAlong(from: number, cellSize: number): Omit<Move, "swept"> {
  const [col, row] = STEPS[from]!;
  const length = cellSize * Math.sqrt(col * col + row * row);
  const pieces = [{ x: 0, y: 0, yaw: HEADINGS[from]!, curvature: 0, length }];
  return { from, to: from, col, row, cost: STEP_COST[from]!, pieces };
}

/** Moves of a body that turns on the spot: a step ahead or back along each heading, and a turn to either side. */
export function spotMoves(outline: Outline, margin: number, cellSize: number): Move[] {
  const maker = new MoveMaker(outline, margin, cellSize);
  HEADINGS.forEach((yaw, from) => {
    maker.addBothWays(stepAlong(from, cellSize));
    for (const side of [1, 15]) {
      const to = (from + side) & 15;
      const length = wrapAngle(HEADINGS[to]! - yaw);
      const pieces = [{ x: 0, y: 0, yaw, curvature: Number.POSITIVE_INFINITY, length }];
      maker.add({ from, to, col: 0, row: 0, cost: TURN_COST, pieces });
    }
  });
  return maker.moves;
}

/**
 * Moves of a body that cannot turn on the spot: a step ahead or back along each heading, and the shortest bend to the heading on either side that ends at
 * the middle of a cell. Source of such lattices: Pivtoraiko & Kelly 2005, "Generating near minimal spanning control sets for constrained motion planning
 * in discrete state spaces", IROS.
 */
export function bendMoves(outline: Outline, margin: number, cellSize: number, radius: number): Move[] {
  const maker = new MoveMaker(outline, margin, cellSize);
  HEADINGS.forEach((yaw, from) => {
    maker.addBothWays(stepAlong(from, cellSize));
    for (const side of [1, 15]) {
      const to = (from + side) & 15;
      const found = shortestBend(yaw, HEADINGS[to]!, cellSize, radius);
      maker.addBothWays({ ...found, from, to });
    }
  });
  return maker.moves;
}

function shortestBend(
  yaw: number,
  to: number,
  cellSize: number,
  radius: number,
): Pick<Move, "col" | "row" | "cost" | "pieces"> {
  const origin = { x: 0, y: 0, yaw };
  // The legs must be at least so long; a few cells more bring the end to the middle of a cell.
  const least = radius * tanOf(Math.abs(wrapAngle(to - yaw)) / 2);
  let best: Pick<Move, "col" | "row" | "cost" | "pieces"> | null = null;
  for (let i = 0; i <= LONGEST_LEGS; i++) {
    for (let j = 0; j <= LONGEST_LEGS; j++) {
      const first = least + i * cellSize;
      const second = least + j * cellSize;
      const col = Math.round((first * cosOf(yaw) + second * cosOf(to)) / cellSize);
      const row = Math.round((first * sinOf(yaw) + second * sinOf(to)) / cellSize);
      const target = { x: col * cellSize, y: row * cellSize, yaw: to };
      const pieces = bend(origin, target, radius);
      if (pieces === null) continue;
      const cost = Math.round((UNIT * bendLegs(origin, target, pieces)) / cellSize);
      if (cost < (best?.cost ?? Number.POSITIVE_INFINITY)) best = { col, row, cost, pieces };
    }
  }
  if (best === null) throw new RangeError(`no bend of ${radius} m between two headings`);
  return best;
}

interface Swept {
  readonly outline: Outline;
  readonly kept: number;
  readonly cellSize: number;
}

/** The cells that an outline touches along pieces from the origin, the middle of a cell. */
function sweptCells(pieces: readonly Piece[], sum: CellSum, { outline, kept, cellSize }: Swept): Int16Array {
  // Marks of cells within reach of the move's pieces.
  const ends = [...pieces, ...pieces.map(endOf)];
  const far = Math.max(...ends.map(({ x, y }) => Math.max(Math.abs(x), Math.abs(y))));
  const reach = Math.ceil((far + outline.outer + kept) / cellSize) + 2;
  const side = 2 * reach + 1;
  const marks = new Uint8Array(side * side);
  const mark = ({ x, y, yaw }: Stand): void => {
    sum.turnTo(yaw);
    const lastC = Math.floor((x + sum.maxX + kept) / cellSize);
    const lastR = Math.floor((y + sum.maxY + kept) / cellSize);
    const firstC = Math.ceil((x + sum.minX - kept) / cellSize);
    for (let r = Math.ceil((y + sum.minY - kept) / cellSize); r <= lastR; r++) {
      for (let c = firstC; c <= lastC; c++) {
        const n = (r + reach) * side + c + reach;
        if (marks[n] === 0 && sum.distance(c * cellSize - x, r * cellSize - y) < kept) marks[n] = 1;
      }
    }
  };
  for (const piece of pieces) {
    const lever =
      piece.curvature === Number.POSITIVE_INFINITY
        ? outline.outer
        : 1 + outline.outer * Math.abs(piece.curvature);
    const count = Math.max(1, Math.ceil((Math.abs(piece.length) * lever) / (SWEEP_STEP * cellSize)));
    for (let n = 0; n <= count; n++) mark(standAfter(piece, (piece.length * n) / count));
  }
  const cells: number[] = [];
  for (let n = 0; n < marks.length; n++) {
    if (marks[n] === 1) cells.push((n % side) - reach, Math.floor(n / side) - reach);
  }
  return Int16Array.from(cells);
}
