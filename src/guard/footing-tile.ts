import { FOOTING } from "../terms/safety.ts";

/** Cells along a tile's side, as a power of two. */
export const TILE_BITS = 5;
const TILE = 1 << TILE_BITS;
export const CELLS = TILE * TILE;

/**
 * Evidence steps: a return from the floor counts 1 up, a ray that went through it 2 down. A cell can change its mind, but not within
 * one frame. Chosen by hand, like the steps below.
 */
const TOP = 12;
const FIRM_FROM = 2;
const GONE_FROM = -4;
const PASSED_STEP = 2;
/** Most that one frame may add or take: a wrong tilt must not turn a brink into floor at once. */
const TOUCHED_PER_FRAME = 3;
const PASSED_PER_FRAME = 6;
/** Frames in which a return was due and did not come, less twice those in which one came. */
const DOUBTFUL_FROM = 4;
const MOST_DOUBT = 8;
/** Frames that see floor at the place of a knock until it is forgotten. */
const KNOCK_HELD = 8;

/** Metres, 1 sigma, of an edge's place: what the tilt leaves, and half a row's spacing on the floor, which grows with range^2. */
const EDGE_ERROR = 0.004;
const EDGE_ERROR_GROWTH = 0.012;
/** A look at an edge from so much farther does not count; one from so much nearer replaces it; others are averaged in by a share. */
const TOO_FAR = 1.5;
const MUCH_NEARER = 0.6;
const LOOK_SHARE = 0.3;

/** A square of cells of the floor, and what is known of each. Cells are numbered row by row. */
export class Tile {
  /** Evidence for firm (above 0) and gone (below) ground, in steps. */
  readonly odds = new Int8Array(CELLS);
  readonly doubt = new Uint8Array(CELLS);
  /** The frame that changed it last, and how many steps that frame has added and taken. */
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
  /** Revision of the map's layers that were asked, times 2, plus 1 when they have something in the way here. */
  readonly layer = new Int32Array(CELLS).fill(-1);
  /** The `FOOTING` that odds, doubt and knock give, before map, time and the newest frame are asked. */
  readonly settled = new Uint8Array(CELLS);
  /** The brink in this cell: where, how deep, its error in metres (0: no brink), and by how many looks. */
  readonly brinkX = new Float32Array(CELLS);
  readonly brinkY = new Float32Array(CELLS);
  readonly drop = new Float32Array(CELLS);
  readonly error = new Float32Array(CELLS);
  readonly looks = new Uint8Array(CELLS);
  /** 1 for a cell that is gone only because a drop nearby may lie here. */
  readonly crept = new Uint8Array(CELLS);
  /** The step of creeping that the tile's drops have come to. */
  step = 0;
  /** Whether any cell was ever gone. */
  hasGone = false;
  /** Whether any cell has a brink: few tiles do. */
  hasBrink = false;
  /** Newest frame with anything in `hard`: most tiles need not be asked cell by cell. */
  hardFrame = 0;
  /** Microseconds: no firm cell was seen before this. */
  earliest = Number.POSITIVE_INFINITY;

  /** A frame begins to change the cell, or goes on. */
  begin(c: number, frame: number): void {
    if (this.frame[c] === frame) return;
    this.frame[c] = frame;
    this.added[c] = 0;
    this.taken[c] = 0;
  }

  /** Returns came from the floor. */
  touch(c: number, time: number, far: number, height: number): void {
    if (this.crept[c] === 1) this.odds[c] = this.crept[c] = 0;
    const odds = this.odds[c]!;
    // Floor is believed against rays that went through it only from as near as they were seen.
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

  /** Returns lay nearer to a drop than to floor: that takes away from firm, and never makes anything gone. */
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
    this.crept[c] = 0;
    this.taken[c]! += PASSED_STEP;
    this.odds[c] = Math.max(-TOP, this.odds[c]! - PASSED_STEP);
    this.time[c] = time;
    this.far[c] = far;
    this.height[c] = height;
    this.settle(c);
  }

  /** A return was due and did not come; counts once a frame, and not where the frame saw anything. */
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
  creep(c: number, since: number): void {
    if (this.odds[c]! <= GONE_FROM || (this.odds[c]! > 0 && this.time[c]! > since)) return;
    this.odds[c] = GONE_FROM;
    this.far[c] = Number.POSITIVE_INFINITY;
    this.crept[c] = 1;
    this.settle(c);
  }

  /** The cell is taken as firm without having been seen, unless anything is known of it. */
  trust(c: number, time: number, height: number): void {
    if (this.odds[c] !== 0) return;
    this.odds[c] = FIRM_FROM;
    this.time[c] = time;
    if (time < this.earliest) this.earliest = time;
    this.height[c] = height;
    this.settle(c);
  }

  giveUpFirm(): void {
    for (let c = 0; c < CELLS; c++) {
      if (this.odds[c]! > 0) this.odds[c] = 0;
      this.doubt[c] = 0;
      this.settle(c);
    }
  }

  /** Something was bumped into. */
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
    if (this.looks[c]! < 255) this.looks[c]!++;
  }

  /** Whether nothing is known of the cell's ground. */
  isBlank(c: number): boolean {
    return this.odds[c] === 0 && this.doubt[c] === 0 && this.knock[c] === 0;
  }

  /** Cell `c` takes over what cell `d` of another tile knows, unless it knows worse. */
  take(c: number, other: Tile, d: number): void {
    this.knock[c] = Math.max(this.knock[c]!, other.knock[d]!);
    this.doubt[c] = Math.max(this.doubt[c]!, other.doubt[d]!);
    if (this.odds[c] === 0 || other.odds[d]! < this.odds[c]!) {
      this.odds[c] = other.odds[d]!;
      this.time[c] = other.time[d]!;
      this.far[c] = other.far[d]!;
      this.height[c] = other.height[d]!;
      this.crept[c] = other.crept[d]!;
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
  }

  settle(c: number): void {
    const odds = this.odds[c]!;
    if (this.knock[c]! > 0) this.settled[c] = FOOTING.blocked;
    else if (odds <= GONE_FROM) {
      this.settled[c] = FOOTING.gone;
      this.hasGone = true;
    } else if (this.doubt[c]! >= DOUBTFUL_FROM) this.settled[c] = FOOTING.doubtful;
    else this.settled[c] = odds >= FIRM_FROM ? FOOTING.firm : FOOTING.unseen;
  }
}
