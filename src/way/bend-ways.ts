import { cosOf, hypot2, sinOf, square, tanOf } from "../geometry/elementary.ts";
import { wrapAngle } from "../geometry/vec.ts";
import { bend, drivenBack, legsOf, turnedAbout } from "./bend.ts";
import { type GoalField, NEVER, UNIT } from "./goal-field.ts";
import { Lattice, type Seed } from "./lattice.ts";
import { bendMoves, HEADINGS, type Move } from "./moves.ts";
import { endOf, lengthOf, type Piece, type Stand } from "./pieces.ts";
import type { Room } from "./room.ts";

/** Largest turn, radians, between a place and the headings that a bend leads to. Chosen by hand. */
const WIDEST = 1;
/** Cells by which the legs of a bend are longer than they must be; one of them brings it to the middle of a cell. Chosen by hand. */
const LONGER = [1, 4, 8];

/** A bend from or to a place, with the state of the lattice at its other end. */
interface Connection extends Seed {
  readonly pieces: readonly Piece[];
}

/** A part of a way that is driven in one direction, with the place where it ends. */
interface Part {
  readonly pieces: readonly Piece[];
  readonly from: Stand;
  readonly to: Stand;
}

/** Finds ways of straight legs and arcs for a body that cannot turn on the spot. */
export class BendWays {
  readonly #room: Room;
  readonly #radius: number;
  readonly #lattice: Lattice;
  /** Squared clearance, in cells, with which every move is free. */
  readonly #ample: number;

  /** @param radius metres: of the sharpest arc that the base drives */
  constructor(room: Room, radius: number) {
    const { cellSize } = room.ground;
    const moves = bendMoves(room.outline, room.margin, cellSize, radius);
    this.#room = room;
    this.#radius = radius;
    this.#lattice = new Lattice(moves);
    const longest = Math.max(...moves.map(({ col, row }) => hypot2(col, row)));
    this.#ample = Math.ceil(square(room.ample / cellSize + longest / 2 + 1));
  }

  /** A way to a goal, or to the middle of its cell when its heading is free to choose. */
  find(field: GoalField, from: Stand, to: Stand | null, goal: number): Piece[] | null {
    const { ground } = this.#room;
    const seeds = this.#around(field, from);
    const ends = new Map<number, Connection>();
    if (to !== null) {
      for (const end of this.#around(field, to)) ends.set(16 * end.cell + end.heading, end);
    }
    const found = this.#lattice.find({
      ground,
      field,
      seeds,
      ample: this.#ample,
      isGoal: (cell, heading) => (to === null ? cell === goal : ends.has(16 * cell + heading)),
    });
    if (found === null) return null;
    const seed = seeds[found.seed]!;
    const parts = this.#partsOf(seed, found.moves);
    const last = parts.at(-1)!.to;
    const move = found.moves.at(-1);
    const key = 16 * ground.cellAt(last.x, last.y) + (move?.to ?? seed.heading);
    const end = ends.get(key);
    if (end !== undefined) {
      const pieces = drivenBack(end.pieces);
      parts.push({ pieces, from: last, to: endOf(pieces.at(-1) ?? { ...last, curvature: 0, length: 0 }) });
    }
    return joined(this.#shortened(parts).flatMap(({ pieces }) => pieces));
  }

  /** Bends from a place to states of the lattice around, driven ahead and backwards. */
  #around(field: GoalField, at: Stand): Connection[] {
    const about = { ...at, yaw: at.yaw + Math.PI };
    const back = this.#ahead(field, about).map((one) => ({
      ...one,
      heading: (one.heading + 8) & 15,
      pieces: turnedAbout(one.pieces),
    }));
    return [...this.#ahead(field, at), ...back].filter(({ pieces }) =>
      pieces.every((piece) => this.#room.isPieceFree(piece)),
    );
  }

  #ahead(field: GoalField, at: Stand): Connection[] {
    const { ground } = this.#room;
    const { cellSize } = ground;
    const found: Connection[] = [];
    HEADINGS.forEach((yaw, heading) => {
      const turn = wrapAngle(yaw - at.yaw);
      if (Math.abs(turn) > WIDEST) return;
      const least = this.#radius * tanOf(Math.abs(turn) / 2);
      for (const one of LONGER) {
        for (const other of LONGER) {
          const first = least + one * cellSize;
          const second = least + other * cellSize;
          const cell = ground.cellAt(
            at.x + first * cosOf(at.yaw) + second * cosOf(yaw),
            at.y + first * sinOf(at.yaw) + second * sinOf(yaw),
          );
          if (cell < 0 || field.bound(cell) >= NEVER) continue;
          const to = { x: ground.xOf(cell), y: ground.yOf(cell), yaw };
          const pieces = bend(at, to, this.#radius);
          if (pieces === null) continue;
          const cost = Math.round((UNIT * legsOf(at, to, pieces)) / cellSize);
          found.push({ cell, heading, cost, pieces });
        }
      }
    });
    return found;
  }

  #partsOf({ cell, heading, pieces }: Connection, moves: readonly Move[]): Part[] {
    const { ground } = this.#room;
    let at: Stand = { x: ground.xOf(cell), y: ground.yOf(cell), yaw: HEADINGS[heading]! };
    const parts: Part[] = [{ pieces, from: pieces[0] ?? at, to: at }];
    for (const move of moves) {
      const from = at;
      at = {
        x: from.x + move.col * ground.cellSize,
        y: from.y + move.row * ground.cellSize,
        yaw: HEADINGS[move.to]!,
      };
      const placed = move.pieces.map((piece) => ({ ...piece, x: piece.x + from.x, y: piece.y + from.y }));
      parts.push({ pieces: placed, from, to: at });
    }
    return parts;
  }

  /** Replaces parts that are driven ahead by single bends where they are free and shorter. */
  #shortened(parts: readonly Part[]): Part[] {
    const out: Part[] = [];
    for (let i = 0; i < parts.length; ) {
      let best: Part = parts[i]!;
      let next = i + 1;
      let length = lengthOf(best.pieces);
      for (let k = i + 1; k < parts.length && isAhead(parts[i]!) && isAhead(parts[k]!); k++) {
        length += lengthOf(parts[k]!.pieces);
        const pieces = bend(parts[i]!.from, parts[k]!.to, this.#radius);
        if (pieces === null || lengthOf(pieces) > length) continue;
        if (!pieces.every((piece) => this.#room.isPieceFree(piece))) continue;
        best = { pieces, from: parts[i]!.from, to: parts[k]!.to };
        next = k + 1;
      }
      out.push(best);
      i = next;
    }
    return out;
  }
}

const isAhead = ({ pieces }: Part): boolean => pieces.every(({ length }) => length >= 0);

/** Joins pieces of one curvature that are driven in one direction. */
function joined(pieces: readonly Piece[]): Piece[] {
  const out: Piece[] = [];
  for (const piece of pieces) {
    const before = out.at(-1);
    const isSame =
      before !== undefined &&
      Math.abs(before.curvature - piece.curvature) < 1e-9 &&
      before.length > 0 === piece.length > 0;
    if (isSame) out[out.length - 1] = { ...before, length: before.length + piece.length };
    else out.push(piece);
  }
  return out;
}
