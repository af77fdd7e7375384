import { atan2Of, cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import { wrapAngle } from "../geometry/vec.ts";
import { FOOTING } from "../terms/safety.ts";
import { BendWays } from "./bend-ways.ts";
import { CircleCells } from "./circle-cells.ts";
import { Detour } from "./detour.ts";
import { type Bounds, BoundsTo, GoalField, NEVER, UNIT } from "./goal-field.ts";
import type { WayGround } from "./ground.ts";
import { Lattice, type Seed } from "./lattice.ts";
import { type Leg, mergeLegs, plainLegs, smoothLegs } from "./legs.ts";
import { HEADINGS, type Move, spotMoves } from "./moves.ts";
import type { Outline } from "./outline.ts";
import { endOf, type Piece, type Stand } from "./pieces.ts";
import { Room } from "./room.ts";
import { addTurn, roundCorners, turnAtCorners } from "./round-corners.ts";
import { canTurn, legHeading, pullIn, shorten } from "./shorten.ts";
import { measured, type Way } from "./way.ts";
import { type WhyNot, WhyNotFinder } from "./why-not.ts";

/** Metres kept between the outline and what ends the ground. The guard keeps 0.02 m beside a body; the rest is for following. */
export const USUAL_MARGIN = 0.04;

/** A goal: a place, and a heading where it matters. World, metres and radians. */
export interface Goal {
  readonly x: number;
  readonly y: number;
  readonly yaw: number | null;
}

export type WayAnswer =
  | { readonly way: Way; readonly whyNot: null }
  | { readonly way: null; readonly whyNot: WhyNot };

/** Cells around a base from which a search over headings may begin. Chosen by hand. */
const START_REACH = 5;
/** Metres that a base in a narrow place may drive straight on or back before it turns, and between two looks. Chosen by hand. */
const LONGEST_OUT = 4;
const OUT_STEP = 0.1;
/** Largest turn, radians, from a heading to the next one of the lattice: half of the widest gap between two. */
const NEXT_HEADING = 0.24;

/** Bodies whose inner and outer circles differ by less than this share of a cell count as round. Chosen by hand. */
const NEARLY_ROUND = 0.2;

interface Cells {
  readonly start: number;
  readonly goal: number;
}

/** Most states that a search with an old field looks at: then a new field is cheaper. Chosen by hand. */
const DETOUR_LOOKS = 4000;

/** Most cells, and most states, that a search between two places of a way looks at. Chosen by hand: then a new search is cheaper. */
const BRIDGE_LOOKS = 1500;

/** Places of a way between which it is searched anew. */
interface Via {
  readonly begin: Stand;
  readonly end: Stand;
}

/** The same, with the place where the part that is replaced starts. */
interface BridgeEnds extends Via {
  readonly start: Stand;
}

/** A beginning of a search over headings, with the legs that lead to it. */
interface Start extends Seed {
  readonly legs: readonly Leg[];
}

/** Finds ways for one body over one ground. Keeps its buffers from one search to the next. */
export class WayFinder {
  readonly #ground: WayGround;
  readonly #room: Room;
  readonly #field = new GoalField();
  readonly #lattice: Lattice;
  readonly #detour = new Detour();
  /** Null for a base that turns on the spot. */
  readonly #bends: BendWays | null;
  /** Around the floor point, with the margin: the smallest that every heading needs. */
  readonly #circle: CircleCells;
  #cells = new Int32Array(1024);
  /** The goal cell of the field, and the state of the ground when it began. */
  #fieldOf: { goal: number; opened: number; closed: number; moved: number } | null = null;

  /** @param radius metres: of the sharpest arc of a base that cannot turn on the spot; null for one that can */
  constructor(ground: WayGround, outline: Outline, margin = USUAL_MARGIN, radius: number | null = null) {
    this.#ground = ground;
    this.#room = new Room(ground, outline, margin);
    const { inner, outer } = outline;
    const kept = this.#room.ample - outer;
    // A nearly round body turns everywhere.
    const circle = outer - inner < NEARLY_ROUND * ground.cellSize ? outer : inner;
    this.#circle = new CircleCells((circle + kept) / ground.cellSize);
    this.#bends = radius === null ? null : new BendWays(this.#room, radius);
    this.#lattice = new Lattice(spotMoves(outline, margin, ground.cellSize));
  }

  /** The shortest way that keeps the margin, smoothed; or what prevents it. */
  find(from: Stand, to: Goal): WayAnswer {
    const start = this.#cellNear(from);
    const goal = this.#cellNear(to);
    if (start < 0 || goal < 0)
      return none(this.#whyNoCell(start < 0 ? "start" : "goal", start < 0 ? from : to));
    const pieces = this.#again(from, to, { start, goal }) ?? this.#anew(from, to, { start, goal });
    if (pieces === null) return none(new WhyNotFinder(this.#room).explain(start, goal));
    return { way: measured(pieces, this.#room), whyNot: null };
  }

  get room(): Room {
    return this.#room;
  }

  /** Metres of steps over cells, at least, from any cell of a square of the window to the last goal; Infinity where none lead there. */
  leastFrom(col: number, row: number, side: number): number {
    const { cols, rows, cellSize } = this.#ground;
    let least = NEVER;
    for (let r = Math.max(0, row); r < Math.min(rows, row + side); r++) {
      for (let c = Math.max(0, col); c < Math.min(cols, col + side); c++)
        least = Math.min(least, this.#field.bound(r * cols + c));
    }
    return least === NEVER ? Number.POSITIVE_INFINITY : (least / UNIT) * cellSize;
  }

  /**
   * Joins two places of a way to the last goal: straight from `start` to `begin`, by a new search to `end`, and straight on to the target. All of it
   * is pulled straight where there is room.
   * @returns null if nothing is found in a short search, and for a base that cannot turn on the spot
   */
  bridge({ start, begin, end }: BridgeEnds, target: Goal): Piece[] | null {
    const cells = { start: this.#cellNear(begin), goal: this.#cellNear(end) };
    if (this.#bends !== null || cells.start < 0 || cells.goal < 0) return null;
    const field = new BoundsTo(this.#field, this.#ground, cells.goal);
    const search = { ...cells, ground: this.#ground, field, circle: this.#circle };
    const count = this.#detour.find(search, this.#roomForCells(), BRIDGE_LOOKS);
    const pieces = count === 0 ? null : this.#along(start, target, count, { begin, end });
    if (pieces !== null && this.#isFree(pieces)) return pieces;
    const moves = this.#byLattice(begin, end, cells, { field, mostLooks: BRIDGE_LOOKS });
    if (moves === null) return null;
    const last = moves.length === 0 ? begin : endOf(moves.at(-1)!);
    // The goal's cell was reached and not the place itself.
    if (hypot2(last.x - end.x, last.y - end.y) > 1e-6) return null;
    const all = [...straight(start, begin), ...moves, ...straight(end, target)];
    if (target.yaw !== null) addTurn(all, { ...target, yaw: end.yaw }, target.yaw);
    return this.#isFree(all) ? all : null;
  }

  /** The next search begins anew, whatever the last one found out. */
  forget(): void {
    this.#fieldOf = null;
  }

  /** A search with a new field. */
  #anew(from: Stand, to: Goal, { start, goal }: Cells): Piece[] | null {
    const { opened, closed, moved } = this.#ground;
    this.#field.start(this.#ground, goal, this.#circle);
    this.#fieldOf = { goal, opened, closed, moved };
    if (this.#field.at(start) === NEVER) return null;
    if (this.#bends !== null) return this.#bends.find(this.#field, from, withYaw(to), goal);
    return this.#direct(from, to, start) ?? this.#byLattice(from, to, { start, goal });
  }

  /**
   * A search to the same goal with the field of the last one. Ground that has closed since can only make ways longer, so the old costs are
   * still lower bounds. Null where the field is no longer valid, or does not help.
   */
  #again(from: Stand, to: Goal, { start, goal }: Cells): Piece[] | null {
    const ground = this.#ground;
    const old = this.#fieldOf;
    if (old === null || old.goal !== goal || old.opened !== ground.opened || old.moved !== ground.moved)
      return null;
    if (this.#bends !== null || this.#field.bound(start) >= NEVER) return null;
    if (old.closed !== ground.closed) {
      const search = { ground, field: this.#field, start, goal, circle: this.#circle };
      const count = this.#detour.find(search, this.#roomForCells());
      const pieces = count === 0 ? null : this.#along(from, to, count);
      if (count === 0 || pieces !== null) return pieces;
    }
    const isExact = old.closed === ground.closed && this.#field.at(start) < NEVER;
    return (
      (isExact ? this.#direct(from, to, start) : null) ??
      this.#byLattice(from, to, { start, goal }, { mostLooks: DETOUR_LOOKS })
    );
  }

  /** The cell of a place, or a neighbour of it that has room for the inner circle; -1 without one. */
  #cellNear({ x, y }: { readonly x: number; readonly y: number }): number {
    const ground = this.#ground;
    const circle = this.#circle;
    circle.use(ground);
    const own = ground.cellAt(x, y);
    if (own < 0) return -1;
    let best = -1;
    let least = Number.POSITIVE_INFINITY;
    for (let r = -1; r <= 1; r++) {
      for (let c = -1; c <= 1; c++) {
        const cell = own + r * ground.cols + c;
        if (!circle.isFree(ground.squared, cell)) continue;
        const dx = ground.xOf(cell) - x;
        const dy = ground.yOf(cell) - y;
        const apart = dx * dx + dy * dy;
        if (apart < least) {
          least = apart;
          best = cell;
        }
      }
    }
    return best;
  }

  #whyNoCell(which: "start" | "goal", { x, y }: { readonly x: number; readonly y: number }): WhyNot {
    const cell = this.#ground.cellAt(x, y);
    const footing = cell < 0 ? FOOTING.unseen : this.#ground.footing[cell]!;
    if (cell < 0 || this.#ground.squared[cell] === 0)
      return { why: which, x, y, footing, has: null, needs: null };
    const has = Math.max(0, this.#room.freeRadius(x, y));
    return { why: `${which} room`, x, y, footing: null, has, needs: this.#room.least };
  }

  /** A way along the shortest one of the inner circle, if the outline has room on it. */
  #direct(from: Stand, to: Goal, start: number): Piece[] | null {
    return this.#along(from, to, this.#field.trace(start, this.#roomForCells()));
  }

  #roomForCells(): Int32Array {
    const { length } = this.#ground.squared;
    if (this.#cells.length < length) this.#cells = new Int32Array(length);
    return this.#cells;
  }

  /** A way along the first `count` of the cells, pulled straight, if the outline has room on it. */
  #along(from: Stand, to: Goal, count: number, via: Via | null = null): Piece[] | null {
    const ground = this.#ground;
    const points = [from.x, from.y];
    if (via !== null) points.push(via.begin.x, via.begin.y);
    for (let n = 0; n < count; n++) points.push(ground.xOf(this.#cells[n]!), ground.yOf(this.#cells[n]!));
    if (via !== null) points.push(via.end.x, via.end.y);
    points.push(to.x, to.y);
    const chain = Float64Array.from(points);
    const room = this.#room;
    const corners = shorten(room, chain, from.yaw);
    if (corners === null) return null;
    const ends = { yaw: from.yaw, last: to.yaw };
    const last = corners.length / 2 - 1;
    if (
      to.yaw !== null &&
      !canTurn(room, to.x, to.y, last > 0 ? legHeading(corners, last - 1) : from.yaw, to.yaw)
    )
      return null;
    pullIn(room, corners, ends);
    const finish = (pieces: Piece[]): Piece[] => {
      const at = pieces.length === 0 ? from : endOf(pieces.at(-1)!);
      if (to.yaw !== null) addTurn(pieces, at, to.yaw);
      return pieces;
    };
    const round = finish(roundCorners(room, corners, from.yaw));
    // Where an arc at one corner spoils the turn at another, all stay sharp.
    return this.#isFree(round) ? round : finish(turnAtCorners(corners, from.yaw));
  }

  #isFree(pieces: readonly Piece[]): boolean {
    return pieces.every((piece) => this.#room.isPieceFree(piece));
  }

  /** A way by moves of the body, where the direct one has no room for its outline. */
  #byLattice(
    from: Stand,
    to: Goal,
    { start, goal }: Cells,
    { field = this.#field, mostLooks }: { field?: Bounds; mostLooks?: number } = {},
  ): Piece[] | null {
    const room = this.#room;
    const ground = this.#ground;
    const starts = this.#startsAround(from, start);
    const cells = room.ample / ground.cellSize + 1;
    const x = ground.xOf(goal);
    const y = ground.yOf(goal);
    const search = {
      ground,
      field,
      mayTurn:
        room.barred.length === 0
          ? null
          : (cell: number) => !room.isBarred(ground.xOf(cell), ground.yOf(cell)),
      ample: Math.ceil(cells * cells),
      seeds: starts,
      isGoal: (cell: number, heading: number) =>
        cell === goal && (to.yaw === null || canTurn(room, x, y, HEADINGS[heading]!, to.yaw)),
    };
    const found = this.#lattice.find(search, mostLooks);
    if (found === null) return null;
    const legs = legsOf(starts[found.seed]!, found.moves, ground);
    this.#reachGoal(legs, to, { x, y });
    const merged = mergeLegs(room, legs, from.yaw);
    const smooth = smoothLegs(room, merged, from.yaw, to.yaw);
    return this.#isFree(smooth) ? smooth : plainLegs(merged, from.yaw, to.yaw);
  }

  /** Beginnings of a search: legs from where the base stands to cells near by, and straight on or back to where it can turn. */
  #startsAround(from: Stand, start: number): Start[] {
    const { cols } = this.#ground;
    const starts: Start[] = [];
    for (let r = -START_REACH; r <= START_REACH; r++) {
      for (let c = -START_REACH; c <= START_REACH; c++)
        this.#addStarts(starts, [], from, start + r * cols + c);
    }
    for (const isBackward of [false, true]) {
      const leg = this.#wayOut(from, isBackward);
      if (leg === null) continue;
      const cell = this.#ground.cellAt(leg.toX, leg.toY);
      this.#addStarts(starts, [leg], { x: leg.toX, y: leg.toY, yaw: leg.heading }, cell);
    }
    return starts;
  }

  /** The straight leg along the base's own heading to the first place where it can turn freely; null without one. */
  #wayOut({ x, y, yaw }: Stand, isBackward: boolean): Leg | null {
    const room = this.#room;
    const sign = isBackward ? -1 : 1;
    for (let s = OUT_STEP; s <= LONGEST_OUT; s += OUT_STEP) {
      const [toX, toY] = [x + sign * s * cosOf(yaw), y + sign * s * sinOf(yaw)];
      if (!room.isFree({ x: toX, y: toY, yaw })) return null;
      if (room.freeRadius(toX, toY) < room.ample || room.isBarred(toX, toY)) continue;
      return room.isLineFree(x, y, toX, toY, isBackward)
        ? { x, y, toX, toY, heading: yaw, isBackward }
        : null;
    }
    return null;
  }

  /** Adds the ways of reaching a cell from a place straight on, ahead or backwards, with the next headings of the lattice. */
  #addStarts(starts: Start[], before: readonly Leg[], from: Stand, cell: number): void {
    const room = this.#room;
    const ground = this.#ground;
    if (cell < 0 || this.#field.bound(cell) >= NEVER) return;
    const toX = ground.xOf(cell);
    const toY = ground.yOf(cell);
    const far = hypot2(toX - from.x, toY - from.y);
    const ahead = far < 1e-9 ? from.yaw : atan2Of(toY - from.y, toX - from.x);
    const way = before.reduce((sum, leg) => sum + hypot2(leg.toX - leg.x, leg.toY - leg.y), far);
    const cost = Math.round((way / ground.cellSize) * UNIT);
    for (const isBackward of [false, true]) {
      const heading = from.yaw + wrapAngle(ahead + (isBackward ? Math.PI : 0) - from.yaw);
      if (!room.isLineFree(from.x, from.y, toX, toY, isBackward)) continue;
      if (!canTurn(room, from.x, from.y, from.yaw, heading)) continue;
      const legs = [...before, { x: from.x, y: from.y, toX, toY, heading, isBackward }];
      HEADINGS.forEach((yaw, k) => {
        if (Math.abs(wrapAngle(yaw - heading)) > NEXT_HEADING || !canTurn(room, toX, toY, heading, yaw))
          return;
        starts.push({ cell, heading: k, cost, legs });
      });
    }
  }

  /** Adds a leg from the middle of the goal's cell to the goal, where there is room; else the way ends at the middle. */
  #reachGoal(legs: Leg[], to: Goal, { x, y }: { readonly x: number; readonly y: number }): void {
    const room = this.#room;
    if (hypot2(to.x - x, to.y - y) < 1e-6) return;
    const before = legs.at(-1)!.heading;
    const heading = before + wrapAngle(atan2Of(to.y - y, to.x - x) - before);
    const isFree =
      canTurn(room, x, y, before, heading) &&
      room.isLineFree(x, y, to.x, to.y) &&
      (to.yaw === null || canTurn(room, to.x, to.y, heading, to.yaw));
    if (isFree) legs.push({ x, y, toX: to.x, toY: to.y, heading, isBackward: false });
  }
}

/** The legs of a way over the lattice. */
function legsOf({ legs: before, heading: k }: Start, moves: readonly Move[], { cellSize }: WayGround): Leg[] {
  const legs = [...before];
  const last = legs.at(-1)!;
  let heading = last.heading + wrapAngle(HEADINGS[k]! - last.heading);
  let { toX: x, toY: y } = last;
  for (const { col, row, from, to, pieces } of moves) {
    heading += wrapAngle(HEADINGS[to]! - HEADINGS[from]!);
    if (col === 0 && row === 0) continue;
    const toX = x + col * cellSize;
    const toY = y + row * cellSize;
    legs.push({ x, y, toX, toY, heading, isBackward: pieces[0]!.length < 0 });
    [x, y] = [toX, toY];
  }
  return legs;
}

/** The straight drive from a place to another one ahead. */
function straight(from: Stand, to: { readonly x: number; readonly y: number }): Piece[] {
  const length = hypot2(to.x - from.x, to.y - from.y);
  return length < 1e-9 ? [] : [{ ...from, curvature: 0, length }];
}

const withYaw = ({ x, y, yaw }: Goal): Stand | null => (yaw === null ? null : { x, y, yaw });

const none = (whyNot: WhyNot): WayAnswer => ({ way: null, whyNot });
