import { Group, type IUniform, type Vector2 } from "three";
import type { Outline } from "./body.ts";
import type { Tag } from "./map-marks.ts";
import type { OutlineDraft } from "./outline-draft.ts";
import type { Theme } from "./theme.ts";
import { WideLines } from "./wide-lines.ts";

/** Metres above the world's zero at which areas are drawn. */
export const AREA_HEIGHT = 0.05;
/** Metres: spacing of the hatching. */
const HATCH = 0.25;
const SQRT_HALF = Math.SQRT1_2;

/** An area that is closed to the base; corners in metres of the world. */
export interface ClosedArea {
  readonly name: string;
  readonly outline: Outline;
}

/** Areas that are closed to the base: an outline with hatching at 45 degrees, and the name. */
export class AreaLayer {
  readonly object = new Group();
  readonly #outline: WideLines;
  readonly #hatching: WideLines;
  #areas: readonly ClosedArea[] = [];

  constructor(viewport: IUniform<Vector2>) {
    this.#outline = new WideLines(viewport, [
      { colour: "paper", width: 6, isOnTop: true, order: 4 },
      { colour: "mark", width: 3, isOnTop: true, order: 5 },
    ]);
    this.#hatching = new WideLines(viewport, [{ colour: "mark", width: 1.5, isOnTop: true, order: 4 }]);
    this.object.add(this.#hatching.object, this.#outline.object);
  }

  paint(theme: Theme): void {
    this.#outline.paint(theme);
    this.#hatching.paint(theme);
  }

  /** @param draft an outline that is being drawn, without hatching */
  show(areas: readonly ClosedArea[], draft: Pick<OutlineDraft, "corners" | "isClosed"> | null): void {
    this.#areas = areas;
    this.#outline.show([
      ...areas.flatMap(({ outline }) => sidesOf(outline, true)),
      ...(draft === null ? [] : sidesOf(draft.corners, draft.isClosed)),
    ]);
    this.#hatching.show(areas.flatMap(({ outline }) => hatchingOf(outline)));
  }

  /** The names, at the first corners. */
  get tags(): readonly Tag[] {
    return this.#areas.map(({ name, outline: [first] }) => ({
      text: `${name}: closed`,
      at: [first![0], first![1], AREA_HEIGHT] as const,
    }));
  }
}

/** Ends of the sides of an outline, as x, y, z. */
const sidesOf = (outline: Outline, isClosed: boolean): number[] =>
  outline.slice(isClosed ? 0 : 1).flatMap(([x, y], n) => {
    const [fromX, fromY] = outline.at(isClosed ? n - 1 : n)!;
    return [fromX, fromY, AREA_HEIGHT, x, y, AREA_HEIGHT];
  });

/** Ends of the strokes of a hatching within an outline, as x, y, z. */
function hatchingOf(outline: Outline): number[] {
  // Along the strokes, and across them.
  const corners = outline.map(([x, y]) => [SQRT_HALF * (x + y), SQRT_HALF * (y - x)] as const);
  const acrosses = corners.map(([, across]) => across);
  const ends: number[] = [];
  const last = Math.max(...acrosses);
  for (let across = Math.ceil(Math.min(...acrosses) / HATCH) * HATCH; across < last; across += HATCH) {
    const crossings: number[] = [];
    corners.forEach(([along, at], n) => {
      const [toAlong, to] = corners[(n + 1) % corners.length]!;
      if (at <= across === to <= across) return;
      crossings.push(along + ((across - at) / (to - at)) * (toAlong - along));
    });
    crossings.sort((a, b) => a - b);
    for (let n = 1; n < crossings.length; n += 2) {
      for (const along of [crossings[n - 1]!, crossings[n]!]) {
        ends.push(SQRT_HALF * (along - across), SQRT_HALF * (along + across), AREA_HEIGHT);
      }
    }
  }
  return ends;
}
