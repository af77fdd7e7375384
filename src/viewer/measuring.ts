import { areaOf, doSidesCross } from "./area.ts";
import { metresText } from "./text.ts";

export type Measure = "distance" | "area";
type Place = readonly number[];

/** A distance between two places, or an area within its corners. The last one may be unfinished. */
export interface Measured {
  readonly what: Measure;
  /** Metres. */
  readonly places: readonly Place[];
  readonly isDone: boolean;
}

const FIRST = {
  distance: "Choose two places on the map. They snap to the sides of what stands there.",
  area: "Choose the corners of an area on the plan. They snap to the sides of what stands there.",
} as const;
const END = "Backspace removes it, Escape ends.";

/** Areas with two decimals, as "3.20 m²". */
export const areaText = (squareMetres: number): string => `${squareMetres.toFixed(2)} m²`;

/** The text of a finished distance, or of an area of at least three corners. */
export function sizeText({ what, places }: Pick<Measured, "what" | "places">): string {
  if (what === "area") return doSidesCross(places) ? "sides cross" : areaText(areaOf(places));
  const [a, b] = places as readonly [Place, Place];
  return metresText(Math.hypot(a[0]! - b[0]!, a[1]! - b[1]!, a[2]! - b[2]!));
}

/** Distances and areas that a person measures on the map, in the order of their making. */
export class Measuring {
  /** What the next places measure; null while nothing is measured. */
  #what: Measure | null = null;
  #all: Measured[] = [];

  get what(): Measure | null {
    return this.#what;
  }

  /** Metres: places snap to sides of voxels, so no distance is known better. */
  voxelSize = 0.05;

  get all(): readonly Measured[] {
    return this.#all;
  }

  /** Measures something else, or with null ends. What is unfinished goes; the rest goes at the end. */
  begin(what: Measure | null): void {
    this.#what = what;
    this.#all = what === null ? [] : this.#all.filter(({ isDone }) => isDone);
  }

  /** Adds a place. @param near metres: a place this close to an area's first corner closes it */
  add(place: Place, near: number): void {
    const what = this.#what;
    if (what === null) return;
    const last = this.#all.at(-1);
    if (last === undefined || last.isDone) {
      this.#all.push({ what, places: [place], isDone: false });
      return;
    }
    const [first] = last.places as readonly [Place];
    const isClosing =
      what === "area" &&
      last.places.length > 2 &&
      Math.hypot(place[0]! - first[0]!, place[1]! - first[1]!) <= near;
    const places = isClosing ? last.places : [...last.places, place];
    this.#all[this.#all.length - 1] = { what, places, isDone: isClosing || what === "distance" };
  }

  /** Removes the last corner of an unfinished area, or else what was measured last. */
  remove(): void {
    const last = this.#all.pop();
    if (last === undefined || last.isDone || last.places.length < 2) return;
    this.#all.push({ ...last, places: last.places.slice(0, -1) });
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
    const ends = `Each end is known to a voxel (${metresText(this.voxelSize)}).`;
    return `${sizeText(last)} apart; ${level} along the floor, ${height} in height. ${ends} ${END}`;
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
