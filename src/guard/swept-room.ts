import { cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import { BEARINGS, CURVATURES, END, FOOTING } from "../terms/safety.ts";
import { type Footprint, radiusOf } from "./body.ts";
import type { FootingLayer } from "./footing.ts";
import { poseAfter, type Sweep, SweptGround, sweep, type Turned, widened } from "./sweep.ts";

/** Margin of width, metres, because the body does not follow its path exactly. Chosen by hand. */
const WIDER = 0.02;

const NOT_ASKED = 255;
const FIRM: number = FOOTING.firm;
const UNSEEN: number = FOOTING.unseen;
const DOUBTFUL: number = FOOTING.doubtful;
const GONE: number = FOOTING.gone;
const KEPT_OUT: number = FOOTING.keptOut;

/** Sweeps of a body along arcs and on the spot, with the points of the ground that they enter. */
export interface Ways {
  /** One per `CURVATURES`. */
  readonly arcs: readonly (readonly [forward: Sweep, backward: Sweep])[];
  readonly spot: readonly [left: Sweep, right: Sweep];
  /** Metres, base frame, and the bearing of each place. */
  readonly groundX: Float32Array;
  readonly groundY: Float32Array;
  readonly bearing: Uint8Array;
  /** The outline that is swept. */
  readonly body: Footprint;
}

/** Parameters of the sweeps. */
export interface WaysWanted {
  readonly footprint: Footprint;
  /** Metres: side of a cell of the floor. */
  readonly cellSize: number;
  /** Length of the sweeps, metres: straight ahead, and all others. */
  readonly ahead: number;
  readonly length: number;
}

/** Cache of the last result: computing it takes as long as a frame, and settings change more often than bodies. */
let known: { readonly name: string; readonly ways: Ways } | null = null;

export function waysOf(wanted: WaysWanted): Ways {
  const name = JSON.stringify(wanted);
  if (known?.name === name) return known.ways;
  const { footprint, cellSize, ahead, length } = wanted;
  const ground = new SweptGround(cellSize);
  const body = widened(footprint, WIDER);
  // The straight way first: its sides must have points of their own, and not those of other ways, which lie a little farther out.
  const straight = [
    sweep(ground, body, { curvature: 0, direction: 1, length: ahead }),
    sweep(ground, body, { curvature: 0, direction: -1, length }),
  ] as const;
  const along = (curvature: number): [Sweep, Sweep] => [
    sweep(ground, body, { curvature, direction: 1, length }),
    sweep(ground, body, { curvature, direction: -1, length }),
  ];
  const arcs = CURVATURES.map((curvature) => (curvature === 0 ? straight : along(curvature)));
  const spot = along(Number.POSITIVE_INFINITY);
  const { x: groundX, y: groundY, bearing } = ground;
  const ways = { arcs, spot, groundX, groundY, bearing, body };
  known = { name, ways };
  return ways;
}

/** Free way, metres, and the `END` that ends it. */
export interface Room {
  readonly room: number;
  readonly cause: number;
  /** Number of the point of the sweep that ends it; -1 where nothing does. */
  readonly point: number;
}

/** Where the body would meet what ends a way; base frame, metres. */
export interface Meeting {
  /** The place on the ground, and the part of the outline that comes there. */
  readonly place: readonly [x: number, y: number];
  readonly outline: readonly [x: number, y: number];
  /** Microseconds when that ground was last seen; -Infinity when never. */
  readonly seen: number;
}

/** How far the body can go on free, firm ground along each of its ways, from one place in the world. */
export class SweptRoom {
  readonly ways: Ways;
  /** Metres: unseen ground so narrow is crossed. */
  readonly #gap: number;
  /** State of the ground at each point: a `FOOTING`, or `NOT_ASKED` since the last change of place. */
  readonly #ground: Uint8Array;
  /** The same for a body that feels its way out. */
  readonly #wayOut: Uint8Array;
  #footing: FootingLayer | null = null;
  #stale: Uint8Array = new Uint8Array(BEARINGS);
  #x = 0;
  #y = 0;
  #cos = 1;
  #sin = 0;

  constructor(ways: Ways, gap: number) {
    this.ways = ways;
    this.#gap = gap;
    this.#ground = new Uint8Array(ways.groundX.length);
    this.#wayOut = new Uint8Array(ways.groundX.length);
  }

  /**
   * Sets the place from which rooms are computed.
   * @param stale (BEARINGS) 0 for a fresh direction, else the `END` for which it is stale
   */
  standAt(footing: FootingLayer, stale: Uint8Array, { x, y, yaw }: Turned): void {
    this.#footing = footing;
    this.#stale = stale;
    this.#x = x;
    this.#y = y;
    this.#cos = cosOf(yaw);
    this.#sin = sinOf(yaw);
    this.#ground.fill(NOT_ASKED);
    this.#wayOut.fill(NOT_ASKED);
  }

  /**
   * @param enough     longest way to look at, metres; the rest is not free
   * @param inViewFrom (BEARINGS) for a body that feels its way out: metres from which on a sensor looks there now; null for any other
   */
  along({ point, way, length }: Sweep, enough: number, inViewFrom: Float32Array | null = null): Room {
    const ground = inViewFrom === null ? this.#ground : this.#wayOut;
    const stale = this.#stale;
    const { bearing } = this.ways;
    for (let k = 0; k < point.length && way[k]! < enough; k++) {
      const p = point[k]!;
      const why = stale[bearing[p]!]!;
      if (why !== 0) return { room: way[k]!, cause: why, point: k };
      let what = ground[p]!;
      if (what === NOT_ASKED) {
        what = this.#groundAt(p, inViewFrom);
        ground[p] = what;
      }
      if (what !== FIRM) return { room: way[k]!, cause: endOf(what), point: k };
    }
    return { room: Math.min(enough, length), cause: END.unlooked, point: -1 };
  }

  /** Where the body meets point `k` of a sweep. */
  meeting({ point, way, curvature, direction }: Sweep, k: number): Meeting {
    const p = point[k]!;
    const x = this.ways.groundX[p]!;
    const y = this.ways.groundY[p]!;
    const radius = radiusOf(this.ways.body);
    const then = poseAfter(curvature, direction, way[k]!, radius);
    const cos = cosOf(then.yaw);
    const sin = sinOf(then.yaw);
    const [dx, dy] = [x - then.x, y - then.y];
    const footing = this.#footing!;
    const wx = this.#x + this.#cos * x - this.#sin * y;
    const wy = this.#y + this.#sin * x + this.#cos * y;
    const seen = footing.timeAt(Math.floor(wx / footing.cellSize), Math.floor(wy / footing.cellSize));
    return { place: [x, y], outline: [cos * dx + sin * dy, cos * dy - sin * dx], seen };
  }

  #groundAt(point: number, inViewFrom: Float32Array | null): number {
    const footing = this.#footing!;
    const bx = this.ways.groundX[point]!;
    const by = this.ways.groundY[point]!;
    const per = 1 / footing.cellSize;
    const i = Math.floor((this.#x + this.#cos * bx - this.#sin * by) * per);
    const j = Math.floor((this.#y + this.#sin * bx + this.#cos * by) * per);
    if (inViewFrom === null) return footing.forWheels(i, j, this.#gap);
    const isInView = hypot2(bx, by) >= inViewFrom[this.ways.bearing[point]!]!;
    return footing.forWayOut(i, j, this.#gap, isInView);
  }
}

function endOf(footing: number): number {
  if (footing === DOUBTFUL) return END.doubtful;
  if (footing === UNSEEN) return END.unseen;
  if (footing === KEPT_OUT) return END.keptOut;
  return footing === GONE ? END.brink : END.obstacle;
}
