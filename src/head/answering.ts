import type { Guard } from "../guard/guard.ts";
import type { Brink } from "../map/brink-lines.ts";
import { PLACE_HOLDS, POSE_WAIT } from "../terms/freshness.ts";
import type { Ground } from "./ground.ts";
import { listOf } from "./lists.ts";
import type { ReachOutput } from "./outputs.ts";
import type { Located } from "./pose-sources.ts";
import type { Settings } from "./settings.ts";
import { MICROSECONDS } from "./stage-settings.ts";

/** Inputs of an answer, except for the place. */
export interface AnswerInputs {
  readonly guard: Guard;
  readonly ground: Ground;
  readonly settings: Settings;
  /** Microseconds: the newest stamp of all events. */
  readonly now: number;
  /** Whether the layers show the newest map. */
  readonly areLayersFresh: boolean;
  readonly waiver: ReachOutput["waiver"];
}

/**
 * Decides when a frame is answered, and from which place. A frame gets one answer: reach and pace, from memory at the newest known place,
 * or from frames alone.
 */
export class Answering {
  /** The newest place of the base that is known; null while lost. */
  #place: Located | null = null;
  /** Microseconds: time of the newest place. */
  #placeTime = Number.NEGATIVE_INFINITY;
  /** Microseconds: capture of the newest judged frame, by its stamp. */
  #frameTime = Number.NEGATIVE_INFINITY;
  /** Microseconds: arrival of the oldest judged frame that has no answer yet; null when all have one. */
  #unanswered: number | null = null;
  /** Microseconds: arrival of the newest event from which poses are made. */
  #posesAt = Number.NEGATIVE_INFINITY;
  #brinks: readonly Brink[] | null = null;

  get place(): Located | null {
    return this.#place;
  }

  /** Whether a judged frame has no answer yet. */
  get isDue(): boolean {
    return this.#unanswered !== null;
  }

  /**
   * Whether a frame has waited too long for its pose, or waits while no events arrive from which poses are made. Memory then answers
   * from the last known place, limited by the frame's own view.
   */
  isOverdue(now: number): boolean {
    if (this.#unanswered === null) return false;
    const isHopeless = now - this.#posesAt > MICROSECONDS * POSE_WAIT;
    return isHopeless || now - this.#unanswered > MICROSECONDS * POSE_WAIT;
  }

  /** A frame that was captured at `time` was judged at `now`: an answer is due. */
  takeFrame(time: number, now: number): void {
    this.#unanswered ??= now;
    this.#frameTime = Math.max(this.#frameTime, time);
  }

  /** An event arrived from which poses are made. */
  takePoseEvent(now: number): void {
    this.#posesAt = now;
  }

  /** Takes the place of a judged frame that was captured at `time`; null while lost. */
  takePlace(place: Located | null, time: number): void {
    this.#place = place;
    this.#placeTime = time;
  }

  /** The last list of edges is no longer valid. */
  forgetBrinks(): void {
    this.#brinks = null;
  }

  /** No frame waits for an answer any more. */
  finish(): void {
    this.#unanswered = null;
  }

  /** Reach and pace: from the newest place that is known, or from frames alone. */
  answer({ guard, ground, settings, now, areLayersFresh, waiver }: AnswerInputs): ReachOutput {
    this.#unanswered = null;
    const holds = MICROSECONDS * Math.max(PLACE_HOLDS, settings["guard.maxBlind"]);
    const isOld = this.#place !== null && now - this.#placeTime > holds;
    if (isOld) guard.losePlace();
    const place = isOld ? null : this.#place;
    const since = place === null ? guard.newest : this.#placeTime;
    const answer = guard.answer(place === null ? null : ground.local.place, since);
    const { distance, ends, age, viewAge } = answer.reach;
    // Edges are updated as often as the layers: they are for display; reach and pace do not use them.
    if (place !== null && (areLayersFresh || this.#brinks === null)) {
      this.#brinks = ground.footing.brinks(place.worldFromBase.position, settings["guard.maxReach"]);
    }
    return {
      kind: "reach",
      time: this.#frameTime,
      until: answer.until,
      source: place === null ? "frame" : "memory",
      age: answer.age,
      sight: answer.state,
      distance: listOf(distance),
      ends: listOf(ends),
      ages: listOf(age),
      viewAges: listOf(viewAge),
      pace: answer.pace,
      brinks: place === null ? [] : this.#brinks!,
      waiver,
    };
  }
}
