/** Frames between decisions. */
const WINDOW = 15;
/** Load, as a share of the time between frames, above which mapping is shed, and below which it is restored. */
const HIGH = 0.85;
const LOW = 0.4;
/** Share of missed frames, and lateness of this thread's timer in microseconds, that together show a lack of processor time. */
const MANY_MISSED = 0.05;
const FEW_MISSED = 0.02;
const LATE = 5000;
const MOST_SHED = 4;
/**
 * Back-off: windows of low load before a level is restored; the factor on them each time that the level must be shed again soon after; their
 * cap; and the number of windows that is soon. Each attempt costs late frames on a machine that has no time to spare.
 */
const PATIENCE = 2;
const MORE_PATIENCE = 4;
const MOST_PATIENCE = 512;
const SOON = 30;

/**
 * Sheds load on a slow board by mapping fewer frames. Each level halves the rate of mapping, and of messages to watchers. The judgement of
 * frames for the base is never shed: a frame that is not mapped still gets its pose and its reach.
 *
 * Two signs show overload: frames that take nearly all the time between frames; and missed frames while this thread's timer is late, because
 * other processes have the processor. Missed frames alone may be the sensor's fault.
 */
export class Governor {
  #shed = 0;
  #count = 0;
  #spent = 0;
  #missed = 0;
  #late = 0;
  #beats = 0;
  #first = Number.NaN;
  #calm = 0;
  #patience = PATIENCE;
  /** Windows since a level was restored. */
  #since = Number.POSITIVE_INFINITY;

  /** The level of a shed event. 0: every frame is mapped; n: one in 2^n of each sensor. */
  get shed(): number {
    return this.#shed;
  }

  /** Takes the lateness of this thread's timer. @param late microseconds */
  beat(late: number): void {
    this.#late += Math.max(0, late);
    this.#beats++;
  }

  /** Takes a frame. @param arrival and @param cost in microseconds, @param missed number of frames missed before it */
  add(arrival: number, cost: number, missed: number): void {
    if (Number.isNaN(this.#first)) {
      this.#first = arrival;
      return;
    }
    this.#spent += cost;
    this.#missed += missed;
    if (++this.#count < WINDOW) return;
    const share = this.#spent / Math.max(1, arrival - this.#first);
    const gone = this.#missed / (this.#missed + this.#count);
    const isHeldBack = gone > MANY_MISSED && this.#late > LATE * this.#beats;
    this.#first = arrival;
    this.#count = this.#spent = this.#missed = this.#late = this.#beats = 0;
    this.#since++;
    if (share > HIGH || isHeldBack) {
      if (this.#since <= SOON) this.#patience = Math.min(MOST_PATIENCE, MORE_PATIENCE * this.#patience);
      this.#since = Number.POSITIVE_INFINITY;
      this.#shed = Math.min(MOST_SHED, this.#shed + 1);
      this.#calm = 0;
    } else if (share < LOW && gone < FEW_MISSED && this.#shed > 0 && ++this.#calm >= this.#patience) {
      this.#shed--;
      this.#calm = this.#since = 0;
    } else if (this.#shed === 0 && this.#since > SOON) this.#patience = PATIENCE;
  }
}
