/** A base whose pace is at most this, m/s, counts as stopped. */
export const STOPPED = 0.03;
/** Below this share of the top speed, the base counts as slowed. */
export const SLOW_SHARE = 0.5;

/** Degree to which a pace slows the base. */
export type Held = "free" | "slow" | "stop";

/** @param topSpeed that the settings allow, m/s */
export const heldBy = (forward: number, topSpeed: number): Held =>
  forward < STOPPED ? "stop" : forward < SLOW_SHARE * topSpeed ? "slow" : "free";

/** Hysteresis: a stretch ends when the pace has been higher for this long, microseconds, because paces flicker from frame to frame. */
const RELEASE = 500_000;

const DEGREE: Readonly<Record<Held, number>> = { free: 0, slow: 1, stop: 2 };

/** Finds the beginnings of stretches in which the base is slowed or stopped. */
export class Slowing {
  #held: Held = "free";
  /** Since when the pace has been higher; null while it is not. */
  #lessSince: number | null = null;

  /**
   * @param time microseconds
   * @returns the kind of stretch that begins with this pace; null if none begins
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
