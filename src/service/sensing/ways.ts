import { bodyLimits } from "../../guard/body.ts";
import type { FootingView } from "../../guard/footing.ts";
import { SettingError, type Settings } from "../../head/settings.ts";
import { guardSettings } from "../../head/stage-settings.ts";
import { FOOTING_NAMES } from "../../terms/safety.ts";
import { WayGround } from "../../way/ground.ts";
import { Outline } from "../../way/outline.ts";
import { isSpot, type Piece, type Stand } from "../../way/pieces.ts";
import type { Way } from "../../way/way.ts";
import { type Goal, USUAL_MARGIN, WayFinder } from "../../way/way-finder.ts";
import type { WhyNot } from "../../way/why-not.ts";
import { whyNotText } from "../../way/why-not-text.ts";
import type { Answer, Question } from "../../wire/messages.ts";

export type WayQuestion = Extract<Question, { about: "way" }>;
type WayAnswer = Extract<Answer, { about: "way" }>;

/** Searches take at most one part in this number of the thread's time, because frames wait while a search runs. Chosen by hand. */
const SHARE = 10;
/** Metres up to which distances to what ends the ground are exact. Chosen by hand. */
const LIMIT = 1;
/** Metres: with smaller cells a search would take too long. */
const LEAST_CELL = 0.02;
/** Metres around base and goal that a way over unseen floor may use, besides what was seen. Chosen by hand. */
const AROUND = 3;

export interface WayPlace {
  readonly footing: FootingView;
  readonly settings: Settings;
  readonly base: Stand;
}

/** A search that is kept, and the questions for which it is made. */
interface Kept {
  readonly name: string;
  readonly ground: WayGround;
  readonly finder: WayFinder;
  readonly outline: Outline;
}

/** Answers questions for a way. Ground and distances are kept from one question to the next of the same kind. */
export class Ways {
  #kept: Kept | null = null;
  /** Microseconds: no search begins before. */
  #restsUntil = 0;

  /**
   * @param goal in the world
   * @param now  tells microseconds of the head's clock
   * @throws {SettingError} when searches have taken their share of the time, or the map's cells are too small
   */
  answer(question: WayQuestion, goal: Goal, place: WayPlace, now: () => number): WayAnswer {
    const begun = now();
    if (begun < this.#restsUntil) {
      const wait = ((this.#restsUntil - begun) / 1e6).toFixed(1);
      throw new SettingError(`the last way took its share of the head's time; ask again in ${wait} s`);
    }
    const { ground, finder, outline } = this.#finderFor(question, place);
    const { gap } = bodyLimits(guardSettings(place.settings).body);
    const { base } = place;
    fitAround(ground, base.x, base.y);
    if (ground.isPriced) fitAround(ground, goal.x, goal.y);
    // Its outline, with the margin and a cell: it stands there, so the floor under it holds.
    const near = (question.margin ?? USUAL_MARGIN) + ground.cellSize;
    const cos = Math.cos(base.yaw);
    const sin = Math.sin(base.yaw);
    ground.follow(place.footing, gap, (x, y) => {
      const [dx, dy] = [x - base.x, y - base.y];
      return outline.distance(cos * dx + sin * dy, cos * dy - sin * dx) <= near;
    });
    const { way, whyNot } = finder.find(place.base, goal);
    const ended = now();
    this.#restsUntil = ended + (SHARE - 1) * (ended - begun);
    return {
      about: "way",
      way: way === null ? null : wayMessage(way),
      whyNot: whyNot === null ? null : whyNotMessage(whyNot),
    };
  }

  #finderFor(question: WayQuestion, { footing, settings }: WayPlace): Kept {
    const { margin = USUAL_MARGIN } = question;
    const { cellSize } = footing;
    if (cellSize < LEAST_CELL) {
      throw new SettingError(`a way needs a map.voxelSize of ${LEAST_CELL} m or more, it is ${cellSize} m`);
    }
    const footprint = settings["body.footprint"];
    const name = JSON.stringify([
      cellSize,
      footprint,
      margin,
      question.radius,
      question.unseen,
      question.doubtful,
    ]);
    if (this.#kept?.name === name) return this.#kept;
    const outline = new Outline(guardSettings(settings).body.footprint);
    const { unseen = Number.POSITIVE_INFINITY, doubtful = Number.POSITIVE_INFINITY } = question;
    const ground = new WayGround(cellSize, outline.outer + margin, LIMIT, { unseen, doubtful });
    this.#kept = { name, ground, outline, finder: new WayFinder(ground, outline, margin, question.radius) };
    return this.#kept;
  }
}

function fitAround(ground: WayGround, x: number, y: number): void {
  const cells = Math.ceil(AROUND / ground.cellSize);
  const col = Math.floor(x / ground.cellSize) - cells;
  const row = Math.floor(y / ground.cellSize) - cells;
  ground.fit(col, row, 2 * cells + 1, 2 * cells + 1);
}

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
