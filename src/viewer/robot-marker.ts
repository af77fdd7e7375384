import {
  BufferAttribute,
  BufferGeometry,
  DoubleSide,
  Group,
  type IUniform,
  Mesh,
  MeshBasicMaterial,
  type Vector2,
} from "three";
import type { FromServer } from "../wire/messages.ts";
import { type Body, type LimitPoint, limitPointOf, wedgeOf } from "./body.ts";
import type { Theme } from "./theme.ts";
import { WideLines } from "./wide-lines.ts";

/** Metres above the floor. */
const LIFT = 0.06;
/** Metres: radius of the ring around the point that limits the pace. */
const RING = 0.14;
const RING_SIDES = 24;

/** The robot on the map, to scale: its outline with its front, the free band ahead, and a ring around the point that limits it. */
export class RobotMarker {
  readonly object = new Group();
  readonly #outline: WideLines;
  readonly #way: WideLines;
  readonly #limitPoint: WideLines;
  readonly #views: WideLines;
  readonly #front: Mesh<BufferGeometry, MeshBasicMaterial>;
  readonly #band: Mesh<BufferGeometry, MeshBasicMaterial>;
  #body: Body = [];
  #isWayShown = true;
  #reach: Pick<FromServer<"reach">, "pace"> | null = null;

  constructor(viewport: IUniform<Vector2>) {
    this.#outline = new WideLines(viewport, [
      { colour: "robot", width: 2.5, opacity: 0.35, isOnTop: true, order: 4 },
      { colour: "paper", width: 5.5, order: 4 },
      { colour: "robot", width: 3, order: 5 },
    ]);
    this.#way = new WideLines(viewport, [{ colour: "robot", width: 1.5, order: 2 }]);
    this.#limitPoint = new WideLines(viewport, [
      { colour: "paper", width: 6, isOnTop: true, order: 6 },
      { colour: "robot", width: 3, isOnTop: true, order: 7 },
    ]);
    this.#views = new WideLines(viewport, [{ colour: "robot", width: 1, opacity: 0.6, order: 2 }]);
    this.#front = flat(1, 5);
    this.#band = flat(0.16, 2);
    const lines = [this.#outline, this.#way, this.#limitPoint].map(({ object }) => object);
    this.object.add(this.#front, this.#band, ...lines, this.#views.object);
    this.object.visible = false;
  }

  paint(theme: Theme): void {
    for (const lines of [this.#outline, this.#way, this.#limitPoint, this.#views]) lines.paint(theme);
    for (const mesh of [this.#front, this.#band]) mesh.material.color.set(theme.robot);
  }

  set body(body: Body) {
    this.#body = body;
    this.#outline.show(loop(body));
    fill(this.#front, wedgeOf(body));
    this.showReach(this.#reach);
  }

  /** The sensors' fields of view on level floor, one outline each. */
  set views(views: readonly Body[]) {
    this.#views.show(views.flatMap(loop));
  }

  set areViewsShown(areShown: boolean) {
    this.#views.object.visible = areShown;
  }

  set isWayShown(isShown: boolean) {
    this.#isWayShown = isShown;
    this.showReach(this.#reach);
  }

  /** @param reach null hides band and ring */
  showReach(reach: Pick<FromServer<"reach">, "pace"> | null): void {
    this.#reach = reach;
    const limitPoint = reach === null || !this.#isWayShown ? null : limitPointOf(reach, this.#body);
    this.#showBand(limitPoint);
    this.#limitPoint.show(limitPoint === null || limitPoint.isOpen ? [] : ring(limitPoint.x, limitPoint.y));
  }

  #showBand(limitPoint: LimitPoint | null): void {
    if (limitPoint === null) {
      fill(this.#band, []);
      this.#way.show([]);
      return;
    }
    const { front, right, left, end } = limitPoint;
    fill(this.#band, [[front, right], [end, right], [end, left], [front, left]]); // biome-ignore format: corners
    this.#way.show([
      ...[front, right, LIFT, end, right, LIFT],
      ...[front, left, LIFT, end, left, LIFT],
      ...[end, right, LIFT, end, left, LIFT],
    ]);
  }

  moveTo({ position, rotation }: FromServer<"pose">["worldFromBase"]): void {
    this.object.visible = true;
    this.object.position.set(...position);
    this.object.quaternion.set(...rotation);
  }
}

function flat(opacity: number, order: number): Mesh<BufferGeometry, MeshBasicMaterial> {
  const isClear = opacity < 1;
  const material = new MeshBasicMaterial({
    side: DoubleSide,
    transparent: isClear,
    opacity,
    depthWrite: !isClear,
  });
  const mesh = new Mesh(new BufferGeometry(), material);
  mesh.renderOrder = order;
  mesh.frustumCulled = false;
  return mesh;
}

/** @param corners of a convex outline, in order */
function fill(mesh: Mesh, corners: Body): void {
  const places: number[] = [];
  for (let n = 2; n < corners.length; n++) {
    for (const [x, y] of [corners[0]!, corners[n - 1]!, corners[n]!]) places.push(x, y, LIFT);
  }
  mesh.geometry.dispose();
  mesh.geometry = new BufferGeometry();
  mesh.geometry.setAttribute("position", new BufferAttribute(new Float32Array(places), 3));
  mesh.visible = places.length > 0;
}

/** Ends of the sides of a closed outline. */
function loop(corners: Body): number[] {
  return corners.flatMap(([x, y], n) => {
    const [toX, toY] = corners[(n + 1) % corners.length]!;
    return [x, y, LIFT, toX, toY, LIFT];
  });
}

function ring(x: number, y: number): number[] {
  const corners = Array.from({ length: RING_SIDES }, (_, n) => {
    const angle = (2 * Math.PI * n) / RING_SIDES;
    return [x + RING * Math.cos(angle), y + RING * Math.sin(angle)] as const;
  });
  return loop(corners);
}
