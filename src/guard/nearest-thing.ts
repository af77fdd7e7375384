import { LANES } from "./level-view.ts";

/** Metres, and share of the distance, within which two neighbouring rows show the same thing: a single return is none. By hand. */
const SAME_THING = 0.05;
const SAME_THING_SHARE = 0.03;
/** Metres by which a thing must be nearer to be another one, whose lowest height is asked anew. Chosen by hand. */
const ANOTHER = 0.15;

/** The nearest thing that stands or hangs in a strip. */
export class NearestThing {
  /** Metres along the strip's line; Infinity without a thing. */
  along = Number.NaN;
  /** Its pixel. */
  pixel = -1;
  /** Metres over the floor at which it was first met. */
  lowest = Number.NaN;
  /** Metres along the line of each lane's return in the row before. */
  readonly #before = new Float64Array(LANES);

  begin(): void {
    this.along = Number.POSITIVE_INFINITY;
    this.pixel = -1;
    this.lowest = 0;
    this.#before.fill(-1);
  }

  /**
   * Takes a return that lies above the floor.
   * @param along metres along the strip's line, nearer than the thing known
   * @param off   metres over the expected floor
   */
  meet(lane: number, pixel: number, along: number, off: number): void {
    if (Math.abs(along - this.#before[lane]!) < SAME_THING + SAME_THING_SHARE * along) {
      if (along < this.along - ANOTHER) this.lowest = off;
      this.along = along;
      this.pixel = pixel;
    }
    this.#before[lane] = along;
  }
}
