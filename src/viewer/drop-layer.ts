import { Group, type IUniform, type Vector2 } from "three";
import type { FloorEdge } from "../wire/floor-map.ts";
import type { Tag } from "./map-marks.ts";
import type { Rim } from "./rims.ts";
import { metresText } from "./text.ts";
import type { Theme } from "./theme.ts";
import { WideLines } from "./wide-lines.ts";

type Edges = readonly FloorEdge[];

/** Metres: height above the floor at which an edge is drawn. */
const LIFT = 0.03;
/** Metres: spacing of the teeth along an edge, their length over the low side, and their greatest length. */
const TOOTH_EVERY = 0.12;
const TOOTH_REACH = 0.08;
const LONGEST_TOOTH = 0.6;
/** Metres from an edge to the point at which the floor is looked up to find the low side: more than a cell. */
const ASIDE = 0.08;
/** Metres: a rim closer than this to an edge is the same. */
const BESIDE = 0.1;
/** Metres: shorter edges have no label with their depth. Of the others the longest have one. */
const TAGGED = 0.3;
const MOST_TAGS = 12;
/** Confidence of an edge that three frames have seen: with less its label has a question mark. And seconds after which it has an age. */
const SURE = 0.6;
const OLD = 60;

/**
 * Edges of the floor: the boldest lines of the map. Each has a comb on the low side, whose teeth are as long as the drop is deep, and a
 * label with the depth. Where something nearer covers an edge, it is drawn fainter.
 */
export class DropLayer {
  readonly object = new Group();
  readonly #edges: WideLines;
  readonly #teeth: WideLines;
  #edgesKnown: Edges = [];
  #rims: readonly Rim[] = [];
  readonly #isGone: (x: number, y: number) => boolean;

  /** @param isGone whether the floor is gone at a position, metres: it marks the low side of an edge */
  constructor(viewport: IUniform<Vector2>, isGone: (x: number, y: number) => boolean) {
    this.#isGone = isGone;
    this.#edges = new WideLines(viewport, [
      { colour: "brink", width: 5, opacity: 0.3, isOnTop: true, order: 1 },
      { colour: "paper", width: 9, order: 2 },
      { colour: "brink", width: 5.5, order: 3 },
    ]);
    this.#teeth = new WideLines(viewport, [{ colour: "brink", width: 2.5, order: 3 }]);
    this.object.add(this.#edges.object, this.#teeth.object);
  }

  paint(theme: Theme): void {
    this.#edges.paint(theme);
    this.#teeth.paint(theme);
  }

  /** Labels with the depths of the longest edges. */
  get tags(): readonly Tag[] {
    return tagsOf(this.#edgesKnown);
  }

  /** Shows the edges of the whole map, with their depths. */
  showEdges(edges: Edges): void {
    this.#edgesKnown = edges;
    this.#show();
  }

  /** Shows borders of floor that is gone where no edge was seen as such. */
  showRims(rims: readonly Rim[]): void {
    this.#rims = rims;
    this.#show();
  }

  #show(): void {
    const isNear = nearness(this.#edgesKnown);
    const edges: number[] = [];
    const teeth: number[] = [];
    for (const rim of this.#rims) {
      for (let n = 1; n < rim.length; n++) {
        const [[ax, ay], [bx, by]] = [rim[n - 1]!, rim[n]!];
        // The edge is preferred: its position is finer than a cell, and it has a depth.
        if (!isNear((ax + bx) / 2, (ay + by) / 2)) edges.push(ax, ay, LIFT, bx, by, LIFT);
      }
    }
    for (const { points, drop } of this.#edgesKnown) {
      const depth = Math.min(drop, LONGEST_TOOTH);
      let since = TOOTH_EVERY / 2;
      for (let n = 1; n < points.length; n++) {
        const [[ax, ay, az], [bx, by, bz]] = [points[n - 1]!, points[n]!];
        edges.push(ax, ay, az + LIFT, bx, by, bz + LIFT);
        const length = Math.hypot(bx - ax, by - ay);
        if (length === 0) continue;
        const [nx, ny] = [-(by - ay) / length, (bx - ax) / length];
        for (; since < length; since += TOOTH_EVERY) {
          const [x, y] = [ax + (since / length) * (bx - ax), ay + (since / length) * (by - ay)];
          const low = this.#isGone(x + ASIDE * nx, y + ASIDE * ny)
            ? 1
            : this.#isGone(x - ASIDE * nx, y - ASIDE * ny)
              ? -1
              : 0;
          const reach = low * TOOTH_REACH;
          const z = az + LIFT;
          teeth.push(x, y, z, x + reach * nx, y + reach * ny, z - depth);
        }
        since -= length;
      }
      // A single point gets a short mark.
      if (points.length === 1) {
        const [[x, y, z]] = points as [FloorEdge["points"][number]];
        edges.push(x - 0.01, y, z + LIFT, x + 0.01, y, z + LIFT);
      }
    }
    this.#edges.show(edges);
    this.#teeth.show(teeth);
  }
}

/** @returns a test of whether a position is beside one of the edges */
function nearness(edges: Edges): (x: number, y: number) => boolean {
  const taken = new Set<string>();
  const key = (x: number, y: number): string => `${Math.floor(x / BESIDE)},${Math.floor(y / BESIDE)}`;
  for (const { points } of edges) {
    for (const [x, y] of points) {
      for (const dx of [-BESIDE, 0, BESIDE])
        for (const dy of [-BESIDE, 0, BESIDE]) taken.add(key(x + dx, y + dy));
    }
  }
  return (x, y) => taken.has(key(x, y));
}

function tagsOf(edges: Edges): Tag[] {
  return edges
    .map(({ points, drop, confidence, age }) => {
      const length = points.reduce((sum, [x, y], n) => {
        const [fromX, fromY] = points[Math.max(0, n - 1)]!;
        return sum + Math.hypot(x - fromX, y - fromY);
      }, 0);
      return { length, text: textOf(drop, confidence, age), middle: points[points.length >> 1]! };
    })
    .filter(({ length }) => length >= TAGGED)
    .sort((a, b) => b.length - a.length)
    .slice(0, MOST_TAGS)
    .map(({ text, middle }) => ({
      text,
      at: [middle[0], middle[1], middle[2] + LIFT] as const,
    }));
}

/** The depth of an edge, with a question mark while few frames have confirmed it, and its age if that is more than a minute. */
function textOf(drop: number, confidence: number, age: number): string {
  const depth = Number.isFinite(drop) ? metresText(drop) : "no bottom";
  const seen = age < OLD ? "" : `, ${Math.floor(age / 60)} min ago`;
  return `${depth}${confidence < SURE ? "?" : ""}${seen}`;
}
