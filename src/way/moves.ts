import { atan2Of } from "../geometry/elementary.ts";
import { wrapAngle } from "../geometry/vec.ts";
import { CellSum } from "./cell-sum.ts";
import { STEP_COST, STEPS } from "./goal-field.ts";
import type { Outline } from "./outline.ts";
import { type Piece, type Stand, standAfter } from "./pieces.ts";
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
/** Share of a cell by which the farthest corner moves between two places of a sweep. */
const SWEEP_STEP = 0.25;

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

/** Moves of a body that turns on the spot: a step ahead or back along each heading, and a turn to either side. */
export function spotMoves(outline: Outline, margin: number, cellSize: number): Move[] {
  const sum = new CellSum(outline, cellSize);
  const moves: Move[] = [];
  HEADINGS.forEach((yaw, from) => {
    const [col, row] = STEPS[from]!;
    const length = cellSize * Math.sqrt(col * col + row * row);
    const add = (move: Omit<Move, "from" | "swept">): void => {
      const kept = keptMargin(margin, cellSize / 2);
      moves.push({ ...move, from, swept: sweptCells(move.pieces, sum, { outline, kept, cellSize }) });
    };
    const cost = STEP_COST[from]!;
    const origin = { x: 0, y: 0, yaw };
    add({ to: from, col, row, cost, pieces: [{ ...origin, curvature: 0, length }] });
    const backward = Math.round(BACKWARD * cost);
    const back = [{ ...origin, curvature: 0, length: -length }];
    add({ to: from, col: -col, row: -row, cost: backward, pieces: back });
    for (const side of [1, 15]) {
      const to = (from + side) & 15;
      const turn = wrapAngle(HEADINGS[to]! - yaw);
      const pieces = [{ ...origin, curvature: Number.POSITIVE_INFINITY, length: turn }];
      add({ to, col: 0, row: 0, cost: TURN_COST, pieces });
    }
  });
  return moves;
}

interface Swept {
  readonly outline: Outline;
  readonly kept: number;
  readonly cellSize: number;
}

/** The cells that an outline touches along pieces from the origin, the middle of a cell. */
function sweptCells(pieces: readonly Piece[], sum: CellSum, { outline, kept, cellSize }: Swept): Int16Array {
  const found = new Set<number>();
  const mark = ({ x, y, yaw }: Stand): void => {
    sum.turnTo(yaw);
    const lastC = Math.floor((x + sum.maxX + kept) / cellSize);
    const lastR = Math.floor((y + sum.maxY + kept) / cellSize);
    for (let r = Math.ceil((y + sum.minY - kept) / cellSize); r <= lastR; r++) {
      for (let c = Math.ceil((x + sum.minX - kept) / cellSize); c <= lastC; c++) {
        if (sum.distance(c * cellSize - x, r * cellSize - y) < kept) found.add((r + 256) * 512 + c + 256);
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
  const keys = [...found];
  return Int16Array.from(keys.flatMap((key) => [(key % 512) - 256, Math.floor(key / 512) - 256]));
}
