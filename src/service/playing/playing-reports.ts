import { addCounts, type EventTotals, type FromSensing } from "../sensing/sensing-messages.ts";
import type { Moment, Outline } from "./moments.ts";
import type { FromPlaying, Position } from "./playing-messages.ts";
import type { RunAhead } from "./run-ahead.ts";

type SensedLoad = Extract<FromSensing, { readonly kind: "load" }>;

/** Microseconds between two reports of the position, and between two of moments or load. */
const POSITION_EVERY = 100_000;
const MOMENTS_EVERY = 500_000;
/** Share of the recording between two reports of the head ahead. */
const AHEAD_EVERY = 0.1;

/** The periodic reports of a played head: its position in the recording, the recording's moments, and its load. */
export class PlayingReports {
  readonly #outline: Outline;
  readonly #say: (message: FromPlaying) => void;
  readonly #marks: Moment[] = [];
  /** Size of the head's map, and events since the last report. */
  #size = { blocks: 0, revision: 0 };
  #events: EventTotals = {};
  /** Milliseconds of work since the last report of the load, and the time of that report. */
  #worked = 0;
  #loadSince: number;
  /** Microseconds: times of the last reports of position and moments. */
  #positionAt = 0;
  #momentsAt = Number.NEGATIVE_INFINITY;
  #areMomentsNew = true;
  /** Shares of the recording that the heads ahead had done at the last report, with the present settings and with the baseline's. */
  #ahead = 0;
  #aheadBefore = 0;

  /** @param now microseconds of the head's clock */
  constructor(outline: Outline, say: (message: FromPlaying) => void, now: number) {
    this.#outline = outline;
    this.#say = say;
    this.#loadSince = now;
  }

  /** Adds a person's mark, microseconds from the start. */
  mark(at: number, text: string): void {
    this.#marks.push({ at, what: "mark", text });
    this.#areMomentsNew = true;
  }

  /** Notes that another head runs ahead, whose moments replace those of the last one. */
  restartAhead(): void {
    this.#ahead = this.#aheadBefore = 0;
    this.#areMomentsNew = true;
  }

  addWork(milliseconds: number): void {
    this.#worked += milliseconds;
  }

  /** Takes the head's load. @param isCounted false while the head only catches up, with events that were counted before */
  takeLoad({ blocks, revision, events }: SensedLoad, isCounted: boolean): void {
    this.#size = { blocks, revision };
    if (isCounted) addCounts(this.#events, events);
  }

  /**
   * Reports what is due.
   * @param now    microseconds of the head's clock
   * @param before the head ahead with the baseline's settings; null while nothing is compared
   */
  report(now: number, position: Position, ahead: RunAhead, before: RunAhead | null): void {
    const isMoving = position.speed > 0 || position.goal !== null;
    if (isMoving && now - this.#positionAt >= POSITION_EVERY) this.tellPosition(now, position);
    if (isDue(ahead, this.#ahead) || (before !== null && isDue(before, this.#aheadBefore))) {
      this.#areMomentsNew = true;
    }
    if (this.#areMomentsNew && now - this.#momentsAt >= MOMENTS_EVERY) this.#tellMoments(now, ahead, before);
    if (now - this.#loadSince >= MOMENTS_EVERY) this.#tellLoad(now);
  }

  tellPosition(now: number, position: Position): void {
    this.#positionAt = now;
    this.#say({ kind: "playing", ...position });
  }

  #tellMoments(now: number, ahead: RunAhead, before: RunAhead | null): void {
    this.#areMomentsNew = false;
    this.#momentsAt = now;
    this.#ahead = ahead.share;
    this.#aheadBefore = before?.share ?? 0;
    const { frames, first, last, moments, lost, world } = this.#outline;
    this.#say({
      kind: "recording",
      length: last - first,
      frames: frames.length,
      moments: [...moments, ...ahead.moments, ...this.#marks].sort((a, b) => a.at - b.at),
      lost,
      known: ahead.share,
      curve: ahead.curve,
      before: before && { known: before.share, curve: before.curve },
      world,
    });
  }

  #tellLoad(now: number): void {
    const busy = Math.min(1, (1000 * this.#worked) / (now - this.#loadSince));
    this.#say({ kind: "load", busy, shed: 0, isHot: false, ...this.#size, events: this.#events, leftOut: 0 });
    this.#events = {};
    this.#worked = 0;
    this.#loadSince = now;
  }
}

/** Whether a head ahead is to be reported again. @param told its share at the last report */
const isDue = ({ share, isDone }: RunAhead, told: number): boolean =>
  share > told && (isDone || share - told >= AHEAD_EVERY);
