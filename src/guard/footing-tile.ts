import type { BrinkSpot } from "../map/brink-lines.ts";
import { FOOTING } from "../terms/safety.ts";

/** Cells along a tile's side, as a power of two. */
export const TILE_BITS = 5;
const TILE = 1 << TILE_BITS;
export const CELLS = TILE * TILE;

/**
 * Evidence steps: a return from the floor adds 1, a ray that passed through it takes 2. A cell can change its state, but not within
 * one frame. Chosen by hand, like the steps below.
 */
const TOP = 12;
const FIRM_FROM = 2;
const GONE_FROM = -4;
const PASSED_STEP = 2;
/** Most that one frame may add or take: a wrong tilt must not turn a brink into floor at once. */
const TOUCHED_PER_FRAME = 3;
const PASSED_PER_FRAME = 6;
/** Frames with an expected but missing return, minus twice the frames with a return. */
const DOUBTFUL_FROM = 4;
const MOST_DOUBT = 8;
/** Frames that must see floor at the place of a knock until the knock is forgotten. */
const KNOCK_HELD = 8;

/** Metres, 1 sigma, of an edge's position: the remaining tilt error, and half the spacing of rows on the floor, which grows with range^2. */
const EDGE_ERROR = 0.004;
const EDGE_ERROR_GROWTH = 0.012;
/** Ratios of errors. A view of an edge with TOO_FAR times the error is ignored; one with less than MUCH_NEARER replaces it; others are averaged by LOOK_SHARE. */
const TOO_FAR = 1.5;
const MUCH_NEARER = 0.6;
const LOOK_SHARE = 0.3;
/** Fewest views of an edge until it is reported. */
const FEWEST_LOOKS = 2;

/** A square of floor cells with their evidence. Cells are numbered row by row. */
export class Tile {
  /** Evidence for firm (above 0) and gone (below) ground, in steps. */
  readonly odds = new Int8Array(CELLS);
  readonly doubt = new Uint8Array(CELLS);
  /** The last frame that changed the cell, and how many steps that frame has added and taken. */
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
  /** Frames with floor until a knock here is forgotten. */
  readonly knock = new Uint8Array(CELLS);
  /** Cached answers of the map's layers and of the areas: their revision times 4, plus 1 for an obstacle here, plus 2 for an area. */
  readonly layer = new Int32Array(CELLS).fill(-1);
  /** The `FOOTING` from odds, doubt and knock alone; map, age and the newest frame come on top. */
  readonly settled = new Uint8Array(CELLS);
  /** The brink in this cell: where, how deep, its error in metres (0: no brink), and by how many looks. */
  readonly brinkX = new Float32Array(CELLS);
  readonly brinkY = new Float32Array(CELLS);
  readonly drop = new Float32Array(CELLS);
  readonly error = new Float32Array(CELLS);
  readonly looks = new Uint8Array(CELLS);
  /** Microseconds: when the body stood on firm ground here last; 0 when never, or when the place of that is not known any more. */
  readonly stood = new Float64Array(CELLS);
  /** 1 for a cell that was firm when firm ground was given up. */
  readonly wasFirm = new Uint8Array(CELLS);
  /** 1 for a cell that is gone only because a drop nearby may lie here, after drift. */
  readonly assumedGone = new Uint8Array(CELLS);
  /** Cells by which the tile's drops have been widened so far. */
  step = 0;
  /** Whether any cell was ever gone. */
  hasGone = false;
  /** Whether any cell has a brink: few tiles do. */
  hasBrink = false;
  /** Newest frame with any entry in `hard`: spares the search in most tiles. */
  hardFrame = 0;
  /** Number of changes of states and edges, for readers that look for changes. */
  changes = 0;
  /** Microseconds: no firm cell was seen before this. */
  earliest = Number.POSITIVE_INFINITY;

  /** Called before a frame changes the cell: resets the counts of the previous frame. */
  begin(c: number, frame: number): void {
    if (this.frame[c] === frame) return;
    this.frame[c] = frame;
    this.added[c] = 0;
    this.taken[c] = 0;
  }

  /** Returns came from the floor. */
  touch(c: number, time: number, far: number, height: number): void {
    if (this.assumedGone[c] === 1) this.odds[c] = this.assumedGone[c] = 0;
    const odds = this.odds[c]!;
    // A cell that rays passed becomes floor again only by returns from at least as near.
    if ((odds < 0 && far > this.far[c]!) || this.added[c]! >= TOUCHED_PER_FRAME) return;
    if (this.added[c] === 0) {
      if (this.doubt[c]! > 0) this.doubt[c] = Math.max(0, this.doubt[c]! - 2);
      if (this.knock[c]! > 0) this.knock[c]!--;
    }
    this.added[c]!++;
    if (odds < TOP) this.odds[c] = odds + 1;
    this.time[c] = time;
    if (time < this.earliest) this.earliest = time;
    this.far[c] = far;
    this.height[c] = height;
    this.settle(c);
  }

  /** Returns lay nearer to a drop than to floor: reduces evidence for firm, never makes the cell gone. */
  lean(c: number): void {
    const odds = this.odds[c]!;
    if (odds <= 0 || this.taken[c]! >= PASSED_PER_FRAME) return;
    this.taken[c]!++;
    this.odds[c] = odds - 1;
    this.settle(c);
  }

  /** Rays went through the floor. */
  pass(c: number, time: number, far: number, height: number): void {
    if (this.taken[c]! >= PASSED_PER_FRAME) return;
    this.assumedGone[c] = 0;
    this.taken[c]! += PASSED_STEP;
    this.odds[c] = Math.max(-TOP, this.odds[c]! - PASSED_STEP);
    this.time[c] = time;
    this.far[c] = far;
    this.height[c] = height;
    this.settle(c);
  }

  /** Forgets that the cell was gone. */
  restart(c: number): void {
    this.odds[c] = this.doubt[c] = this.assumedGone[c] = 0;
    this.far[c] = Number.POSITIVE_INFINITY;
  }

  /** An expected return is missing; counts once a frame, and only if the frame has no other evidence in the cell. */
  miss(c: number, time: number, far: number): void {
    if (this.added[c] !== 0 || this.taken[c] !== 0) return;
    this.taken[c] = 1;
    this.doubt[c] = Math.min(MOST_DOUBT, this.doubt[c]! + 1);
    this.settle(c);
    if (this.odds[c]! <= 0) {
      this.time[c] = time;
      this.far[c] = far;
    }
  }

  /** A drop nearby may lie here, unless floor was touched here since. */
  widenDrops(c: number, since: number): void {
    if (this.odds[c]! <= GONE_FROM || (this.odds[c]! > 0 && this.time[c]! > since)) return;
    this.odds[c] = GONE_FROM;
    this.far[c] = Number.POSITIVE_INFINITY;
    this.assumedGone[c] = 1;
    this.settle(c);
  }

  /**
   * Assumes the cell to be firm without measurement, unless it has evidence or is doubtful.
   * @param isAgain only if it was firm when firm ground was given up
   */
  trust(c: number, time: number, height: number, isAgain: boolean): void {
    if (this.odds[c] !== 0 || this.settled[c] === FOOTING.doubtful) return;
    if (isAgain && this.wasFirm[c] === 0) return;
    this.odds[c] = FIRM_FROM;
    this.time[c] = time;
    if (time < this.earliest) this.earliest = time;
    this.height[c] = height;
    this.settle(c);
  }

  /**
   * If the cell is firm, it becomes unseen.
   * @param mayBeTrusted whether it may be trusted again
   */
  giveUpFirm(c: number, mayBeTrusted: boolean): void {
    if (!mayBeTrusted) this.wasFirm[c] = 0;
    else if (this.settled[c] === FOOTING.firm) this.wasFirm[c] = 1;
    this.stood[c] = 0;
    if (this.odds[c]! > 0) this.odds[c] = 0;
    this.settle(c);
  }

  /** The bumper touched something here. */
  bump(c: number): void {
    this.knock[c] = KNOCK_HELD;
    this.settle(c);
  }

  /** A frame saw an edge at (x, y), from `range` metres. */
  lookAtBrink(c: number, x: number, y: number, drop: number, range: number): void {
    const error = EDGE_ERROR + EDGE_ERROR_GROWTH * range * range;
    const old = this.error[c]!;
    if (old > 0 && error > TOO_FAR * old) return;
    const share = old === 0 || error < MUCH_NEARER * old ? 1 : LOOK_SHARE;
    this.brinkX[c] = this.brinkX[c]! + share * (x - this.brinkX[c]!);
    this.brinkY[c] = this.brinkY[c]! + share * (y - this.brinkY[c]!);
    this.drop[c] = this.drop[c]! + share * (drop - this.drop[c]!);
    this.error[c] = error;
    this.hasBrink = true;
    this.changes++;
    if (this.looks[c]! < 255) this.looks[c]!++;
  }

  /** Whether the cell has no evidence. */
  isBlank(c: number): boolean {
    return this.odds[c] === 0 && this.doubt[c] === 0 && this.knock[c] === 0;
  }

  /** Cell `c` takes over the evidence of cell `d` of another tile, unless its own is worse. */
  take(c: number, other: Tile, d: number): void {
    this.knock[c] = Math.max(this.knock[c]!, other.knock[d]!);
    this.doubt[c] = Math.max(this.doubt[c]!, other.doubt[d]!);
    if (this.odds[c] === 0 || other.odds[d]! < this.odds[c]!) {
      this.odds[c] = other.odds[d]!;
      this.time[c] = other.time[d]!;
      this.far[c] = other.far[d]!;
      this.height[c] = other.height[d]!;
      this.assumedGone[c] = other.assumedGone[d]!;
    }
    if (this.time[c]! < this.earliest) this.earliest = this.time[c]!;
    this.settle(c);
  }

  /** Takes over a brink of another tile, to lie at (x, y). */
  takeBrink(c: number, other: Tile, d: number, x: number, y: number): void {
    this.brinkX[c] = x;
    this.brinkY[c] = y;
    this.drop[c] = other.drop[d]!;
    this.error[c] = other.error[d]!;
    this.looks[c] = other.looks[d]!;
    this.hasBrink = true;
    this.changes++;
  }

  /** The point of an edge in this cell; null without one, or while too few frames have seen it. */
  spotAt(c: number): BrinkSpot | null {
    if (this.error[c] === 0 || this.looks[c]! < FEWEST_LOOKS) return null;
    const [x, y, drop] = [this.brinkX[c]!, this.brinkY[c]!, this.drop[c]!];
    return { x, y, drop, error: this.error[c]!, looks: this.looks[c]! };
  }

  settle(c: number): void {
    const odds = this.odds[c]!;
    const before = this.settled[c];
    if (this.knock[c]! > 0) this.settled[c] = FOOTING.blocked;
    else if (odds <= GONE_FROM) {
      this.settled[c] = FOOTING.gone;
      this.hasGone = true;
    } else if (this.doubt[c]! >= DOUBTFUL_FROM) this.settled[c] = FOOTING.doubtful;
    else this.settled[c] = odds >= FIRM_FROM ? FOOTING.firm : FOOTING.unseen;
    if (this.settled[c] !== before) this.changes++;
  }
}

/** One number for a tile within +-2^20 tiles of the origin. */
export const tileKey = (ti: number, tj: number): number => (ti + 1048576) * 2097152 + (tj + 1048576);
/** Inverse of `tileKey`. */
export const tileOf = (key: number): readonly [number, number] => [
  Math.floor(key / 2097152) - 1048576,
  (key % 2097152) - 1048576,
];

/** The middle of a tile's cell, metres. */
export function middleOf(key: number, c: number, size: number): readonly [x: number, y: number] {
  const [ti, tj] = tileOf(key);
  return [((ti << TILE_BITS) + (c % TILE) + 0.5) * size, ((tj << TILE_BITS) + (c >> TILE_BITS) + 0.5) * size];
}
