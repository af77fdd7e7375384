import { CELLS, TILE_BITS, tileKey } from "../../guard/footing-tile.ts";
import { SettingError } from "../../head/settings.ts";
import { FOOTING_NAMES } from "../../terms/safety.ts";
import { LEAST_PRICE, USUAL_LOOK } from "../../terms/ways.ts";
import { WayGround } from "../../way/ground.ts";
import { LookFinder } from "../../way/next-look.ts";
import { Outline } from "../../way/outline.ts";
import { isSpot, type Piece } from "../../way/pieces.ts";
import type { Way } from "../../way/way.ts";
import { type WayAnswer as FoundWay, USUAL_MARGIN, WayFinder } from "../../way/way-finder.ts";
import { WayKeeper } from "../../way/way-keeper.ts";
import type { WhyNot } from "../../way/why-not.ts";
import { whyNotText } from "../../way/why-not-text.ts";
import type { PlacedGoal } from "../../wire/messages.ts";
import type { FloorPatch } from "./floor-changes.ts";
import type {
  FromWays,
  LookAnswer,
  LookOrder,
  ToWays,
  WayAnswer,
  WayOrder,
  WayState,
} from "./way-messages.ts";

const SIDE = 1 << TILE_BITS;
/** Searches take at most 1 / SHARE of the thread's time, so that a client that always asks does not slow down a small board. */
const SHARE = 2;
/** Most grounds that are kept: at 1,000 m2 one takes 4 MB. */
const MOST_KEPT = 4;
/** Metres up to which distances to what ends the ground are exact. Chosen by hand. */
const LIMIT = 1;
/** Metres: with smaller cells a search would take too long. */
const LEAST_CELL = 0.02;
/** Metres around base and goal that a way over unseen floor may use, besides what was seen. Chosen by hand. */
const AROUND = 3;

/** A ground that is kept, with a search on it, and the questions for which it is made. */
interface Kept {
  readonly name: string;
  readonly ground: WayGround;
  readonly finder: WayFinder;
  readonly outline: Outline;
  readonly margin: number;
  readonly radius: number | null;
}

/** A goal that is watched. */
interface Watched {
  readonly goal: PlacedGoal;
  /** Null before the first look, and what it was made for. */
  keeper: WayKeeper | null;
  kept: Kept | null;
  /** The answer that was told last. */
  told: FoundWay | null;
}

/** A square of the floor, `CELLS` cells. */
interface FloorSquare {
  readonly col: number;
  readonly row: number;
  readonly cells: Uint8Array;
}

/** Answers questions for a way over a copy of the floor. Distances are kept from one question to the next of the same kind. */
export class WayDesk {
  readonly #say: (message: FromWays) => void;
  readonly #now: () => number;
  readonly #floor = new Map<number, FloorSquare>();
  /** The grounds that were used last, the newest one last. */
  #kept: readonly Kept[] = [];
  readonly #watched = new Map<number, Watched>();
  /** Microseconds: no search begins before. */
  #restsUntil = 0;

  /** @param now tells microseconds of the head's clock */
  constructor(say: (message: FromWays) => void, now: () => number) {
    this.#say = say;
    this.#now = now;
  }

  take(message: ToWays): void {
    switch (message.kind) {
      case "floor":
        this.#takeFloor(message);
        break;
      case "ask":
        this.#ask(message);
        break;
      case "watch":
        if (message.goal === null) this.#watched.delete(message.watch);
        else this.#watched.set(message.watch, { goal: message.goal, keeper: null, kept: null, told: null });
        break;
      case "look":
        if (this.#now() >= this.#restsUntil)
          for (const [watch, one] of this.#watched) this.#look(watch, one, message);
        break;
      default:
        message satisfies never;
    }
  }

  #takeFloor({ places, cells }: FloorPatch): void {
    for (let n = 0; 2 * n < places.length; n++) {
      const [col, row] = [places[2 * n]!, places[2 * n + 1]!];
      const square = { col, row, cells: cells.subarray(CELLS * n, CELLS * (n + 1)) };
      this.#floor.set(tileKey(col, row), square);
      for (const { ground } of this.#kept) put(ground, square);
    }
  }

  #ask({ ticket, time, revision, order }: Extract<ToWays, { kind: "ask" }>): void {
    try {
      this.#say({ kind: "answer", ticket, time, revision, answer: this.#answer(order) });
    } catch (error) {
      if (!(error instanceof SettingError || error instanceof RangeError)) throw error;
      this.#say({ kind: "refused", ticket, message: error.message });
    }
  }

  /** @throws {SettingError} when searches have taken their share of the time, or the map's cells are too small */
  #answer(order: WayOrder | LookOrder): WayAnswer | LookAnswer {
    const begun = this.#now();
    if (begun < this.#restsUntil) {
      const wait = ((this.#restsUntil - begun) / 1e6).toFixed(1);
      throw new SettingError(`the last way took its share of the head's time; ask again in ${wait} s`);
    }
    const answer = "goal" in order ? this.#findWay(order) : this.#findLook(order);
    this.#rest(begun);
    return answer;
  }

  #findWay(order: WayOrder): WayAnswer {
    const kept = this.#keptFor(order);
    this.#prepare(kept, order);
    kept.finder.room.barred = order.question.noTurn ?? [];
    return answerOf(kept.finder.find(order.base, order.goal));
  }

  #findLook({ question, ...body }: LookOrder): LookAnswer {
    const { margin, reach = USUAL_LOOK.reach, width = USUAL_LOOK.width, inVain = [] } = question;
    const wish = margin === undefined ? {} : { margin };
    const firm = this.#keptFor({ ...body, question: wish });
    const open = this.#keptFor({
      ...body,
      question: { ...wish, unseen: LEAST_PRICE, doubtful: LEAST_PRICE },
    });
    for (const kept of [firm, open])
      this.#prepare(kept, { base: body.base, goal: { ...body.base, yaw: null } });
    const finder = new LookFinder(firm.finder.room, open.finder.room);
    const { next, unseen, left } = finder.find(body.base, { reach, width }, inVain);
    return {
      about: "look",
      next: next && {
        to: [next.x, next.y],
        heading: next.yaw,
        gain: next.gain,
        length: next.way,
        at: next.at,
      },
      unseen,
      left: left.map(({ x, y, length, whyNot }) => ({
        point: [x, y],
        length,
        text: whyNot === null ? null : whyNotText(whyNot),
      })),
    };
  }

  /** Looks at a watched way again, and tells it if it has changed. */
  #look(watch: number, one: Watched, { time, revision, ...state }: WayState): void {
    const begun = this.#now();
    const { goal } = one;
    const to = { x: goal.to[0], y: goal.to[1], yaw: goal.heading ?? null };
    const order = { ...state, question: goal, goal: to };
    let kept: Kept;
    try {
      kept = this.#keptFor(order);
    } catch (error) {
      // Cells or prices that no question can be answered for: there is nothing to tell.
      if (error instanceof SettingError || error instanceof RangeError) return;
      throw error;
    }
    this.#prepare(kept, order);
    if (one.keeper === null || one.kept !== kept) {
      // A finder of its own: it keeps the costs to its goal.
      const finder = new WayFinder(kept.ground, kept.outline, kept.margin, kept.radius);
      finder.room.barred = goal.noTurn ?? [];
      one.keeper = new WayKeeper(finder);
      one.kept = kept;
    }
    const found = one.keeper.update(state.base, to);
    this.#rest(begun);
    if (found === one.told) return;
    one.told = found;
    this.#say({ kind: "way", watch, time, revision, to: goal.to, answer: answerOf(found) });
  }

  /** Brings a ground up to date with the place of the base. */
  #prepare({ ground, outline, margin }: Kept, { base, goal }: Pick<WayOrder, "base" | "goal">): void {
    fitAround(ground, base.x, base.y);
    if (ground.isPriced) fitAround(ground, goal.x, goal.y);
    // Its outline, with the margin and a cell: it stands there, so the floor under it holds.
    const near = margin + ground.cellSize;
    const cos = Math.cos(base.yaw);
    const sin = Math.sin(base.yaw);
    ground.stand(base.x, base.y, outline.outer + near, (x, y) => {
      const [dx, dy] = [x - base.x, y - base.y];
      return outline.distance(cos * dx + sin * dy, cos * dy - sin * dx) <= near;
    });
    ground.update();
  }

  #rest(begun: number): void {
    const ended = this.#now();
    this.#restsUntil = ended + (SHARE - 1) * (ended - begun);
  }

  #keptFor({ question, footprint, gap, cellSize }: Omit<WayOrder, "goal">): Kept {
    const { margin = USUAL_MARGIN, radius = null } = question;
    const { unseen = Number.POSITIVE_INFINITY, doubtful = Number.POSITIVE_INFINITY } = question;
    if (cellSize < LEAST_CELL) {
      throw new SettingError(`a way needs a map.voxelSize of ${LEAST_CELL} m or more, it is ${cellSize} m`);
    }
    const name = JSON.stringify([
      cellSize,
      gap,
      footprint,
      margin,
      radius,
      question.unseen,
      question.doubtful,
    ]);
    const known = this.#kept.find((kept) => kept.name === name);
    if (known !== undefined) {
      this.#kept = [...this.#kept.filter((kept) => kept !== known), known];
      return known;
    }
    const outline = new Outline(footprint);
    const body = outline.outer + margin;
    const ground = new WayGround(cellSize, { body, limit: LIMIT, prices: { unseen, doubtful }, gap });
    fitAll(ground, [...this.#floor.values()]);
    for (const square of this.#floor.values()) put(ground, square);
    const finder = new WayFinder(ground, outline, margin, radius);
    const kept = { name, ground, outline, margin, radius, finder };
    this.#kept = [...this.#kept, kept].slice(-MOST_KEPT);
    return kept;
  }
}

const put = (ground: WayGround, { col, row, cells }: FloorSquare): void =>
  ground.take(col * SIDE, row * SIDE, SIDE, cells);

/** Enlarges the window once for all squares. */
function fitAll(ground: WayGround, squares: readonly FloorSquare[]): void {
  if (squares.length === 0) return;
  const cols = squares.map(({ col }) => col);
  const rows = squares.map(({ row }) => row);
  const [col, row] = [Math.min(...cols), Math.min(...rows)];
  const across = Math.max(...cols) + 1 - col;
  const along = Math.max(...rows) + 1 - row;
  ground.fit(col * SIDE, row * SIDE, across * SIDE, along * SIDE);
}

function fitAround(ground: WayGround, x: number, y: number): void {
  const cells = Math.ceil(AROUND / ground.cellSize);
  const col = Math.floor(x / ground.cellSize) - cells;
  const row = Math.floor(y / ground.cellSize) - cells;
  ground.fit(col, row, 2 * cells + 1, 2 * cells + 1);
}

const answerOf = ({ way, whyNot }: FoundWay): WayAnswer => ({
  about: "way",
  way: way === null ? null : wayMessage(way),
  whyNot: whyNot === null ? null : whyNotMessage(whyNot),
});

const pieceMessage = (piece: Piece) => ({
  from: [piece.x, piece.y, piece.yaw] as const,
  curvature: isSpot(piece) ? null : piece.curvature,
  length: piece.length,
});

function wayMessage({ pieces, length, turning, room, gap, slow }: Way): NonNullable<WayAnswer["way"]> {
  return {
    pieces: pieces.map(pieceMessage),
    length,
    turning,
    room,
    gap: gap === null ? null : { point: [gap.x, gap.y], width: gap.width },
    slow,
  };
}

function whyNotMessage(whyNot: WhyNot): NonNullable<WayAnswer["whyNot"]> {
  const { why, x, y, footing, has, needs } = whyNot;
  return {
    why,
    point: [x, y],
    footing: footing === null ? null : FOOTING_NAMES[footing]!,
    has,
    needs,
    text: whyNotText(whyNot),
  };
}
