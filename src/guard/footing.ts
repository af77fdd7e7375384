import { cosOf, hypot2, sinOf, square } from "../geometry/elementary.ts";
import type { Vec3 } from "../geometry/optics.ts";
import { type Brink, type BrinkSpot, chainBrinks } from "../map/brink-lines.ts";
import { END, FOOTING, FOOTING_NAMES } from "../terms/safety.ts";
import { CELLS, middleOf, TILE_BITS, Tile, tileKey, tileOf } from "./footing-tile.ts";
import { EVIDENCE, type GlanceFrame } from "./glance-frame.ts";

// Copies for the hot loops: an imported constant costs a look-up there.
const UNSEEN: number = FOOTING.unseen;
const FIRM: number = FOOTING.firm;
const GONE: number = FOOTING.gone;
const DOUBTFUL: number = FOOTING.doubtful;
const BLOCKED: number = FOOTING.blocked;
const KEPT_OUT: number = FOOTING.keptOut;
const BITS: number = TILE_BITS;
const MASK: number = (1 << TILE_BITS) - 1;

/** Least evidence (nats) at which a missing return counts as expected. Chosen by hand, like DOUBT of the glance. */
const DUE = 1.5;
/** Metres: ends of neighbouring strips nearer than this belong to one object or edge. Chosen by hand. */
const ONE_EDGE = 0.25;
/** Largest distance in cells between neighbouring spots of one edge. Chosen by hand. */
const LINK = 3;
/** Metres around the base within which drops widen; and the most cells: older firm ground has been given up. */
const WIDENED_WITHIN = 1.6;
const MOST_WIDENED = 5;
/** Metres between two levels of the floor: more than poses and tilts are wrong by, less than a step. Chosen by hand. */
const LEVEL_STEP = 0.06;

/** A copy of one cell's evidence. */
export interface FootingCell {
  /** A name of `FOOTING`. */
  readonly footing: (typeof FOOTING_NAMES)[number];
  /** Microseconds: capture of the frame that saw it last. Metres: from how far. */
  readonly time: number;
  readonly far: number;
  readonly height: number;
}

/** Where the base is: metres, radians. */
interface Turned {
  readonly x: number;
  readonly y: number;
  readonly yaw: number;
}

/** Pose of the base on the floor, metres and radians, and the height of the floor under it. */
export interface Place extends Turned {
  readonly floor: number;
}

/** Whether the map has something in the body's way in column (i, j). */
export type IsBlocked = (i: number, j: number) => boolean;
/** The name of the area that keeps the base out of cell (i, j), or null. */
export type KeptOutBy = (i: number, j: number) => string | null;

/** A cell's number in its tile. */
const cellOf = (i: number, j: number): number => ((j & MASK) << BITS) | (i & MASK);

/**
 * Memory of the floor: for each cell, the evidence for firm and gone ground, when and from how far it was seen, and the
 * brinks. Cells have the places of the map's columns.
 */
export class FootingLayer {
  readonly cellSize: number;
  #tiles = new Map<number, Tile>();
  /** Cache of the tile that was used last. */
  #lastKey = Number.NaN;
  #lastTile: Tile | null = null;
  /** Number of the newest frame. */
  frame = 0;
  /** Microseconds: firm floor not seen since is unseen again. */
  oldest = Number.NEGATIVE_INFINITY;
  /** Microseconds: where the body stood before this is not known well enough any more. */
  stoodSince = Number.NEGATIVE_INFINITY;
  #isBlocked: IsBlocked | null = null;
  #keptOutBy: KeptOutBy | null = null;
  /** Cells by which drops may have drifted since they were seen. */
  #step = 0;
  #layersRevision = 0;
  /** Whether firm ground was given up since the start. */
  #isTrustedAgain = false;

  readonly #levelStep: number;

  /**
   * @param cellSize   metres, the map's voxel size
   * @param keepsLevels whether floor stays firm when it is seen from a higher level, where it looks gone: for maps of the floor. The
   *                    guard's memory is of the level that the base stands on, so that lower floor has to be gone
   */
  constructor(cellSize: number, { keepsLevels = false } = {}) {
    this.cellSize = cellSize;
    this.#levelStep = keepsLevels ? LEVEL_STEP : Number.POSITIVE_INFINITY;
  }

  /**
   * Sets the map's answer to "is this column blocked?", and that of the areas to "what keeps the base out?"; `revision` changes whenever answers
   * may change.
   */
  setBlocked(isBlocked: IsBlocked | null, revision: number, keptOutBy: KeptOutBy | null = null): void {
    this.#isBlocked = isBlocked;
    this.#keptOutBy = keptOutBy;
    this.#layersRevision = revision;
  }

  /** The name of the area that keeps the base out of the cell at a place, or of a neighbouring cell; null without one. */
  areaAt(wx: number, wy: number): string | null {
    if (this.#keptOutBy === null) return null;
    const i = Math.floor(wx / this.cellSize);
    const j = Math.floor(wy / this.cellSize);
    for (let di = -1; di <= 1; di++) {
      for (let dj = -1; dj <= 1; dj++) {
        const name = this.#keptOutBy(i + di, j + dj);
        if (name !== null) return name;
      }
    }
    return null;
  }

  /** The tile of a cell, made where nothing has been written yet. */
  #open(i: number, j: number): Tile {
    const found = this.#find(i, j);
    if (found !== null) return found;
    const tile = new Tile();
    tile.step = this.#step;
    this.#tiles.set(this.#lastKey, tile);
    this.#lastTile = tile;
    return tile;
  }

  /** The tile of a cell, or null where nothing has been written. */
  #find(i: number, j: number): Tile | null {
    const key = tileKey(i >> BITS, j >> BITS);
    if (key === this.#lastKey) return this.#lastTile;
    const tile = this.#tiles.get(key) ?? null;
    this.#lastKey = key;
    this.#lastTile = tile;
    return tile;
  }

  /**
   * Adds the evidence of a frame.
   * @param time of the frame, microseconds
   * @param at   pose of the base then, in the frame of this memory
   */
  add(judged: GlanceFrame, time: number, { x, y, yaw, floor }: Place): void {
    this.frame++;
    if (judged.sight === "blind" || judged.sight === "covered") return; // no view of the floor
    const frame = this.frame;
    const per = 1 / this.cellSize;
    const cos = cosOf(yaw);
    const sin = sinOf(yaw);
    const { x: xs, y: ys, what, far, height, weight } = judged;
    for (let k = 0; k < judged.evidence; k++) {
      const kind = what[k]!;
      // A missing return that was not expected is no evidence.
      if (kind === EVIDENCE.missing && weight[k]! < DUE) continue;
      const bx = xs[k]!;
      const by = ys[k]!;
      const i = Math.floor((x + cos * bx - sin * by) * per);
      const j = Math.floor((y + sin * bx + cos * by) * per);
      const tile = this.#open(i, j);
      const c = cellOf(i, j);
      const z = floor + height[k]!;
      const isLower = tile.odds[c]! > 0 && z - tile.height[c]! > this.#levelStep;
      // Rays from a higher level pass above this floor.
      if (isLower && kind !== EVIDENCE.touched) continue;
      tile.begin(c, frame);
      if (kind === EVIDENCE.touched) {
        // Seen as gone from a higher level before.
        if (tile.odds[c]! < 0 && tile.height[c]! - z > this.#levelStep) tile.restart(c);
        tile.touch(c, time, far[k]!, z);
      } else if (kind === EVIDENCE.leaning) tile.lean(c);
      else if (kind === EVIDENCE.passed) tile.pass(c, time, far[k]!, z);
      else tile.miss(c, time, far[k]!);
    }
    this.#addEnds(judged, x, y, cos, sin);
  }

  /** Marks cells where this frame saw an obstacle or a drop, also between neighbouring strips. */
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
      const apart = hypot2(wx - lastX, wy - lastY);
      const steps = apart < ONE_EDGE ? Math.ceil(apart / (0.5 * this.cellSize)) : 0;
      for (let s = 0; s < steps; s++) {
        this.#setHard(lastX + ((wx - lastX) * s) / steps, lastY + ((wy - lastY) * s) / steps, end);
      }
      this.#setHard(wx, wy, end);
      lastX = wx;
      lastY = wy;
      if (end === END.brink) {
        const [tile, c] = this.#openAt(wx, wy);
        tile.lookAtBrink(c, wx, wy, drop[n]!, range[n]!);
      }
    }
  }

  #setHard(wx: number, wy: number, end: number): void {
    const [tile, c] = this.#openAt(wx, wy);
    tile.hard[c] = 2 * this.frame + (end === END.brink ? 1 : 0);
    tile.hardFrame = this.frame;
  }

  /** Tile and cell of a place in the world, metres. */
  #openAt(wx: number, wy: number): [Tile, number] {
    const i = Math.floor(wx / this.cellSize);
    const j = Math.floor(wy / this.cellSize);
    return [this.#open(i, j), cellOf(i, j)];
  }

  /**
   * Assumes ground to be firm without measurement: where the base stands. After firm ground was given up, only ground that was firm: it is
   * firm whether the base was carried, and somebody vouches for the ground around it, or was not.
   */
  trust(wx: number, wy: number, time: number, height: number): void {
    const [tile, c] = this.#openAt(wx, wy);
    tile.trust(c, time, height, this.#isTrustedAgain);
  }

  /** The bumper touched something at this place. */
  addKnock(wx: number, wy: number): void {
    const [tile, c] = this.#openAt(wx, wy);
    tile.bump(c);
  }

  /** The `FOOTING` of cell (i, j); nothing is allocated. */
  at(i: number, j: number): number {
    const tile = this.#find(i, j);
    const c = cellOf(i, j);
    if (tile === null) return this.#isBlocked?.(i, j) ? BLOCKED : this.#isKeptOut(i, j) ? KEPT_OUT : UNSEEN;
    let layer = tile.layer[c]!;
    if (layer >> 2 !== this.#layersRevision) {
      layer = 4 * this.#layersRevision + (this.#isBlocked?.(i, j) ? 1 : 0) + (this.#isKeptOut(i, j) ? 2 : 0);
      tile.layer[c] = layer;
    }
    if ((layer & 1) === 1) return BLOCKED;
    const settled = tile.settled[c]!;
    if (settled === BLOCKED || settled === GONE) return settled;
    if ((layer & 2) === 2) return KEPT_OUT;
    if (tile.hardFrame === this.frame && this.frame > 0) {
      const hard = tile.hard[c]!;
      if (hard >> 1 === this.frame) return (hard & 1) === 1 ? GONE : BLOCKED;
    }
    if (settled !== FIRM) return settled;
    return tile.earliest >= this.oldest || tile.time[c]! >= this.oldest ? FIRM : UNSEEN;
  }

  #isKeptOut(i: number, j: number): boolean {
    return this.#keptOutBy !== null && this.#keptOutBy(i, j) !== null;
  }

  /** The `FOOTING` of cell (i, j) on the map: firm floor does not age, and the newest frame counts no more than those before. */
  forMap(i: number, j: number): number {
    if (this.#isBlocked?.(i, j) === true) return BLOCKED;
    return this.#find(i, j)?.settled[cellOf(i, j)] ?? UNSEEN;
  }

  /** Sets a tile of another layer with cells of the same size. */
  setTile(key: number, tile: Tile): void {
    this.#tiles.set(key, tile);
    this.#lastKey = Number.NaN;
  }

  /** Takes over the evidence of another layer with cells of the same size, cell by cell, unless its own is worse. */
  absorb(other: FootingLayer): void {
    for (const [key, tile] of other.tiles) {
      const [ti, tj] = tileOf(key);
      const to = this.#open(ti << BITS, tj << BITS);
      for (let c = 0; c < CELLS; c++) {
        if (!tile.isBlank(c)) to.take(c, tile, c);
        if (tile.error[c] !== 0) to.takeBrink(c, tile, c, tile.brinkX[c]!, tile.brinkY[c]!);
      }
    }
  }

  /** The tiles by their keys. */
  get tiles(): ReadonlyMap<number, Tile> {
    return this.#tiles;
  }

  /** The `FOOTING` of cell (i, j) for wheels: a hole of one cell between firm ones is firm if wheels cross gaps that wide. */
  forWheels(i: number, j: number, gap: number): number {
    const what = this.at(i, j);
    if ((what !== UNSEEN && what !== DOUBTFUL) || this.cellSize > gap) return what;
    const isHole =
      (this.at(i - 1, j) === FIRM && this.at(i + 1, j) === FIRM) ||
      (this.at(i, j - 1) === FIRM && this.at(i, j + 1) === FIRM);
    return isHole ? FIRM : what;
  }

  /** The body stands on this cell: if it is known to be firm, it stays so for a way out. */
  standOn(i: number, j: number, time: number): void {
    const tile = this.#find(i, j);
    const c = cellOf(i, j);
    if (tile !== null && tile.settled[c] === FIRM && tile.time[c]! >= this.oldest) tile.stood[c] = time;
  }

  /**
   * The `FOOTING` of cell (i, j) for a body that is shut in and feels its way out: firm ground on which it has stood does not age; and
   * what the map has in the way may have gone while nothing looked there.
   * @param isInView whether a sensor looks there now: what it sees there is there
   */
  forWayOut(i: number, j: number, gap: number, isInView: boolean): number {
    const what = this.forWheels(i, j, gap);
    if (what === FIRM || what === GONE || what === DOUBTFUL) return what;
    const tile = this.#find(i, j);
    if (tile === null || (what === BLOCKED && isInView)) return what;
    const c = cellOf(i, j);
    const settled = tile.settled[c]!;
    // Out of an area only over ground on which the body has stood.
    if (what === KEPT_OUT) return tile.stood[c]! > Math.max(0, this.stoodSince) ? FIRM : what;
    // A knock, a drop, or an obstacle of this frame.
    if ((settled !== FIRM && settled !== UNSEEN) || (what === BLOCKED && tile.hard[c]! >> 1 === this.frame))
      return what;
    if (tile.stood[c]! > Math.max(0, this.stoodSince)) return FIRM;
    const isFirm = settled === FIRM && tile.time[c]! >= this.oldest;
    return isFirm ? FIRM : what;
  }

  /** Microseconds when the cell was last seen; -Infinity when never. */
  timeAt(i: number, j: number): number {
    const tile = this.#find(i, j);
    const c = cellOf(i, j);
    if (tile === null || (tile.odds[c] === 0 && tile.doubt[c] === 0)) return Number.NEGATIVE_INFINITY;
    return tile.time[c]!;
  }

  /** The cell at a place in the world, metres. */
  cellAt(wx: number, wy: number): FootingCell {
    const i = Math.floor(wx / this.cellSize);
    const j = Math.floor(wy / this.cellSize);
    const footing = FOOTING_NAMES[this.at(i, j)]!;
    const tile = this.#find(i, j);
    const c = cellOf(i, j);
    return {
      footing,
      time: this.timeAt(i, j),
      far: tile?.far[c] ?? Number.NaN,
      height: tile?.height[c] ?? Number.NaN,
    };
  }

  /** All brinks within `radius` of a place, chained from cell to cell. */
  brinks([cx, cy]: readonly [number, number] | Vec3, radius: number): Brink[] {
    const spots: BrinkSpot[] = [];
    const reach = Math.ceil(radius / ((1 << BITS) * this.cellSize));
    const ti = Math.floor(cx / this.cellSize) >> BITS;
    const tj = Math.floor(cy / this.cellSize) >> BITS;
    for (let j = tj - reach; j <= tj + reach; j++) {
      for (let i = ti - reach; i <= ti + reach; i++) {
        const tile = this.#find(i << BITS, j << BITS);
        if (tile?.hasBrink === true) this.#addSpots(tile, cx, cy, radius, spots);
      }
    }
    return chainBrinks(spots, LINK * this.cellSize);
  }

  #addSpots(tile: Tile, cx: number, cy: number, radius: number, spots: BrinkSpot[]): void {
    for (let c = 0; c < CELLS; c++) {
      if (tile.error[c] === 0) continue;
      const x = tile.brinkX[c]!;
      const y = tile.brinkY[c]!;
      // Called in each frame: most cells are too far away or no rim, and Math.hypot allocates.
      if (square(x - cx) + square(y - cy) > square(radius) || !this.isRim(x, y)) continue;
      const spot = tile.spotAt(c);
      if (spot !== null) spots.push(spot);
    }
  }

  /**
   * Whether firm ground still meets gone ground or a lower level here: a nearer view may have corrected an edge.
   * @param isForMap whether firm ground does not age
   */
  isRim(wx: number, wy: number, isForMap = false): boolean {
    const i = Math.floor(wx / this.cellSize);
    const j = Math.floor(wy / this.cellSize);
    let gone = false;
    let lowest = Number.POSITIVE_INFINITY;
    let highest = Number.NEGATIVE_INFINITY;
    for (let di = -1; di <= 1; di++) {
      for (let dj = -1; dj <= 1; dj++) {
        const what = isForMap ? this.forMap(i + di, j + dj) : this.at(i + di, j + dj);
        if (what === GONE) gone = true;
        if (what !== FIRM) continue;
        const z = this.#find(i + di, j + dj)!.height[cellOf(i + di, j + dj)]!;
        lowest = Math.min(lowest, z);
        highest = Math.max(highest, z);
      }
    }
    return gone ? highest > Number.NEGATIVE_INFINITY : highest - lowest > this.#levelStep;
  }

  /**
   * Transforms the memory: every place p moves to R(yaw) p + (x, y). Where several old cells fall into a new one,
   * evidence that ends the ground outweighs firm evidence.
   */
  move(x: number, y: number, yaw: number): void {
    const cos = cosOf(yaw);
    const sin = sinOf(yaw);
    const size = this.cellSize;
    const old = new Map(this.#tiles);
    this.clear();
    for (const [key, tile] of old) {
      for (let c = 0; c < CELLS; c++) {
        if (tile.isBlank(c) && tile.error[c] === 0) continue;
        const [ox, oy] = middleOf(key, c, size);
        const [to, d] = this.#openAt(cos * ox - sin * oy + x, sin * ox + cos * oy + y);
        to.take(d, tile, c);
        if (tile.error[c] === 0) continue;
        const bx = cos * tile.brinkX[c]! - sin * tile.brinkY[c]! + x;
        const by = sin * tile.brinkX[c]! + cos * tile.brinkY[c]! + y;
        const [edge, e] = this.#openAt(bx, by);
        edge.takeBrink(e, tile, c, bx, by);
      }
    }
    // New cells into which no old cell has fallen take the nearest old cell, found by the inverse transform.
    for (const [key, tile] of [...this.#tiles]) {
      for (let c = 0; c < CELLS; c++) {
        if (!tile.isBlank(c)) continue;
        const [wx, wy] = middleOf(key, c, size);
        const i = Math.floor((cos * (wx - x) + sin * (wy - y)) / size);
        const j = Math.floor((cos * (wy - y) - sin * (wx - x)) / size);
        const other = old.get(tileKey(i >> BITS, j >> BITS));
        if (other !== undefined) tile.take(c, other, cellOf(i, j));
      }
    }
  }

  /**
   * The local frame has drifted by some cells since it began: drops near the base widen by as much,
   * along its heading, in front and behind.
   * @param step  cells in all, whole
   * @param since microseconds: floor touched later stays firm
   */
  widenDrops(step: number, { x, y, yaw }: Turned, since: number): void {
    if (step <= this.#step) return;
    this.#step = step;
    const size = this.cellSize;
    const dx = size * cosOf(yaw);
    const dy = size * sinOf(yaw);
    const reach = Math.ceil(WIDENED_WITHIN / ((1 << BITS) * size));
    const ti = Math.floor(x / size) >> BITS;
    const tj = Math.floor(y / size) >> BITS;
    const gone: number[] = [];
    for (let j = tj - reach; j <= tj + reach; j++) {
      for (let i = ti - reach; i <= ti + reach; i++) {
        const tile = this.#find(i << BITS, j << BITS);
        if (tile === null) continue;
        const cells = Math.min(MOST_WIDENED, step - tile.step);
        tile.step = step;
        if (!tile.hasGone) continue;
        for (let c = 0; c < CELLS; c++) {
          if (tile.settled[c] !== GONE) continue;
          const cx = ((i << BITS) + (c & MASK) + 0.5) * size;
          const cy = ((j << BITS) + (c >> BITS) + 0.5) * size;
          if (square(cx - x) + square(cy - y) < square(WIDENED_WITHIN)) gone.push(cx, cy, cells);
        }
      }
    }
    for (let n = 0; n < gone.length; n += 3) {
      for (let k = -gone[n + 2]!; k <= gone[n + 2]!; k++) {
        if (k === 0) continue;
        const [tile, c] = this.#openAt(gone[n]! + k * dx, gone[n + 1]! + k * dy);
        tile.widenDrops(c, since);
      }
    }
  }

  /** Visits every cell that is not unseen: its column and `FOOTING`. */
  visit(see: (i: number, j: number, footing: number) => void): void {
    for (const key of this.#tiles.keys()) {
      const [ti, tj] = tileOf(key);
      for (let c = 0; c < CELLS; c++) {
        const i = (ti << BITS) + (c & MASK);
        const j = (tj << BITS) + (c >> BITS);
        const footing = this.at(i, j);
        if (footing !== FOOTING.unseen) see(i, j, footing);
      }
    }
  }

  /** Firm ground becomes unseen, but may be trusted again; drops, knocks and doubtful ground stay. */
  giveUpFirm(): void {
    this.#isTrustedAgain = true;
    for (const tile of this.#tiles.values()) for (let c = 0; c < CELLS; c++) tile.giveUpFirm(c, true);
  }

  /** The same for all cells that `keeps` does not name, and these are not trusted again. */
  giveUpFirmExcept(keeps: (i: number, j: number) => boolean): void {
    for (const [key, tile] of this.#tiles) {
      const [ti, tj] = tileOf(key);
      for (let c = 0; c < CELLS; c++) {
        if (!keeps((ti << BITS) + (c & MASK), (tj << BITS) + (c >> BITS))) tile.giveUpFirm(c, false);
      }
    }
  }

  clear(): void {
    this.#isTrustedAgain = false;
    this.#tiles.clear();
    this.#lastKey = Number.NaN;
    this.#lastTile = null;
  }

  /** Exchanges all cells with another layer. */
  swap(other: FootingLayer): void {
    [this.#tiles, other.#tiles] = [other.#tiles, this.#tiles];
    this.#lastKey = other.#lastKey = Number.NaN;
    this.#lastTile = other.#lastTile = null;
  }
}

/** Read-only view of the memory of the ground, for users of a head. */
export type FootingView = Readonly<
  Pick<FootingLayer, "cellSize" | "at" | "timeAt" | "cellAt" | "brinks" | "visit">
>;

/** The part of the memory from which the map of the floor is read, tile by tile. */
export type FloorSource = Readonly<Pick<FootingLayer, "cellSize" | "forMap" | "isRim" | "tiles">>;
