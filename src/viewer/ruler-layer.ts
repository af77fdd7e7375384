import {
  BufferAttribute,
  BufferGeometry,
  Group,
  type IUniform,
  Points,
  PointsMaterial,
  type Vector2,
} from "three";
import type { Theme } from "./theme.ts";
import { WideLines } from "./wide-lines.ts";

/** Up to two places that were chosen on the map, and the line between them; seen through everything. */
export class RulerLayer {
  readonly object = new Group();
  readonly #line: WideLines;
  readonly #ends: Points<BufferGeometry, PointsMaterial>;

  constructor(viewport: IUniform<Vector2>) {
    this.#line = new WideLines(viewport, [{ colour: "mark", width: 2, isOnTop: true, order: 4 }]);
    const places = new BufferGeometry();
    places.setAttribute("position", new BufferAttribute(new Float32Array(6), 3));
    this.#ends = new Points(
      places,
      new PointsMaterial({ size: 9, sizeAttenuation: false, depthTest: false }),
    );
    this.#ends.renderOrder = 4;
    this.#ends.frustumCulled = false;
    this.object.add(this.#line.object, this.#ends);
    this.show([]);
  }

  paint(theme: Theme): void {
    this.#line.paint(theme);
    this.#ends.material.color.set(theme.mark);
  }

  show(places: readonly (readonly number[])[]): void {
    const attribute = this.#ends.geometry.attributes["position"]!;
    for (const [n, place] of places.entries()) attribute.setXYZ(n, place[0]!, place[1]!, place[2]!);
    attribute.needsUpdate = true;
    this.#ends.geometry.setDrawRange(0, places.length);
    this.#ends.visible = places.length > 0;
    this.#line.show(places.length === 2 ? places.flat() : []);
  }
}
