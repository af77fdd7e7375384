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
import { metresText } from "./text.ts";
import type { Theme } from "./theme.ts";
import { WideLines } from "./wide-lines.ts";

/** A point chosen on the map, or two and the line between them; metres. */
export interface Ruler {
  readonly places: readonly (readonly number[])[];
  /** Whether the length is shown beside it. */
  readonly isMeasured: boolean;
}

/** Points chosen on the map, and lines between two of them. They are drawn over everything. */
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
    this.#line.show(rulers.flatMap((ruler) => (ruler.places.length === 2 ? ruler.places.flat() : [])));
  }

  /** Lengths of the lines, at their midpoints. */
  get tags(): readonly Tag[] {
    return this.#rulers
      .filter(({ places, isMeasured }) => isMeasured && places.length === 2)
      .map(({ places }) => {
        const [a, b] = places as readonly [readonly number[], readonly number[]];
        const length = Math.hypot(a[0]! - b[0]!, a[1]! - b[1]!, a[2]! - b[2]!);
        const middle = [0, 1, 2].map((k) => (a[k]! + b[k]!) / 2) as [number, number, number];
        return { text: metresText(length), at: middle };
      });
  }
}
