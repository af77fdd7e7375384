import { type Footprint, holds } from "./body.ts";

/** Metres between the places at which a swept outline is looked at: finer than a cell of the floor. */
const GRAIN = 0.04;

/**
 * The ground that a footprint enters on its way along an arc, nearest first: which points of the shared ground, and after
 * what way. Ground that it stands on at the start is left out.
 */
export interface Sweep {
  readonly point: Uint16Array;
  /** Metres that the base's floor point has gone; on the spot: that the farthest corner has. */
  readonly way: Float32Array;
}

/** Places around the base that its sweeps enter, one per grain: arcs share most of them, and each is looked at once. */
export class SweptGround {
  readonly #x: number[] = [];
  readonly #y: number[] = [];
  readonly #points = new Map<number, number>();

  get count(): number {
    return this.#x.length;
  }

  /** Metres, base frame; copies. */
  get x(): Float32Array {
    return Float32Array.from(this.#x);
  }

  get y(): Float32Array {
    return Float32Array.from(this.#y);
  }

  /** Number of the point that stands for the grain around (x, y): the first that came. */
  pointAt(x: number, y: number): number {
    const key = (Math.floor(x / GRAIN) + 4096) * 8192 + Math.floor(y / GRAIN) + 4096;
    let point = this.#points.get(key);
    if (point === undefined) {
      point = this.#x.length;
      this.#points.set(key, point);
      this.#x.push(x);
      this.#y.push(y);
    }
    return point;
  }
}

/** Points around a polygon, no farther apart than `GRAIN`, corners included. */
function outline(footprint: Footprint): [number, number][] {
  return footprint.flatMap(([x0, y0], n) => {
    const [x1, y1] = footprint[(n + 1) % footprint.length]!;
    const steps = Math.max(1, Math.ceil(Math.hypot(x1 - x0, y1 - y0) / GRAIN));
    return Array.from({ length: steps }, (_, s): [number, number] => [
      x0 + ((x1 - x0) * s) / steps,
      y0 + ((y1 - y0) * s) / steps,
    ]);
  });
}

/**
 * Works out a sweep.
 * @param ground     takes the points
 * @param footprint  of the body, base frame
 * @param wider      metres by which its sides are set outwards from the base's floor point, for what is not known exactly
 * @param curvature  1/m, left positive; Infinity turns on the spot
 * @param direction  1 forward (on the spot: to the left), -1 backward (to the right)
 * @param length     metres of way looked at
 */
export function sweep(
  ground: SweptGround,
  footprint: Footprint,
  wider: number,
  curvature: number,
  direction: 1 | -1,
  length: number,
): Sweep {
  const set = (out: number, ahead: number) =>
    footprint.map(([x, y]) => [x + Math.sign(x) * ahead, y + Math.sign(y) * out] as const);
  const body = set(wider, 0);
  const stoodOn = set(wider + 0.004, 0.004); // a little more, or the sides' own points would count
  const rim = outline(body);
  const radius = Math.max(...body.map(([x, y]) => Math.hypot(x, y)));
  const onTheSpot = curvature === Number.POSITIVE_INFINITY;
  const seen = new Set<number>();
  const points: number[] = [];
  const ways: number[] = [];
  const step = GRAIN / 2 / (onTheSpot ? 1 : 1 + Math.abs(curvature) * radius);
  for (let way = step; way <= length; way += step) {
    const yaw = onTheSpot ? (direction * way) / radius : direction * way * curvature;
    const cos = Math.cos(yaw);
    const sin = Math.sin(yaw);
    // Along a circle of that curvature from the origin, heading x.
    const cx = onTheSpot ? 0 : Math.abs(curvature) < 1e-9 ? direction * way : sin / curvature;
    const cy = onTheSpot || Math.abs(curvature) < 1e-9 ? 0 : (1 - cos) / curvature;
    for (const [px, py] of rim) {
      const x = cx + cos * px - sin * py;
      const y = cy + sin * px + cos * py;
      if (holds(stoodOn, x, y)) continue;
      const point = ground.pointAt(x, y);
      if (seen.has(point)) continue;
      seen.add(point);
      points.push(point);
      ways.push(way);
    }
    // A full turn has swept all there is.
    if (onTheSpot && way > 2 * Math.PI * radius) break;
  }
  return { point: Uint16Array.from(points), way: Float32Array.from(ways) };
}
