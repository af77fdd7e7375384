import {
  BufferAttribute,
  BufferGeometry,
  Group,
  type IUniform,
  Points,
  PointsMaterial,
  type Vector2,
} from "three";
import type { Tag } from "./map-marks.ts";
import { type Measure, sizeText } from "./measuring.ts";
import type { Theme } from "./theme.ts";
import { WideLines } from "./wide-lines.ts";

/** Places chosen on the map, metres: a point, a distance between two, or the corners of an area. */
export interface Ruler {
  readonly places: readonly (readonly number[])[];
  /** What is measured; null: the size is not shown. */
  readonly what: Measure | null;
  /** As `Measured.error`. */
  readonly error?: number | null;
}

/** Points chosen on the map, and the lines between them. They are drawn over everything. */
export class RulerLayer {
  readonly object = new Group();
  readonly #line: WideLines;
  readonly #ends: Points<BufferGeometry, PointsMaterial>;
  #rulers: readonly Ruler[] = [];

  constructor(viewport: IUniform<Vector2>) {
    this.#line = new WideLines(viewport, [
      { colour: "paper", width: 5, isOnTop: true, order: 7 },
      { colour: "mark", width: 2, isOnTop: true, order: 8 },
    ]);
    this.#ends = new Points(
      new BufferGeometry(),
      new PointsMaterial({ size: 9, sizeAttenuation: false, depthTest: false }),
    );
    this.#ends.renderOrder = 8;
    this.#ends.frustumCulled = false;
    this.object.add(this.#line.object, this.#ends);
    this.show([]);
  }

  paint(theme: Theme): void {
    this.#line.paint(theme);
    this.#ends.material.color.set(theme.mark);
  }

  show(rulers: readonly Ruler[]): void {
    this.#rulers = rulers;
    const places = rulers.flatMap((ruler) => ruler.places);
    this.#ends.geometry.dispose();
    const geometry = new BufferGeometry();
    geometry.setAttribute("position", new BufferAttribute(new Float32Array(places.flat()), 3));
    this.#ends.geometry = geometry;
    this.#ends.visible = places.length > 0;
    this.#line.show(rulers.flatMap(linesOf));
  }

  /** Sizes of what is measured, in the middle of their places. */
  get tags(): readonly Tag[] {
    return this.#rulers.flatMap(({ places, what, error = null }) => {
      if (what === null || places.length < (what === "area" ? 3 : 2)) return [];
      const middle = [0, 1, 2].map((k) => places.reduce((sum, place) => sum + place[k]!, 0) / places.length);
      return [{ text: sizeText({ what, places, error }), at: middle as [number, number, number] }];
    });
  }
}

/** Both ends of each line: one between two places; all sides of an area, with the one that closes it. */
function linesOf({ places, what }: Ruler): number[] {
  const sides = what === "area" && places.length > 2 ? places.length : places.length - 1;
  return Array.from({ length: Math.max(0, sides) }, (_, n) => [
    ...places[n]!,
    ...places[(n + 1) % places.length]!,
  ]).flat();
}
