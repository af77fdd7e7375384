import { parseSpots } from "../terms/spots.ts";
import type { Corner, Draft } from "./corner-handles.ts";
import { rounded } from "./outline-draft.ts";

/** Metres from a spot to the tip of its arrow while it is changed. */
const ARROW = 0.5;

/** A spot while a person places it: its place, and then a place towards which a base on it faces. */
export class SpotDraft implements Draft {
  #place: Corner | null = null;
  #facing: Corner | null = null;
  #isClosed = false;
  readonly sides = 0;

  /** @param written a spot as the setting holds it, without its name; null: a new one */
  constructor(written: string | null) {
    const [spot] = written === null ? [] : parseSpots(`spot: ${written}`);
    if (spot === undefined) return;
    const { x, y, heading } = spot;
    this.#place = [x, y];
    if (heading !== null) this.#facing = [x + ARROW * Math.cos(heading), y + ARROW * Math.sin(heading)];
    this.#isClosed = true;
  }

  get corners(): readonly Corner[] {
    return [this.#place, this.#facing].filter((one) => one !== null);
  }

  get isClosed(): boolean {
    return this.#isClosed;
  }

  nameOf(n: number): string {
    return n === 0 ? "The spot" : "The tip of its arrow";
  }

  add(at: Corner): void {
    if (this.#place === null) this.#place = rounded(at);
    else if (Math.hypot(at[0] - this.#place[0], at[1] - this.#place[1]) > 0.02) {
      this.#facing = at;
      this.#isClosed = true;
    }
  }

  /** @returns whether it is finished: it needs a place, and no heading */
  close(): boolean {
    this.#isClosed = this.#place !== null;
    return this.#isClosed;
  }

  /** Moves the spot with its arrow, or the tip of the arrow. */
  move(n: number, to: Corner): void {
    if (n === 1) this.#facing = to;
    else if (this.#place !== null) {
      const [x, y] = rounded(to);
      const [dx, dy] = [x - this.#place[0], y - this.#place[1]];
      this.#place = [x, y];
      if (this.#facing !== null) this.#facing = [this.#facing[0] + dx, this.#facing[1] + dy];
    }
  }

  split(): boolean {
    return false;
  }

  /** Removes the arrow; or the spot with its arrow. */
  remove(n: number): void {
    this.#facing = null;
    this.#isClosed = false;
    if (n === 0) this.#place = null;
  }

  get trouble(): string | null {
    return this.#place === null ? "The spot has no place yet." : null;
  }

  /** Degrees counter-clockwise from x; null: any. */
  get #degrees(): number | null {
    if (this.#place === null || this.#facing === null) return null;
    const [dx, dy] = [this.#facing[0] - this.#place[0], this.#facing[1] - this.#place[1]];
    return Math.round((Math.atan2(dy, dx) * 180) / Math.PI);
  }

  /** As the setting holds it, without its name. */
  get written(): string {
    const degrees = this.#degrees;
    return `${this.#place?.join(",")}${degrees === null ? "" : `,${degrees}`}`;
  }

  get text(): string {
    if (this.#place === null) {
      return "Click the place of the spot. By keys: arrows move the map, Space sets it at the cross.";
    }
    if (!this.#isClosed) return "Click where the robot faces there; Enter: any heading.";
    const degrees = this.#degrees;
    const at = this.#place.map((metres) => metres.toFixed(2)).join(", ");
    return `${at} m, ${degrees === null ? "any heading" : `heading ${degrees}°`}. Drag the spot or the tip of its arrow.`;
  }
}
