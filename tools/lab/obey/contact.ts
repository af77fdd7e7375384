import type { Footprint } from "../../../src/guard/body.ts";
import type { Scene } from "../../../src/simulate/scene.ts";
import type { Solid } from "../../../src/simulate/solids.ts";

type Point = readonly [x: number, y: number];

/** A solid that stands still, from above. */
interface Obstacle {
  readonly x: number;
  readonly y: number;
  /** Of the circle around it. */
  readonly radius: number;
  readonly base: number;
  readonly top: number;
  /** Corners of a box; null for a round one, whose radius is `radius`. */
  readonly corners: readonly Point[] | null;
}

function obstacleOf(solid: Solid): Obstacle {
  const { x, y, base } = solid;
  if (solid.shape !== "block") return { x, y, base, top: solid.top, radius: solid.radius, corners: null };
  const { halfX, halfY, yaw, heights } = solid;
  const [cos, sin] = [Math.cos(yaw), Math.sin(yaw)];
  const corners = [
    [halfX, halfY],
    [halfX, -halfY],
    [-halfX, -halfY],
    [-halfX, halfY],
  ].map(([u = 0, v = 0]): Point => [x + u * cos - v * sin, y + u * sin + v * cos]);
  return { x, y, base, top: Math.max(...heights), radius: Math.hypot(halfX, halfY), corners };
}

/** Solids of a scene that a body on the floor can hit. Movers are left out: they run into the body. */
export class Contacts {
  readonly #obstacles: readonly Obstacle[];

  /** @param scene without movers */
  constructor(scene: Scene) {
    this.#obstacles = scene.solids.map(obstacleOf);
  }

  /**
   * A point of the outline, world frame, that touches something, or null.
   * @param outline convex, world frame
   * @param at      centre of a circle of radius `reach` that contains the outline
   * @param heights obstacles between these heights are in the way, metres
   */
  touch(
    outline: Footprint,
    { x, y, reach }: { readonly x: number; readonly y: number; readonly reach: number },
    [from, to]: readonly [number, number],
  ): Point | null {
    for (const one of this.#obstacles) {
      if (one.top <= from || one.base >= to) continue;
      const room = reach + one.radius;
      const [dx, dy] = [one.x - x, one.y - y];
      if (dx * dx + dy * dy > room * room) continue;
      const shape = one.corners;
      const isTouching =
        shape === null ? isNear(outline, one.x, one.y, one.radius) : !areApart(outline, shape);
      if (isTouching) return nearest(outline, one.x, one.y);
    }
    return null;
  }
}

/** Whether a circle reaches into a convex outline. */
function isNear(outline: Footprint, x: number, y: number, radius: number): boolean {
  let isInside = true;
  let sign = 0;
  for (let i = 0; i < outline.length; i++) {
    const [ax, ay] = outline[i]!;
    const [bx, by] = outline[(i + 1) % outline.length]!;
    const [ex, ey] = [bx - ax, by - ay];
    const side = ex * (y - ay) - ey * (x - ax);
    if (sign === 0) sign = Math.sign(side);
    else if (Math.sign(side) !== sign) isInside = false;
    const share = Math.min(1, Math.max(0, ((x - ax) * ex + (y - ay) * ey) / (ex * ex + ey * ey)));
    if (Math.hypot(x - ax - share * ex, y - ay - share * ey) < radius) return true;
  }
  return isInside;
}

/** Whether a line lies between two convex outlines: one along a side of either. Source: the separating axis theorem. */
function areApart(a: readonly Point[], b: readonly Point[]): boolean {
  return isParted(a, b) || isParted(b, a);
}

function isParted(a: readonly Point[], b: readonly Point[]): boolean {
  for (let i = 0; i < a.length; i++) {
    const [ax, ay] = a[i]!;
    const [bx, by] = a[(i + 1) % a.length]!;
    const [nx, ny] = [by - ay, ax - bx];
    const along = (points: readonly Point[]): number[] => points.map(([x, y]) => nx * x + ny * y);
    const [own, other] = [along(a), along(b)];
    if (Math.max(...own) <= Math.min(...other) || Math.max(...other) <= Math.min(...own)) return true;
  }
  return false;
}

/** The point of an outline that is nearest to a place. */
function nearest(outline: Footprint, x: number, y: number): Point {
  let best: Point = outline[0]!;
  let least = Number.POSITIVE_INFINITY;
  for (let i = 0; i < outline.length; i++) {
    const [ax, ay] = outline[i]!;
    const [bx, by] = outline[(i + 1) % outline.length]!;
    const [ex, ey] = [bx - ax, by - ay];
    const share = Math.min(1, Math.max(0, ((x - ax) * ex + (y - ay) * ey) / (ex * ex + ey * ey)));
    const point: Point = [ax + share * ex, ay + share * ey];
    const far = Math.hypot(point[0] - x, point[1] - y);
    if (far < least) {
      least = far;
      best = point;
    }
  }
  return best;
}
