import type { WaiverEvent } from "../sense/events.ts";
import type { ReachOutput, WaiverOutput } from "./outputs.ts";

const MICROSECONDS = 1e6;

/** The waiver in force: what the base asks for is answered by `ask`; whoever hears of the answers follows them by `follow`. */
export class WaiverInForce {
  #waiver: Pick<WaiverOutput, "direction" | "reason"> | null = null;
  /** Microseconds. */
  #until = 0;

  /**
   * Answers what the base asks for.
   * @param limit seconds: the longest that a waiver may last
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

  /** Follows an answer of the head's. Returns it. */
  follow(output: WaiverOutput): WaiverOutput {
    const { state, time, direction, reason, seconds } = output;
    if (state === "refused") return output;
    this.#waiver = state === "begun" ? { direction, reason } : null;
    this.#until = time + MICROSECONDS * seconds;
    return output;
  }

  /** The end of the waiver, when it has come by this time; null else. */
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
