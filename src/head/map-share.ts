import { MOST_SHED } from "../sense/events.ts";

/** Selects the frames that are mapped under load: one in 2^level of each sensor, counted from the change of the level. */
export class MapShare {
  #level = 0;
  /** Frames of each sensor since the level changed. */
  #counts: number[] = [];

  /** 0: every frame is mapped. */
  get level(): number {
    return this.#level;
  }

  /** Setting the present level again changes nothing, so it may be repeated at the start of a recording. */
  change(level: number): void {
    if (!(Number.isInteger(level) && level >= 0 && level <= MOST_SHED)) {
      throw new RangeError(`level ${level} of shedding; whole numbers from 0 to ${MOST_SHED} are allowed`);
    }
    if (level === this.#level) return;
    this.#level = level;
    this.#counts = [];
  }

  /** Whether a sensor's next frame is mapped; called once for each frame. */
  isMapped(sensor: number): boolean {
    const count = this.#counts[sensor] ?? 0;
    this.#counts[sensor] = count + 1;
    return count % (1 << this.#level) === 0;
  }
}
