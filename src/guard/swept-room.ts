import { CURVATURES, END, FOOTING } from "../terms/safety.ts";
import type { Footprint } from "./body.ts";
import type { FootingLayer } from "./footing.ts";
import { type Sweep, SweptGround, sweep } from "./sweep.ts";

/** Metres by which the body is taken to be wider: it does not track its path exactly. Chosen by hand. */
const WIDER = 0.02;

const NOT_ASKED = 255;
const FIRM: number = FOOTING.firm;
const UNSEEN: number = FOOTING.unseen;
const DOUBTFUL: number = FOOTING.doubtful;
const GONE: number = FOOTING.gone;

/** Ways that a body can go, along arcs and on the spot, with the places of the ground that they enter. */
export interface Ways {
  /** One per `CURVATURES`. */
  readonly arcs: readonly (readonly [forward: Sweep, backward: Sweep])[];
  readonly spot: readonly [left: Sweep, right: Sweep];
  /** Metres, base frame. */
  readonly groundX: Float32Array;
  readonly groundY: Float32Array;
}

/** Those that were asked for last: to find them takes as long as a frame, and settings are changed more often than bodies. */
let known: { readonly name: string; readonly ways: Ways } | null = null;

/** @param length metres of each way that are looked at */
export function waysOf(footprint: Footprint, length: number): Ways {
  const name = JSON.stringify([footprint, length]);
  if (known?.name === name) return known.ways;
  const ground = new SweptGround();
  const along = (curvature: number): [Sweep, Sweep] => [
    sweep(ground, footprint, WIDER, curvature, 1, length),
    sweep(ground, footprint, WIDER, curvature, -1, length),
  ];
  // The straight way first: its sides' points must not be others', which lie a little farther out.
  const straight = along(0);
  const arcs = CURVATURES.map((curvature) => (curvature === 0 ? straight : along(curvature)));
  const spot = along(Number.POSITIVE_INFINITY);
  const ways = { arcs, spot, groundX: ground.x, groundY: ground.y };
  known = { name, ways };
  return ways;
}

/** Free way, metres, and the `END` that ends it. */
export interface Room {
  readonly room: number;
  readonly limit: number;
}

/** How far the body can go on free, firm ground along each of its ways, from one place in the world. */
export class SweptRoom {
  readonly ways: Ways;
  readonly #maxReach: number;
  /** Metres: unseen ground so narrow is crossed. */
  readonly #gap: number;
  /** What the ground of all ways is: a `FOOTING`, or `NOT_ASKED` from the newest place. */
  readonly #ground: Uint8Array;
  #footing: FootingLayer | null = null;
  #x = 0;
  #y = 0;
  #cos = 1;
  #sin = 0;

  constructor(ways: Ways, maxReach: number, gap: number) {
    this.ways = ways;
    this.#maxReach = maxReach;
    this.#gap = gap;
    this.#ground = new Uint8Array(ways.groundX.length);
  }

  /** Rooms are asked from this place from now on. */
  standAt(footing: FootingLayer, x: number, y: number, yaw: number): void {
    this.#footing = footing;
    this.#x = x;
    this.#y = y;
    this.#cos = Math.cos(yaw);
    this.#sin = Math.sin(yaw);
    this.#ground.fill(NOT_ASKED);
  }

  /** @param enough metres that are looked at */
  along({ point, way }: Sweep, enough: number): Room {
    const ground = this.#ground;
    for (let k = 0; k < point.length && way[k]! < enough; k++) {
      const p = point[k]!;
      let what = ground[p]!;
      if (what === NOT_ASKED) {
        what = this.#groundAt(p);
        ground[p] = what;
      }
      if (what !== FIRM) return { room: way[k]!, limit: endOf(what) };
    }
    return { room: this.#maxReach, limit: END.open };
  }

  /** Footing at a point of the ways; a hole of one cell between firm ones takes no wheel, and is firm. */
  #groundAt(point: number): number {
    const footing = this.#footing!;
    const bx = this.ways.groundX[point]!;
    const by = this.ways.groundY[point]!;
    const per = 1 / footing.cellSize;
    const i = Math.floor((this.#x + this.#cos * bx - this.#sin * by) * per);
    const j = Math.floor((this.#y + this.#sin * bx + this.#cos * by) * per);
    const what = footing.at(i, j);
    if ((what !== UNSEEN && what !== DOUBTFUL) || footing.cellSize > this.#gap) return what;
    const isNarrow =
      (footing.at(i - 1, j) === FIRM && footing.at(i + 1, j) === FIRM) ||
      (footing.at(i, j - 1) === FIRM && footing.at(i, j + 1) === FIRM);
    return isNarrow ? FIRM : what;
  }
}

function endOf(footing: number): number {
  if (footing === DOUBTFUL) return END.doubtful;
  if (footing === UNSEEN) return END.unseen;
  return footing === GONE ? END.brink : END.obstacle;
}
