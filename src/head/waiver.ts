import type { WaiverEvent } from "../sense/events.ts";
import type { ReachOutput, WaiverOutput } from "./outputs.ts";

const MICROSECONDS = 1e6;

/** The waiver in force. `ask` answers a request of the base; `follow` applies such an answer, also in a replay. */
export class WaiverInForce {
  #waiver: Pick<WaiverOutput, "direction" | "reason"> | null = null;
  /** Microseconds. */
  #until = 0;

  /**
   * Answers a request of the base.
   * @param limit longest duration of a waiver, seconds
   */
  ask({ time, direction, reason, seconds }: WaiverEvent, limit: number): WaiverOutput {
    const answer = (state: WaiverOutput["state"], length: number): WaiverOutput => ({
      kind: "waiver",
      time,
      direction,
      reason,
      state,
      seconds: length,
    });
    if (seconds === 0 && this.#waiver !== null) return this.follow(answer("withdrawn", 0));
    if (!(seconds > 0) || reason.trim() === "") return answer("refused", 0);
    return this.follow(answer("begun", Math.min(seconds, limit)));
  }

  /** Applies an answer of the head. Returns it. */
  follow(output: WaiverOutput): WaiverOutput {
    const { state, time, direction, reason, seconds } = output;
    if (state === "refused") return output;
    this.#waiver = state === "begun" ? { direction, reason } : null;
    this.#until = time + MICROSECONDS * seconds;
    return output;
  }

  /** The end of the waiver, if it has ended by this time; else null. */
  expire(time: number): WaiverOutput | null {
    const waiver = this.#waiver;
    if (waiver === null || time < this.#until) return null;
    this.#waiver = null;
    return { kind: "waiver", time, ...waiver, state: "expired", seconds: 0 };
  }

  /**
   * The waiver in force at a time, as a reach shows it.
   * @param time microseconds, of the clock that the head's outputs are stamped by
   */
  at(time: number): ReachOutput["waiver"] {
    if (this.#waiver === null || time >= this.#until) return null;
    return { ...this.#waiver, left: (this.#until - time) / MICROSECONDS };
  }
}
