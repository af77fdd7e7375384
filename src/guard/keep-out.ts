import { hasSpeed, MOST_CORNERS, splitAreas } from "../terms/areas.ts";
import { doSidesCross } from "../terms/polygon.ts";
import { distanceToOutline, type Footprint, holds, parseFootprint } from "./body.ts";

/** A part of the floor that the base must not enter: corners in the world, metres. */
export interface KeepOutArea {
  readonly name: string;
  readonly outline: Footprint;
}

/** Most areas of one place, and corners of one area: more are a mistake. */
const MOST_AREAS = 100;
const EXAMPLE = "stairs: 1,2 2,2 2,3; shelf: 4,0 5,0 5,1";

/**
 * Reads areas as settings hold them: "name: x,y x,y x,y; name: x,y x,y x,y". Empty text is no area. Unnamed areas are called "area 1", "area 2".
 * @throws {RangeError} saying which area is wrong, and what to write
 */
export function parseAreas(text: string): readonly KeepOutArea[] {
  const parts = splitAreas(text);
  checkCount(parts.length);
  return parts.map(({ name, corners }) => {
    if (hasSpeed(name)) {
      throw new RangeError(
        `"${name}" has a speed: slow zones belong in guard.slowIn, a closed area has none`,
      );
    }
    return { name, outline: parseOutline(name, corners, EXAMPLE) };
  });
}

/** @throws {RangeError} for more areas than a place has */
export function checkCount(count: number): void {
  if (count > MOST_AREAS) throw new RangeError(`${count} areas; at most ${MOST_AREAS}`);
}

/**
 * Reads the corners of an area.
 * @param example how areas are written, for the error
 * @throws {RangeError} naming the area
 */
export function parseOutline(name: string, corners: string, example: string): Footprint {
  let outline: Footprint;
  try {
    outline = parseFootprint(corners);
  } catch {
    throw new RangeError(`a corner of "${name}" is not x,y: write areas like "${example}"`);
  }
  if (outline.length < 3 || outline.length > MOST_CORNERS) {
    throw new RangeError(`"${name}" has ${outline.length} corners; an area has 3 to ${MOST_CORNERS}`);
  }
  if (doSidesCross(outline)) {
    throw new RangeError(`two sides of "${name}" cross: list its corners in order around the area`);
  }
  return outline;
}

interface Box {
  readonly area: KeepOutArea;
  readonly left: number;
  readonly right: number;
  readonly low: number;
  readonly high: number;
}

/**
 * The areas that the base must not enter, on the cells of the map. An area in which the base stands is not enforced until the base has left it:
 * it must be able to drive out.
 */
export class KeepOut {
  readonly areas: readonly KeepOutArea[];
  readonly #cellSize: number;
  readonly #boxes: readonly Box[];
  /** Areas in which the base stands. */
  #entered: readonly KeepOutArea[] = [];
  /** Counts up with each change of what is enforced. */
  revision = 0;

  /** Place of the base, metres; null before it is known. */
  #at: readonly [x: number, y: number] | null = null;

  /**
   * @param cellSize metres
   * @param before   the areas so far: the base stands where they had it
   */
  constructor(areas: readonly KeepOutArea[], cellSize: number, before: KeepOut | null = null) {
    this.areas = areas;
    this.#cellSize = cellSize;
    this.#boxes = areas.map((area) => {
      const xs = area.outline.map(([x]) => x);
      const ys = area.outline.map(([, y]) => y);
      const [left, right] = [Math.min(...xs) - cellSize, Math.max(...xs) + cellSize];
      return { area, left, right, low: Math.min(...ys) - cellSize, high: Math.max(...ys) + cellSize };
    });
    if (before !== null && before.#at !== null) this.standAt(...before.#at);
  }

  /** Takes the place of the base, metres. @returns whether another set of areas is enforced now */
  standAt(x: number, y: number): boolean {
    this.#at = [x, y];
    if (this.areas.length === 0) return false;
    const entered = this.areas.filter(({ outline }) => holds(outline, x, y));
    const isSame =
      entered.length === this.#entered.length && entered.every((area, n) => area === this.#entered[n]);
    this.#entered = entered;
    if (!isSame) this.revision++;
    return !isSame;
  }

  /** The name of the enforced area that holds the middle of a cell of the map, or comes within half a cell of it; null without one. */
  at(i: number, j: number): string | null {
    const x = (i + 0.5) * this.#cellSize;
    const y = (j + 0.5) * this.#cellSize;
    for (const { area, left, right, low, high } of this.#boxes) {
      if (x < left || x > right || y < low || y > high || this.#entered.includes(area)) continue;
      if (holds(area.outline, x, y) || distanceToOutline(area.outline, x, y) <= this.#cellSize / 2)
        return area.name;
    }
    return null;
  }
}

/** Read-only view of the areas, for users of a head. */
export type KeepOutView = Readonly<Pick<KeepOut, "areas" | "at" | "revision">>;
