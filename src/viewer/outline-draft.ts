import { MOST_CORNERS } from "../terms/areas.ts";
import { areaOf, doSidesCross } from "../terms/polygon.ts";
import type { Corner, Draft } from "./corner-handles.ts";
import { areaText } from "./measuring.ts";

/** Metres: a corner this close to the one before is the same corner. */
const LEAST = 0.02;

/** Rounds to centimetres: finer than the cells of the map. */
export const rounded = ([x, y]: Corner): Corner => [Math.round(100 * x) / 100, Math.round(100 * y) / 100];

/** An outline while a person draws or changes it. It is open until its last side is drawn. */
export class OutlineDraft implements Draft {
  #corners: readonly Corner[];
  #isClosed: boolean;

  constructor(corners: readonly Corner[] = []) {
    this.#corners = corners;
    this.#isClosed = corners.length > 0;
  }

  get corners(): readonly Corner[] {
    return this.#corners;
  }

  get isClosed(): boolean {
    return this.#isClosed;
  }

  /** Sides that may be split. */
  get sides(): number {
    return this.#isClosed ? this.#corners.length : 0;
  }

  nameOf(n: number): string {
    const count = this.#corners.length;
    const isClosing = n === 0 && !this.#isClosed && count > 2;
    return isClosing ? "Close the outline at its first corner" : `Corner ${n + 1} of ${count}`;
  }

  /** As the setting holds it, without its name. */
  get written(): string {
    return this.#corners.map((corner) => corner.join(",")).join(" ");
  }

  /** Adds a corner to an open outline, unless it is the last one again. */
  add(at: Corner): void {
    if (this.#isClosed || this.#corners.length >= MOST_CORNERS) return;
    const last = this.#corners.at(-1);
    if (last !== undefined && Math.hypot(at[0] - last[0], at[1] - last[1]) < LEAST) return;
    this.#corners = [...this.#corners, rounded(at)];
  }

  /** @returns whether it is closed now: it needs three corners */
  close(): boolean {
    this.#isClosed = this.#corners.length >= 3;
    return this.#isClosed;
  }

  move(n: number, to: Corner): void {
    this.#corners = this.#corners.with(n, rounded(to));
  }

  /** Adds a corner in the middle of the side that begins at corner `n`. @returns whether there is room for another one */
  split(n: number): boolean {
    const [x0, y0] = this.#corners[n]!;
    const [x1, y1] = this.#corners[(n + 1) % this.#corners.length]!;
    if (this.#corners.length >= MOST_CORNERS) return false;
    this.#corners = this.#corners.toSpliced(n + 1, 0, rounded([(x0 + x1) / 2, (y0 + y1) / 2]));
    return true;
  }

  /** Removes a corner. An outline that is left with two of them is open again. */
  remove(n: number): void {
    this.#corners = this.#corners.toSpliced(n, 1);
    if (this.#corners.length < 3) this.#isClosed = false;
  }

  /** Why it cannot be saved; null: it can. */
  get trouble(): string | null {
    if (this.#corners.length < 3) return "An outline needs at least three corners.";
    return doSidesCross(this.#corners) ? "Two sides cross: move a corner, or remove one." : null;
  }

  /** Its size, and what to do next. */
  get text(): string {
    const count = this.#corners.length;
    if (count === 0) {
      return "Click the corners on the map. By keys: arrows move the map, Space sets a corner at the cross.";
    }
    if (count < 3) return `${count} ${count === 1 ? "corner" : "corners"}. Click the next one.`;
    if (this.trouble !== null) return this.trouble;
    const size = `${areaText(areaOf(this.#corners))} within ${count} corners.`;
    return this.#isClosed
      ? `${size} Drag a corner to move it; a dot on a side adds one.`
      : `${size} The first corner again, or Enter, closes the outline.`;
  }
}
