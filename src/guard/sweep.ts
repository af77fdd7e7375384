import { atan2Of, cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import { BEARINGS } from "../terms/safety.ts";
import { type Footprint, holds, radiusOf } from "./body.ts";

/**
 * Grid spacing ("grain") of the swept outline: metres at most, and as a share of a cell. A point represents its grain. It
 * lies up to a diagonal from the outline's true path, which is reached up to half a grain earlier. With half a cell that is less than
 * the cell that is kept besides the margin.
 */
const GRAIN = 0.025;
const GRAIN_PER_CELL = 0.5;
/** Spacing of points of the outline, in grains: less than one, or rounding could skip a row of grains. */
const RIM_PER_GRAIN = 0.8;
/** Metres by which the outline on which the base stands is enlarged: otherwise points of the sides would count as entered. */
const STOOD_ON = 0.004;

/** The ground that a footprint enters along an arc, nearest first, without the ground on which it stands at the start. */
export interface Sweep {
  /** Points of the shared ground. */
  readonly point: Uint32Array;
  /** Way of the base's floor point, metres, when the outline enters each point; on the spot, way of the farthest corner. */
  readonly way: Float32Array;
  /** Length of the sweep, metres; Infinity for a full turn on the spot. */
  readonly length: number;
  /** 1/m, left positive; Infinity turns on the spot. */
  readonly curvature: number;
  /** 1 forward (on the spot: to the left), -1 backward (to the right). */
  readonly direction: 1 | -1;
}

/** Points around the base that its sweeps enter, one per grain. Arcs share most of them, and each is looked up once. */
export class SweptGround {
  /** Metres between places. */
  readonly grain: number;
  readonly #x: number[] = [];
  readonly #y: number[] = [];
  readonly #points = new Map<number, number>();

  /** @param cellSize metres: side of a cell of the floor */
  constructor(cellSize: number) {
    this.grain = Math.min(GRAIN, GRAIN_PER_CELL * cellSize);
  }

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

  /** The bearing of each point: a copy. */
  get bearing(): Uint8Array {
    return Uint8Array.from(this.#x, (x, n) => bearingOf(x, this.#y[n]!));
  }

  /** Number of the point that represents the grain around (x, y): the first one in it. */
  pointAt(x: number, y: number): number {
    const key =
      (Math.floor(x / this.grain) + HALF_KEYS) * 2 * HALF_KEYS + Math.floor(y / this.grain) + HALF_KEYS;
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
/** Range of a key, in grains to each side of the base. */
const HALF_KEYS = 2 ** 20;

/** A direction in steps between bearings, rounded: 0 ahead, positive to the left, negative to the right. */
export function turnsOf(x: number, y: number): number {
  return Math.round((atan2Of(y, x) * BEARINGS) / (2 * Math.PI));
}

/** Number of the bearing that is nearest to a direction. */
export function bearingOf(x: number, y: number): number {
  return (turnsOf(x, y) + BEARINGS) % BEARINGS;
}

/**
 * Points around a polygon, no farther apart than `apart` metres. Corners come first: where a corner and its neighbour share a grain, the
 * corner must represent it, or the swept body would be too narrow.
 */
function outline(footprint: Footprint, apart: number): (readonly [number, number])[] {
  const between = footprint.flatMap(([x0, y0], n) => {
    const [x1, y1] = footprint[(n + 1) % footprint.length]!;
    const steps = Math.max(1, Math.ceil(hypot2(x1 - x0, y1 - y0) / apart));
    return Array.from({ length: steps - 1 }, (_, s): [number, number] => [
      x0 + ((x1 - x0) * (s + 1)) / steps,
      y0 + ((y1 - y0) * (s + 1)) / steps,
    ]);
  });
  return [...footprint, ...between];
}

/** A footprint whose sides are moved outwards, metres. */
export const widened = (footprint: Footprint, aside: number, ahead = 0): Footprint =>
  footprint.map(([x, y]) => [x + Math.sign(x) * ahead, y + Math.sign(y) * aside] as const);

/** Where the base's floor point is, and its heading, after a way. */
export interface Turned {
  readonly x: number;
  readonly y: number;
  readonly yaw: number;
}

/** @param radius metres to the farthest corner, whose way counts on the spot */
export function poseAfter(curvature: number, direction: 1 | -1, way: number, radius: number): Turned {
  if (curvature === Number.POSITIVE_INFINITY) return { x: 0, y: 0, yaw: (direction * way) / radius };
  // Along a circle of that curvature from the origin, heading x.
  const yaw = direction * way * curvature;
  if (Math.abs(curvature) < 1e-9) return { x: direction * way, y: 0, yaw };
  return { x: sinOf(yaw) / curvature, y: (1 - cosOf(yaw)) / curvature, yaw };
}

/**
 * Computes a sweep.
 * @param ground     receives the points
 * @param body       outline that is swept, base frame
 * @param way        curvature, 1/m, left positive, Infinity on the spot; direction, 1 forward (on the spot: to the left), -1 backward (to the
 *                   right); length of the sweep, metres
 */
export function sweep(
  ground: SweptGround,
  body: Footprint,
  { curvature, direction, length }: Pick<Sweep, "curvature" | "direction" | "length">,
): Sweep {
  const stoodOn = widened(body, STOOD_ON, STOOD_ON);
  const rim = outline(body, RIM_PER_GRAIN * ground.grain);
  const radius = radiusOf(body);
  const onTheSpot = curvature === Number.POSITIVE_INFINITY;
  const seen = new Set<number>();
  const points: number[] = [];
  const ways: number[] = [];
  const step = ground.grain / 2 / (onTheSpot ? 1 : 1 + Math.abs(curvature) * radius);
  const fullTurn = onTheSpot ? 2 * Math.PI * radius : Number.POSITIVE_INFINITY;
  for (let way = step; way <= Math.min(length, fullTurn + step); way += step) {
    const { x: cx, y: cy, yaw } = poseAfter(curvature, direction, way, radius);
    const cos = cosOf(yaw);
    const sin = sinOf(yaw);
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
  }
  return {
    point: Uint32Array.from(points),
    way: Float32Array.from(ways),
    length: length >= fullTurn ? Number.POSITIVE_INFINITY : length,
    curvature,
    direction,
  };
}
