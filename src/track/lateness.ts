import { square } from "../geometry/elementary.ts";

const DEGREE = Math.PI / 180;
/** Seconds, 1 sigma: doubt about the lateness of attitudes against depth: before any is learnt, and its floor. Chosen by hand. */
const FIRST_SIGMA = 0.01;
const LEAST_SIGMA = 0.0015;
/** Seconds: cap of the learnt lateness. */
const MOST = 0.15;
/** rad/s: slower turns do not update the lateness. Chosen by hand. */
const LEAST_RATE = 8 * DEGREE;
/** Radians, 1 sigma: noise of a yaw by depth. It is large because the errors last for some frames. Chosen by hand. */
const YAW_NOISE = 0.5 * DEGREE;

/** The lateness of attitudes against depth. In a turn, late attitudes lag behind depth in proportion to the turn rate. */
export class Lateness {
  #seconds = 0;
  #variance = square(FIRST_SIGMA);

  /** Seconds. */
  get seconds(): number {
    return this.#seconds;
  }

  /** Seconds squared. */
  get variance(): number {
    return this.#variance;
  }

  /**
   * Takes a frame of a turn.
   * @param off      radians: yaw by depth minus yaw by attitude and lateness
   * @param rate     rad/s
   * @param variance radians squared, of `off`
   */
  learn(off: number, rate: number, variance: number): void {
    if (Math.abs(rate) < LEAST_RATE) return;
    const spread = this.#variance;
    const gain = (spread * rate) / (rate * rate * spread + square(YAW_NOISE) + variance);
    this.#seconds = Math.max(-MOST, Math.min(MOST, this.#seconds + gain * off));
    this.#variance = Math.max(square(LEAST_SIGMA), spread * (1 - gain * rate));
  }
}
