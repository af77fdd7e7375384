/** A base that may go no faster counts as stopped, m/s. */
export const STOPPED = 0.03;
/** Below this share of the top speed, the base counts as slowed. */
export const SLOW_SHARE = 0.5;

/** How much a pace holds the base back. */
export type Held = "free" | "slow" | "stop";

/** @param topSpeed that the settings allow, m/s */
export const heldBy = (forward: number, topSpeed: number): Held =>
  forward < STOPPED ? "stop" : forward < SLOW_SHARE * topSpeed ? "slow" : "free";

/** A stretch ends when the base has been held back less for so long: paces flicker from frame to frame. Microseconds. */
const RELEASE = 500_000;

const DEGREE: Readonly<Record<Held, number>> = { free: 0, slow: 1, stop: 2 };

/** Finds the beginnings of stretches in which the base is slowed or stopped. */
export class Slowing {
  #held: Held = "free";
  /** Since when the base has been held back less than that; null while it is not. */
  #lessSince: number | null = null;

  /**
   * @param time microseconds
   * @returns what begins with this pace; null when nothing does
   */
  begins(time: number, forward: number, topSpeed: number): Exclude<Held, "free"> | null {
    const now = heldBy(forward, topSpeed);
    if (DEGREE[now] > DEGREE[this.#held]) {
      this.#held = now;
      this.#lessSince = null;
      return now as Exclude<Held, "free">;
    }
    if (now === this.#held) this.#lessSince = null;
    else {
      this.#lessSince ??= time;
      if (time - this.#lessSince >= RELEASE) {
        this.#held = now;
        this.#lessSince = null;
      }
    }
    return null;
  }
}
