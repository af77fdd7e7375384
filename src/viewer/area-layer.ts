import { Group, type IUniform, type Vector2 } from "three";
import type { Outline } from "./body.ts";
import type { Draft } from "./corner-handles.ts";
import type { Tag } from "./map-marks.ts";
import type { Theme } from "./theme.ts";
import { WideLines } from "./wide-lines.ts";

/** Metres above the world's zero at which areas are drawn. */
export const AREA_HEIGHT = 0.05;
/** Metres: spacing of the hatching. */
const HATCH = 0.25;

/** Metres: length of the dashes of a slow zone, and of their gaps. */
const DASH = 0.1;

/** An area that is closed to the base, or a zone in which it drives slowly; corners in metres of the world. */
export interface ShownZone {
  readonly name: string;
  readonly outline: Outline;
  /** m/s; null: it is closed. */
  readonly speed: string | null;
}

/** Closed areas have an outline with hatching at 45 degrees, slow zones are level dashes within dashes; both have their name. */
export class AreaLayer {
  readonly object = new Group();
  readonly #outline: WideLines;
  readonly #hatching: WideLines;
  readonly #dashes: WideLines;
  #zones: readonly ShownZone[] = [];

  constructor(viewport: IUniform<Vector2>) {
    this.#outline = new WideLines(viewport, [
      { colour: "paper", width: 6, isOnTop: true, order: 4 },
      { colour: "mark", width: 3, isOnTop: true, order: 5 },
    ]);
    this.#hatching = new WideLines(viewport, [{ colour: "mark", width: 1.5, isOnTop: true, order: 4 }]);
    this.#dashes = new WideLines(viewport, [
      { colour: "paper", width: 4, isOnTop: true, order: 4 },
      { colour: "mark", width: 2, isOnTop: true, order: 5 },
    ]);
    this.object.add(this.#dashes.object, this.#hatching.object, this.#outline.object);
  }

  paint(theme: Theme): void {
    this.#outline.paint(theme);
    this.#hatching.paint(theme);
    this.#dashes.paint(theme);
  }

  /** @param draft an outline that is being drawn, without hatching */
  show(zones: readonly ShownZone[], draft: Pick<Draft, "corners" | "sides"> | null): void {
    this.#zones = zones;
    const areas = zones.filter(({ speed }) => speed === null);
    const slow = zones.filter(({ speed }) => speed !== null);
    this.#outline.show([
      ...areas.flatMap(({ outline }) => sidesOf(outline, true)),
      ...(draft === null ? [] : sidesOf(draft.corners, draft.sides > 0)),
    ]);
    this.#hatching.show(areas.flatMap(({ outline }) => hatchingOf(outline, Math.PI / 4)));
    this.#dashes.show(
      slow.flatMap(({ outline }) => dashesOf([...sidesOf(outline, true), ...hatchingOf(outline, 0)])),
    );
  }

  /** The names, at the first corners. */
  get tags(): readonly Tag[] {
    return this.#zones.map(({ name, speed, outline: [first] }) => ({
      text: `${name}: ${speed === null ? "closed" : `${speed} m/s`}`,
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

/** Splits lines into dashes; all are ends as x, y, z. */
function dashesOf(ends: readonly number[]): number[] {
  const dashes: number[] = [];
  for (let n = 0; n < ends.length; n += 6) {
    const [x, y, , toX, toY] = ends.slice(n, n + 5) as [number, number, number, number, number];
    const long = Math.hypot(toX - x, toY - y);
    for (let from = 0; from < long; from += 2 * DASH) {
      for (const at of [from, Math.min(long, from + DASH)]) {
        dashes.push(x + (at / long) * (toX - x), y + (at / long) * (toY - y), AREA_HEIGHT);
      }
    }
  }
  return dashes;
}

/** Ends of the strokes of a hatching within an outline, as x, y, z. @param angle of the strokes, radians from x */
function hatchingOf(outline: Outline, angle: number): number[] {
  const [cos, sin] = [Math.cos(angle), Math.sin(angle)];
  // Along the strokes, and across them.
  const corners = outline.map(([x, y]) => [cos * x + sin * y, cos * y - sin * x] as const);
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
        ends.push(cos * along - sin * across, sin * along + cos * across, AREA_HEIGHT);
      }
    }
  }
  return ends;
}
