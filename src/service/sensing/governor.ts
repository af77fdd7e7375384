/** Frames between decisions. */
const WINDOW = 15;
/** Share of the time between frames above which work is shed, and below which it comes back. */
const HIGH = 0.85;
const LOW = 0.4;
/** Share of frames missed, and microseconds by which this thread's timer is late, that together say: held back from outside. */
const MANY_MISSED = 0.05;
const FEW_MISSED = 0.02;
const LATE = 5000;
const MOST_SHED = 4;
/**
 * Calm windows after which a step comes back, and by how much longer each time that one had to be taken again so soon after: to
 * try costs late frames where there is never more time than now.
 */
const PATIENCE = 2;
const MORE_PATIENCE = 4;
const MOST_PATIENCE = 512;
const SOON = 30;

/**
 * Keeps the frame's budget on a slow board by mapping fewer frames: each step halves how many, and how often watchers are told.
 * What is judged for the base's sake is never put off. A frame that is not mapped still gets its pose and its reach.
 *
 * Two things tell of too much work: frames that take nearly all the time there is, and frames that were never seen while this
 * thread's own timer came late, because others have the processor. Frames missed alone may be the sensor's fault.
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
  /** Windows since a step came back. */
  #since = Number.POSITIVE_INFINITY;

  /** The level of a shed event. 0: every frame is mapped; n: one in 2^n of each sensor. */
  get shed(): number {
    return this.#shed;
  }

  /** A timer of this thread went off. @param late microseconds by which it was late */
  beat(late: number): void {
    this.#late += Math.max(0, late);
    this.#beats++;
  }

  /** @param arrival of the frame, @param cost of it, both microseconds, @param missed frames before it that were never seen */
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
