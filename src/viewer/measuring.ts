import { areaOf, doSidesCross } from "../terms/polygon.ts";
import { metresText } from "./text.ts";

export type Measure = "distance" | "area";
type Place = readonly number[];

/** A distance between two places, or an area within its corners. The last one may be unfinished. */
export interface Measured {
  readonly what: Measure;
  /** Metres. */
  readonly places: readonly Place[];
  /** Whether each place lies on the side of something that stands there. */
  readonly onSide: readonly boolean[];
  readonly isDone: boolean;
  /** Metres or square metres, one sigma; null while it is not known. */
  readonly error: number | null;
}

const FIRST = {
  distance: "Choose two places on the map. They snap to the faces of what stands there.",
  area: "Choose the corners of an area on the plan. They snap to the faces of what stands there.",
} as const;
const END = "Backspace removes it, Escape ends.";

/** Areas with two decimals, as "3.20 m²". */
export const areaText = (squareMetres: number): string => `${squareMetres.toFixed(2)} m²`;

/** The text of a finished distance, or of an area of at least three corners, with its error. */
export function sizeText({ what, places, error }: Pick<Measured, "what" | "places" | "error">): string {
  if (what === "area") {
    if (doSidesCross(places)) return "sides cross";
    return `${areaText(areaOf(places))}${error === null ? "" : ` ± ${areaText(Math.max(0.01, error))}`}`;
  }
  const [a, b] = places as readonly [Place, Place];
  const size = metresText(Math.hypot(a[0]! - b[0]!, a[1]! - b[1]!, a[2]! - b[2]!));
  return `${size}${error === null ? "" : ` ± ${metresText(Math.max(0.01, error))}`}`;
}

/** Distances and areas that a person measures on the map, in the order of their making. */
export class Measuring {
  /** What the next places measure; null while nothing is measured. */
  #what: Measure | null = null;
  #all: Measured[] = [];

  get what(): Measure | null {
    return this.#what;
  }

  get all(): readonly Measured[] {
    return this.#all;
  }

  /** Measures something else, or with null ends. What is unfinished goes; the rest goes at the end. */
  begin(what: Measure | null): void {
    this.#what = what;
    this.#all = what === null ? [] : this.#all.filter(({ isDone }) => isDone);
  }

  /**
   * Adds a place.
   * @param near     metres: a place this close to an area's first corner closes it
   * @param isOnSide whether it lies on the side of something that stands there
   * @returns what is finished by it; null: nothing yet
   */
  add(place: Place, near: number, isOnSide = false): Measured | null {
    const what = this.#what;
    if (what === null) return null;
    const last = this.#all.at(-1);
    if (last === undefined || last.isDone) {
      this.#all.push({ what, places: [place], onSide: [isOnSide], isDone: false, error: null });
      return null;
    }
    const [first] = last.places as readonly [Place];
    const isClosing =
      what === "area" &&
      last.places.length > 2 &&
      Math.hypot(place[0]! - first[0]!, place[1]! - first[1]!) <= near;
    const now: Measured = {
      what,
      places: isClosing ? last.places : [...last.places, place],
      onSide: isClosing ? last.onSide : [...last.onSide, isOnSide],
      isDone: isClosing || what === "distance",
      error: null,
    };
    this.#all[this.#all.length - 1] = now;
    return now.isDone ? now : null;
  }

  /** Puts what is known better in place of what was measured, unless that was removed. */
  replace(measured: Measured, better: Measured): void {
    const at = this.#all.indexOf(measured);
    if (at >= 0) this.#all[at] = better;
  }

  /** Removes the last corner of an unfinished area, or else what was measured last. */
  remove(): void {
    const last = this.#all.pop();
    if (last === undefined || last.isDone || last.places.length < 2) return;
    this.#all.push({ ...last, places: last.places.slice(0, -1), onSide: last.onSide.slice(0, -1) });
  }

  /** What was measured last, and what to do next. */
  get text(): string {
    const last = this.#all.at(-1);
    if (this.#what === null) return "";
    if (last === undefined) return FIRST[this.#what];
    if (last.what === "area") return areaLine(last);
    if (!last.isDone) return "Choose the second place.";
    const [a, b] = last.places as readonly [Place, Place];
    const level = metresText(Math.hypot(a[0]! - b[0]!, a[1]! - b[1]!));
    const height = metresText(Math.abs(a[2]! - b[2]!));
    return `${sizeText(last)} apart; ${level} along the floor, ${height} in height. ${END}`;
  }
}

function areaLine(area: Measured): string {
  const { places, isDone } = area;
  if (places.length < 3) return `Choose the next corner (${places.length} so far).`;
  if (doSidesCross(places)) return "The sides cross, so it is no area. Backspace removes the last corner.";
  const size = `${sizeText(area)} within ${places.length} corners`;
  return isDone
    ? `${size}. ${END}`
    : `${size}. Choose the first corner again to close it. Backspace removes the last one.`;
}
