import type { Vec3 } from "../geometry/optics.ts";
import { END, FOOTING, FOOTING_NAMES } from "../terms/safety.ts";
import { EVIDENCE, type GlanceFrame } from "./glance.ts";

// The hot loop's own copies.
const UNSEEN: number = FOOTING.unseen;
const FIRM: number = FOOTING.firm;
const GONE: number = FOOTING.gone;
const BLOCKED: number = FOOTING.blocked;

const TILE = 32;
const CELLS = TILE * TILE;

/** Evidence steps: touched counts up, passed down; a cell can change its mind, but not within one frame. */
const TOP = 12;
const FIRM_FROM = 2;
const GONE_FROM = -4;
/** Most that one frame may add or take: a wrong tilt must not turn a brink into floor at once. */
const TOUCHED_PER_FRAME = 3;
const PASSED_PER_FRAME = 6;
/** Frames in which a return was due and did not come, less twice those in which one came. */
const DOUBTFUL_FROM = 4;
const MOST_DOUBT = 8;
/** Least evidence (nats) of a missing return that counts as due. */
const DUE = 1.5;
/** Frames that see floor at the place of a knock until it is forgotten. */
const KNOCK_HELD = 8;

class Tile {
  readonly odds = new Int8Array(CELLS);
  readonly doubt = new Uint8Array(CELLS);
  /** The frame that changed it last, and what that frame has added and taken. */
  readonly frame = new Int32Array(CELLS);
  readonly added = new Uint8Array(CELLS);
  readonly taken = new Uint8Array(CELLS);
  /** Microseconds and metres: when and from how far the evidence was seen. */
  readonly time = new Float64Array(CELLS);
  readonly far = new Float32Array(CELLS);
  /** Metres: height of the expected floor in the world. */
  readonly height = new Float32Array(CELLS);
  /** Frame in which something that ends the ground was seen here, times 2, plus 1 when it was a brink. */
  readonly hard = new Int32Array(CELLS);
  /** How much is left of a knock here. */
  readonly knock = new Uint8Array(CELLS);
  /** Revision of the layers that were asked, times 2, plus 1 when they have something in the way here. */
  readonly layer = new Int32Array(CELLS).fill(-1);
  /** What odds, doubt and knock come to: a `FOOTING`, before map, time and the newest frame are asked. */
  readonly settled = new Uint8Array(CELLS);
  /** The brink in this cell: where, how deep, how sure; error 0 is none. */
  readonly brinkX = new Float32Array(CELLS);
  readonly brinkY = new Float32Array(CELLS);
  readonly drop = new Float32Array(CELLS);
  readonly error = new Float32Array(CELLS);
  readonly looks = new Uint8Array(CELLS);
  /** Whether any cell has one: few tiles do. */
  hasBrink = false;
  /** Newest frame with anything in `hard`: most tiles need not be asked cell by cell. */
  hardFrame = 0;
  /** No cell that is firm was seen before; so late at first that any is later. */
  earliest = Number.POSITIVE_INFINITY;

  /** Cell `c` takes over what cell `d` of another tile knows, unless it knows worse. */
  take(c: number, other: Tile, d: number): void {
    this.knock[c] = Math.max(this.knock[c]!, other.knock[d]!);
    this.doubt[c] = Math.max(this.doubt[c]!, other.doubt[d]!);
    if (this.odds[c] === 0 || other.odds[d]! < this.odds[c]!) {
      this.odds[c] = other.odds[d]!;
      this.time[c] = other.time[d]!;
      this.far[c] = other.far[d]!;
      this.height[c] = other.height[d]!;
    }
    if (this.time[c]! < this.earliest) this.earliest = this.time[c]!;
    this.settle(c);
  }

  settle(c: number): void {
    const odds = this.odds[c]!;
    if (this.knock[c]! > 0) this.settled[c] = FOOTING.blocked;
    else if (odds <= GONE_FROM) this.settled[c] = FOOTING.gone;
    else if (this.doubt[c]! >= DOUBTFUL_FROM) this.settled[c] = FOOTING.doubtful;
    else this.settled[c] = odds >= FIRM_FROM ? FOOTING.firm : FOOTING.unseen;
  }
}

/** What one cell knows; a copy. */
export interface FootingCell {
  /** A name of `FOOTING`. */
  readonly footing: (typeof FOOTING_NAMES)[number];
  /** Microseconds: capture of the frame that saw it last. Metres: from how far. */
  readonly time: number;
  readonly far: number;
  readonly height: number;
}

/** A boundary from firm to gone, in the world. */
export interface Brink {
  /** x, y in order along the edge, metres. */
  readonly points: readonly (readonly [number, number])[];
  /** Metres, the median along it. */
  readonly drop: number;
  /** 0 to 1: grows with the looks that confirmed it. */
  readonly confidence: number;
  /** Metres, 1 sigma, of the points' place across the edge. */
  readonly error: number;
}

/** Whether the map has something in the body's way in column (i, j). */
export type IsBlocked = (i: number, j: number) => boolean;

/**
 * The floor remembered: per cell of the world, the evidence for firm and gone ground, when and from how far it was seen, and
 * the brinks. Cells have the map columns' own places.
 */
export class FootingLayer {
  readonly cellSize: number;
  readonly #tiles = new Map<number, Tile>();
  #lastKey = Number.NaN;
  #lastTile: Tile | null = null;
  /** Number of the newest frame. */
  frame = 0;
  /** Microseconds: firm floor not seen since is unseen again. */
  oldest = Number.NEGATIVE_INFINITY;
  #isBlocked: IsBlocked | null = null;
  #layersRevision = 0;

  /** @param cellSize metres, the map's voxel size */
  constructor(cellSize: number) {
    this.cellSize = cellSize;
  }

  /** Tells where to ask for what stands in the way, and that the answers may have changed. */
  setBlocked(isBlocked: IsBlocked | null, revision: number): void {
    this.#isBlocked = isBlocked;
    this.#layersRevision = revision;
  }

  #tile(ti: number, tj: number): Tile {
    const key = tileKey(ti, tj);
    if (key === this.#lastKey && this.#lastTile !== null) return this.#lastTile;
    let tile = this.#tiles.get(key);
    if (tile === undefined) {
      tile = new Tile();
      this.#tiles.set(key, tile);
    }
    this.#lastKey = key;
    this.#lastTile = tile;
    return tile;
  }

  /** The tile, or null where nothing has been written. */
  #look(ti: number, tj: number): Tile | null {
    const key = tileKey(ti, tj);
    if (key === this.#lastKey) return this.#lastTile;
    const tile = this.#tiles.get(key) ?? null;
    this.#lastKey = key;
    this.#lastTile = tile;
    return tile;
  }

  /**
   * Takes in what a frame says.
   * @param time of the frame, microseconds
   * @param x, y, yaw of the base in the world, and the height of the floor under it
   */
  add(judged: GlanceFrame, time: number, x: number, y: number, yaw: number, floor: number): void {
    this.frame++;
    if (judged.sight === "blind" || judged.sight === "covered") return; // no view of the floor
    const frame = this.frame;
    const per = 1 / this.cellSize;
    const cos = Math.cos(yaw);
    const sin = Math.sin(yaw);
    const { x: xs, y: ys, what, far, height, weight } = judged;
    for (let k = 0; k < judged.evidence; k++) {
      const kind = what[k]!;
      // What was not due says nothing.
      if (kind === EVIDENCE.missing && weight[k]! < DUE) continue;
      const bx = xs[k]!;
      const by = ys[k]!;
      const i = Math.floor((x + cos * bx - sin * by) * per);
      const j = Math.floor((y + sin * bx + cos * by) * per);
      const tile = this.#tile(i >> 5, j >> 5);
      const c = ((j & 31) << 5) | (i & 31);
      if (tile.frame[c] !== frame) {
        tile.frame[c] = frame;
        tile.added[c] = 0;
        tile.taken[c] = 0;
      }
      const odds = tile.odds[c]!;
      if (kind === EVIDENCE.touched) {
        // Floor is believed against rays that went through it only from as near as they were seen.
        if (odds < 0 && far[k]! > tile.far[c]!) continue;
        if (tile.added[c]! >= TOUCHED_PER_FRAME) continue;
        if (tile.added[c] === 0) {
          if (tile.doubt[c]! > 0) tile.doubt[c] = Math.max(0, tile.doubt[c]! - 2);
          if (tile.knock[c]! > 0) tile.knock[c]!--;
        }
        tile.added[c]!++;
        if (odds < TOP) tile.odds[c] = odds + 1;
        tile.time[c] = time;
        if (time < tile.earliest) tile.earliest = time;
        tile.far[c] = far[k]!;
        tile.height[c] = floor + height[k]!;
        tile.settle(c);
      } else if (kind === EVIDENCE.leaning) {
        // That takes away from firm, and never makes anything gone.
        if (odds <= 0 || tile.taken[c]! >= PASSED_PER_FRAME) continue;
        tile.taken[c]!++;
        tile.odds[c] = odds - 1;
        tile.settle(c);
      } else if (kind === EVIDENCE.passed) {
        if (tile.taken[c]! >= PASSED_PER_FRAME) continue;
        tile.taken[c]! += 2;
        tile.odds[c] = Math.max(-TOP, odds - 2);
        tile.time[c] = time;
        tile.far[c] = far[k]!;
        tile.height[c] = floor + height[k]!;
        tile.settle(c);
      } else if (tile.added[c] === 0 && tile.taken[c] === 0) {
        tile.taken[c] = 1; // once a frame
        tile.doubt[c] = Math.min(MOST_DOUBT, tile.doubt[c]! + 1);
        tile.settle(c);
        if (odds <= 0) {
          tile.time[c] = time;
          tile.far[c] = far[k]!;
        }
      }
    }
    this.#addEnds(judged, x, y, cos, sin);
  }

  /** Marks what this frame saw in the way or dropping, between neighbouring strips, too. */
  #addEnds(judged: GlanceFrame, x: number, y: number, cos: number, sin: number): void {
    const { strips, kind, endX, endY, drop, range } = judged;
    let lastX = Number.NaN;
    let lastY = Number.NaN;
    for (let n = 0; n < strips; n++) {
      const end = kind[n]!;
      if (end !== END.brink && end !== END.obstacle && end !== END.overhang) {
        lastX = Number.NaN;
        continue;
      }
      const wx = x + cos * endX[n]! - sin * endY[n]!;
      const wy = y + sin * endX[n]! + cos * endY[n]!;
      const apart = Math.hypot(wx - lastX, wy - lastY);
      const steps = apart < 0.25 ? Math.ceil(apart / (0.5 * this.cellSize)) : 0;
      for (let s = 0; s < steps; s++) {
        this.#setHard(lastX + ((wx - lastX) * s) / steps, lastY + ((wy - lastY) * s) / steps, end);
      }
      this.#setHard(wx, wy, end);
      lastX = wx;
      lastY = wy;
      if (end === END.brink) this.#addBrink(wx, wy, drop[n]!, range[n]!);
    }
  }

  #setHard(wx: number, wy: number, end: number): void {
    const i = Math.floor(wx / this.cellSize);
    const j = Math.floor(wy / this.cellSize);
    const tile = this.#tile(i >> 5, j >> 5);
    tile.hard[((j & 31) << 5) | (i & 31)] = 2 * this.frame + (end === END.brink ? 1 : 0);
    tile.hardFrame = this.frame;
  }

  #addBrink(wx: number, wy: number, drop: number, range: number): void {
    const i = Math.floor(wx / this.cellSize);
    const j = Math.floor(wy / this.cellSize);
    const tile = this.#tile(i >> 5, j >> 5);
    const c = ((j & 31) << 5) | (i & 31);
    // Half a row's spacing on the floor (it grows with the square of the distance), and what the tilt leaves.
    const error = 0.004 + 0.012 * range * range;
    const old = tile.error[c]!;
    if (old > 0 && error > 1.5 * old) return;
    const share = old === 0 || error < 0.6 * old ? 1 : 0.3;
    tile.brinkX[c] = tile.brinkX[c]! + share * (wx - tile.brinkX[c]!);
    tile.brinkY[c] = tile.brinkY[c]! + share * (wy - tile.brinkY[c]!);
    tile.drop[c] = tile.drop[c]! + share * (drop - tile.drop[c]!);
    tile.error[c] = error;
    tile.hasBrink = true;
    if (tile.looks[c]! < 255) tile.looks[c]!++;
  }

  /** Takes ground as firm without having seen it: where the base stands. */
  trust(wx: number, wy: number, time: number, height: number): void {
    const i = Math.floor(wx / this.cellSize);
    const j = Math.floor(wy / this.cellSize);
    const tile = this.#tile(i >> 5, j >> 5);
    const c = ((j & 31) << 5) | (i & 31);
    if (tile.odds[c] !== 0) return;
    tile.odds[c] = FIRM_FROM;
    tile.time[c] = time;
    if (time < tile.earliest) tile.earliest = time;
    tile.height[c] = height;
    tile.settle(c);
  }

  /** Something was bumped into at this place. */
  addKnock(wx: number, wy: number): void {
    const i = Math.floor(wx / this.cellSize);
    const j = Math.floor(wy / this.cellSize);
    const tile = this.#tile(i >> 5, j >> 5);
    const c = ((j & 31) << 5) | (i & 31);
    tile.knock[c] = KNOCK_HELD;
    tile.settle(c);
  }

  /** Number of a `FOOTING` for cell (i, j); nothing is allocated. */
  at(i: number, j: number): number {
    const tile = this.#look(i >> 5, j >> 5);
    const c = ((j & 31) << 5) | (i & 31);
    if (tile === null) return this.#isBlocked?.(i, j) ? FOOTING.blocked : FOOTING.unseen;
    let layer = tile.layer[c]!;
    if (layer >> 1 !== this.#layersRevision) {
      layer = 2 * this.#layersRevision + (this.#isBlocked?.(i, j) ? 1 : 0);
      tile.layer[c] = layer;
    }
    if ((layer & 1) === 1) return BLOCKED;
    const settled = tile.settled[c]!;
    if (settled === BLOCKED || settled === GONE) return settled;
    if (tile.hardFrame === this.frame && this.frame > 0) {
      const hard = tile.hard[c]!;
      if (hard >> 1 === this.frame) return (hard & 1) === 1 ? GONE : BLOCKED;
    }
    if (settled !== FIRM) return settled;
    return tile.earliest >= this.oldest || tile.time[c]! >= this.oldest ? FIRM : UNSEEN;
  }

  /** Microseconds when the cell was last seen; -Infinity when never. */
  timeAt(i: number, j: number): number {
    const tile = this.#look(i >> 5, j >> 5);
    const c = ((j & 31) << 5) | (i & 31);
    if (tile === null || (tile.odds[c] === 0 && tile.doubt[c] === 0)) return Number.NEGATIVE_INFINITY;
    return tile.time[c]!;
  }

  /** The cell at a place in the world, metres. */
  cellAt(wx: number, wy: number): FootingCell {
    const i = Math.floor(wx / this.cellSize);
    const j = Math.floor(wy / this.cellSize);
    const footing = FOOTING_NAMES[this.at(i, j)]!;
    const tile = this.#look(i >> 5, j >> 5);
    const c = ((j & 31) << 5) | (i & 31);
    return {
      footing,
      time: this.timeAt(i, j),
      far: tile?.far[c] ?? Number.NaN,
      height: tile?.height[c] ?? Number.NaN,
    };
  }

  /** All brinks within `radius` of a place, chained from cell to cell. */
  brinks([cx, cy]: readonly [number, number] | Vec3, radius: number): Brink[] {
    interface Spot {
      x: number;
      y: number;
      drop: number;
      error: number;
      looks: number;
    }
    const spots: Spot[] = [];
    const reach = Math.ceil(radius / (32 * this.cellSize));
    const ti = Math.floor(cx / this.cellSize) >> 5;
    const tj = Math.floor(cy / this.cellSize) >> 5;
    for (let near = 0; near < (2 * reach + 1) ** 2; near++) {
      const across = near % (2 * reach + 1);
      const tile = this.#look(ti - reach + across, tj - reach + (near - across) / (2 * reach + 1));
      if (tile?.hasBrink !== true) continue;
      for (let c = 0; c < CELLS; c++) {
        if (tile.error[c] === 0 || tile.looks[c]! < 2) continue;
        const x = tile.brinkX[c]!;
        const y = tile.brinkY[c]!;
        // Looked for in each frame: most are too far or no rim, and Math.hypot makes garbage.
        if ((x - cx) ** 2 + (y - cy) ** 2 > radius ** 2 || !this.#isRim(x, y)) continue;
        spots.push({ x, y, drop: tile.drop[c]!, error: tile.error[c]!, looks: tile.looks[c]! });
      }
    }
    const link = (3 * this.cellSize) ** 2;
    const nearest = (to: Spot): number => {
      let best = -1;
      let least = link;
      for (let k = 0; k < spots.length; k++) {
        const spot = spots[k]!;
        const apart = (spot.x - to.x) ** 2 + (spot.y - to.y) ** 2;
        if (apart < least) {
          least = apart;
          best = k;
        }
      }
      return best;
    };
    const out: Brink[] = [];
    while (spots.length > 0) {
      const chain = [spots.pop()!];
      for (let k = nearest(chain.at(-1)!); k >= 0; k = nearest(chain.at(-1)!))
        chain.push(...spots.splice(k, 1));
      for (let k = nearest(chain[0]!); k >= 0; k = nearest(chain[0]!)) chain.unshift(...spots.splice(k, 1));
      const drops = chain.map(({ drop }) => drop).sort((a, b) => a - b);
      const looks = chain.reduce((sum, spot) => sum + spot.looks, 0) / chain.length;
      out.push({
        points: chain.map(({ x, y }) => [x, y] as const),
        drop: drops[drops.length >> 1]!,
        confidence: 1 - Math.exp(-looks / 3),
        error: Math.max(...chain.map(({ error }) => error)),
      });
    }
    return out;
  }

  /** Whether firm and gone ground meet here still: what was seen of an edge from afar is corrected from nearer. */
  #isRim(wx: number, wy: number): boolean {
    const i = Math.floor(wx / this.cellSize);
    const j = Math.floor(wy / this.cellSize);
    let firm = false;
    let gone = false;
    for (let di = -1; di <= 1; di++) {
      for (let dj = -1; dj <= 1; dj++) {
        const what = this.at(i + di, j + dj);
        if (what === FOOTING.firm) firm = true;
        else if (what === FOOTING.gone) gone = true;
      }
    }
    return firm && gone;
  }

  /**
   * Moves all that is remembered with the world: every place p lies at R(yaw) p + (x, y) from now on. Between turned grids some
   * cells fall together: what ends the ground outweighs what is firm.
   */
  move(x: number, y: number, yaw: number): void {
    const cos = Math.cos(yaw);
    const sin = Math.sin(yaw);
    const size = this.cellSize;
    const old = new Map(this.#tiles);
    this.clear();
    const from = (key: number, c: number): readonly [number, number] => {
      const [ti, tj] = tileOf(key);
      return [(ti * TILE + (c & 31) + 0.5) * size, (tj * TILE + (c >> 5) + 0.5) * size];
    };
    const into = (wx: number, wy: number): readonly [Tile, number] => {
      const i = Math.floor(wx / size);
      const j = Math.floor(wy / size);
      return [this.#tile(i >> 5, j >> 5), ((j & 31) << 5) | (i & 31)];
    };
    for (const [key, tile] of old) {
      for (let c = 0; c < CELLS; c++) {
        if (tile.odds[c] === 0 && tile.doubt[c] === 0 && tile.knock[c] === 0 && tile.error[c] === 0) continue;
        const [ox, oy] = from(key, c);
        const [to, d] = into(cos * ox - sin * oy + x, sin * ox + cos * oy + y);
        to.take(d, tile, c);
        if (tile.error[c] === 0) continue;
        const bx = tile.brinkX[c]!;
        const by = tile.brinkY[c]!;
        const [edge, e] = into(cos * bx - sin * by + x, sin * bx + cos * by + y);
        edge.brinkX[e] = cos * bx - sin * by + x;
        edge.brinkY[e] = sin * bx + cos * by + y;
        edge.drop[e] = tile.drop[c]!;
        edge.error[e] = tile.error[c]!;
        edge.looks[e] = tile.looks[c]!;
        edge.hasBrink = true;
      }
    }
    // Cells between, on which none has fallen: what lies nearest, asked the other way round.
    for (const [key, tile] of [...this.#tiles]) {
      for (let c = 0; c < CELLS; c++) {
        if (tile.odds[c] !== 0 || tile.doubt[c] !== 0 || tile.knock[c] !== 0) continue;
        const [wx, wy] = from(key, c);
        const i = Math.floor((cos * (wx - x) + sin * (wy - y)) / size);
        const j = Math.floor((cos * (wy - y) - sin * (wx - x)) / size);
        const other = old.get(tileKey(i >> 5, j >> 5));
        if (other !== undefined) tile.take(c, other, ((j & 31) << 5) | (i & 31));
      }
    }
  }

  /** Visits every cell that is not unseen: its column and `FOOTING`. */
  visit(see: (i: number, j: number, footing: number) => void): void {
    for (const key of this.#tiles.keys()) {
      const [ti, tj] = tileOf(key);
      for (let c = 0; c < CELLS; c++) {
        const i = ti * TILE + (c & 31);
        const j = tj * TILE + (c >> 5);
        const footing = this.at(i, j);
        if (footing !== FOOTING.unseen) see(i, j, footing);
      }
    }
  }

  clear(): void {
    this.#tiles.clear();
    this.#lastKey = Number.NaN;
    this.#lastTile = null;
  }
}

/** Tiles within +-2^20 of the origin. */
const tileKey = (ti: number, tj: number): number => (ti + 1048576) * 2097152 + (tj + 1048576);
const tileOf = (key: number): readonly [number, number] => [
  Math.floor(key / 2097152) - 1048576,
  (key % 2097152) - 1048576,
];

/** What users of a head may ask of its memory of the ground: nothing here can change it. */
export type FootingView = Readonly<
  Pick<FootingLayer, "cellSize" | "at" | "timeAt" | "cellAt" | "brinks" | "visit">
>;
