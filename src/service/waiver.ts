import type { ReachOutput, WaiverOutput } from "../head/outputs.ts";

/** The waiver in force, as the head told of it: for reaches that are told again later, or without the head. */
export class WaiverInForce {
  #waiver: Pick<WaiverOutput, "direction" | "reason"> | null = null;
  #until = 0;

  /** Follows what the head says of waivers. */
  take({ state, time, direction, reason, seconds }: WaiverOutput): void {
    if (state === "refused") return;
    this.#waiver = state === "begun" ? { direction, reason } : null;
    this.#until = time + 1e6 * seconds;
  }

  /** @param time microseconds, of the clock that the head's outputs are stamped by */
  at(time: number): ReachOutput["waiver"] {
    if (this.#waiver === null || time >= this.#until) return null;
    return { ...this.#waiver, left: (this.#until - time) / 1e6 };
  }
}
