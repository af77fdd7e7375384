import { LANES } from "./level-view.ts";

/** Metres, and share of the distance, within which two neighbouring rows show the same object; a single row is not enough. Chosen by hand. */
const SAME_THING = 0.05;
const SAME_THING_SHARE = 0.03;
/** Metres by which a return must be nearer to belong to another object, whose lowest height is then restarted. Chosen by hand. */
const ANOTHER = 0.15;

/** The nearest object that stands or hangs in a strip. */
export class NearestThing {
  /** Metres along the strip's line; Infinity without an object. */
  along = Number.NaN;
  /** Its pixel. */
  pixel = -1;
  /** Metres above the floor of its first return. */
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
