import { hypot2 } from "../geometry/elementary.ts";

/** Metres within which two contacts are at one place. Chosen by hand: two cells of the floor. */
const ONE_PLACE = 0.1;

/** Debounces bumper contacts: contacts at one place in quick succession are one knock. Places are in the world, metres. */
export class Knocks {
  #recent: { time: number; x: number; y: number }[] = [];
  /** Number of contacts that were dropped as bounces. */
  repeats = 0;

  /**
   * Takes a contact.
   * @param time   microseconds
   * @param within seconds after a contact in which another is its bounce; each bounce extends the time
   * @returns false when it is the bounce of one before
   */
  take(time: number, x: number, y: number, within: number): boolean {
    this.#recent = this.#recent.filter((old) => time - old.time < 1e6 * within);
    const old = this.#recent.find((one) => hypot2(one.x - x, one.y - y) < ONE_PLACE);
    if (old === undefined) {
      this.#recent.push({ time, x, y });
      return true;
    }
    old.time = time;
    this.repeats++;
    return false;
  }

  /** Moves every place p to `moved(p)`. */
  move(moved: (x: number, y: number) => readonly [number, number]): void {
    for (const knock of this.#recent) [knock.x, knock.y] = moved(knock.x, knock.y);
  }

  clear(): void {
    this.#recent = [];
  }
}
