import type { Sight } from "../terms/safety.ts";

/** Microseconds between frames until two of them tell; and a longer pause than the second is no interval. Chosen by hand. */
const USUAL_INTERVAL = 0.1e6;
const LONGEST_INTERVAL = 1e6;
/** Share by which the interval follows a new one. Chosen by hand. */
const INTERVAL_SHARE = 0.2;

/** How old the view of the floor is. Times are microseconds of the events' clock: no clock is read. */
export class Freshness {
  sight: Sight = "blind";
  /** Newest event of any kind, newest frame, and newest frame that is a fit view of the floor. */
  now = Number.NEGATIVE_INFINITY;
  #frameTime = Number.NEGATIVE_INFINITY;
  #sightTime = Number.NEGATIVE_INFINITY;
  /** Between frames. */
  #interval = USUAL_INTERVAL;

  /** Takes the stamp of any event. */
  tick(time: number): void {
    if (time > this.now) this.now = time;
  }

  /** Takes a judged frame. */
  see(sight: Sight, time: number): void {
    this.tick(time);
    this.sight = sight;
    if (time > this.#frameTime) {
      const interval = time - this.#frameTime;
      if (interval < LONGEST_INTERVAL) this.#interval += INTERVAL_SHARE * (interval - this.#interval);
      this.#frameTime = time;
    }
    if ((sight === "clear" || sight === "dark") && time > this.#sightTime) this.#sightTime = time;
  }

  /** Seconds between frames. */
  get interval(): number {
    return this.#interval / 1e6;
  }

  /** Seconds since the floor was last in view; Infinity before the first frame. */
  get blindFor(): number {
    return (this.now - this.#sightTime) / 1e6;
  }
}
