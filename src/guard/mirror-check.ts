import { cosOf, sinOf } from "../geometry/elementary.ts";
import { REASON } from "../sense/mask.ts";
import { FLATTEST_RAY, LANES, type LevelView, STRIP } from "./level-view.ts";
import { type BelowCounts, MirrorVotes } from "./mirror-votes.ts";
import { StandingThings } from "./standing-things.ts";
import { StripLine } from "./strip-line.ts";
import { heightSigma, isDue } from "./strip-walk.ts";

/** A return as bright as what stands there, or brighter, is no image of it: three sigma below 1. Measured on simulated walls. */
const MOST_BRIGHT = 0.85;
/** Metres of clean floor that end a stretch of returns from below. */
const CLEAN = 0.1;
/** Fewest returns from below that make a drop, and how many times the floor returns between them: a pit shows none. */
const FEWEST_BELOW = 4;
const PER_FLOOR = 4;
/** Largest shares of images and of floor, by the votes, in front of a drop. Found on simulated floors, like all limits here. */
const MOST_IMAGES = 0.12;
const MOST_FLOOR = 0.2;
/** Votes and shares from which a place is known for a pit even if things that are out of view stand there. Found likewise. */
const SURE_BELOW = 3;
const MOST_IMAGES_OF_PIT = 0.05;
const MOST_FLOOR_OF_PIT = 0.01;
/**
 * Metres: a step so shallow that begins farther than this many lens heights looks like a mixture of floor and image, unless the place is
 * known for a pit.
 */
const SHALLOW = 0.15;
const SHALLOW_FROM = 3;
/** Share of a drop from which on a return of a stretch that is no drop is taken out. Chosen by hand. */
const LEANING = 0.5;
/** Lens heights up to which a drop shows more returns than it lacks. */
const NEAR = 2;
/** Metres along two neighbouring strips between the beginnings of one drop. Chosen by hand. */
const ONE_EDGE = 0.25;
/** Votes from which on they count, and not the stretch's own returns. */
const ENOUGH_VOTES = 1;

/** What a return from below is: an image of what stands there, something below, or at the place of a thing that is not in view now. */
const IMAGE = 0;
const BELOW = 1;
const HIDDEN = 2;

/** Stretches that show drops, to each of a mirror, up to which the floor in view is taken to be that mirror. Chosen by hand. */
const MOST_DROPS = 3;
/** What a stretch is. */
const DROP = 0;
const MIRROR = 1;
const UNSURE = 2;

const UNKNOWN = REASON.noReturn;

/** A stretch of a strip in which returns come from below the floor. Rows are image rows, nearest first. */
interface Stretch extends BelowCounts {
  strip: number;
  /** The row after the last clean floor before it. */
  first: number;
  /** The row at which clean floor has ended it, or the strip its view. */
  end: number;
  missing: number;
  /** Metres: sum of the depths of the returns from below, and how far from below the lens the first of them is. */
  depth: number;
  from: number;
  /** Cells of the votes: those from `cells` up to the next stretch's. */
  cells: number;
  isDrop: boolean;
}

const openStretch = (): Stretch => ({
  strip: 0,
  first: 0,
  end: 0,
  images: 0,
  below: 0,
  floor: 0,
  missing: 0,
  hidden: 0,
  depth: 0,
  from: 0,
  cells: 0,
  isDrop: false,
});

/** Where the base is, in a frame that moves with its own motion. */
export interface Whereabouts {
  readonly x: number;
  readonly y: number;
  readonly yaw: number;
}

interface Turned {
  readonly x: number;
  readonly y: number;
  readonly cos: number;
  readonly sin: number;
}

/** The point below the lens of a base at a place. */
function place({ position: [px = 0, py = 0] }: LevelView, { x, y, yaw }: Whereabouts): Turned {
  const cos = cosOf(yaw);
  const sin = sinOf(yaw);
  return { x: x + cos * px - sin * py, y: y + sin * px + cos * py, cos, sin };
}

/**
 * Tells images in a mirror-like floor from what lies below a drop. A return from below the floor is an image when something stands at its
 * bearing and horizontal distance and is brighter. A third of what a mirror returns are mixtures of floor and image, at any depth between:
 * so images are counted by stretches of the strips, over all strips and frames that saw a place.
 *
 * What is no drop is taken out of the image. Only touches make floor firm, so a real drop that is taken for a mirror costs its name:
 * the floor there is doubtful.
 */
export class MirrorCheck {
  readonly #things = new StandingThings();
  readonly #votes = new MirrorVotes();
  readonly #line = new StripLine();
  readonly #stretches: Stretch[] = [];
  #count = 0;
  /** The point below the lens. */
  #place: Turned = { x: 0, y: 0, cos: 1, sin: 0 };
  readonly #cells: number[] = [];
  readonly #row: BelowCounts = { images: 0, hidden: 0, below: 0, floor: 0 };
  readonly #sums: BelowCounts = { images: 0, hidden: 0, below: 0, floor: 0 };
  /** Metres: deeper is a drop. */
  readonly #drop: number;
  readonly #maxReach: number;

  constructor({ drop, maxReach }: { readonly drop: number; readonly maxReach: number }) {
    this.#drop = drop;
    this.#maxReach = maxReach;
  }

  /**
   * Looks at a frame after its strips were walked.
   * @param amplitude of the frame
   * @returns how many returns were taken out of the view's depth
   */
  check(view: LevelView, amplitude: Uint16Array, at: Whereabouts): number {
    const strips = Math.floor(view.rays.width / STRIP);
    this.#things.find(view, amplitude);
    this.#place = place(view, at);
    const { x: lensX, y: lensY, cos, sin } = this.#place;
    this.#things.visit((x, y) => this.#votes.stand(lensX + cos * x - sin * y, lensY + sin * x + cos * y));
    this.#count = 0;
    this.#cells.length = 0;
    for (let strip = 0; strip < strips; strip++) this.#follow(view, amplitude, strip);
    this.#votes.vote();
    const lensHeight = view.position[2]!;
    let shown = 0;
    let mirrors = 0;
    let drops = 0;
    for (let n = 0; n < this.#count; n++) {
      const kind = this.#judge(n, lensHeight, false);
      const stretch = this.#stretches[n]!;
      stretch.isDrop = kind === DROP;
      shown += stretch.images + stretch.hidden;
      if (kind === MIRROR) mirrors++;
      else if (kind === DROP) drops++;
    }
    if (mirrors > 0 && MOST_DROPS * mirrors >= drops) {
      // Elsewhere in view the floor is a mirror: what may be images are images.
      for (let n = 0; n < this.#count; n++) {
        this.#stretches[n]!.isDrop &&= this.#judge(n, lensHeight, true) === DROP;
      }
    }
    // Without any image in view the strips judge by themselves.
    if (shown < FEWEST_BELOW) return 0;
    let taken = 0;
    for (let n = 0; n < this.#count; n++) {
      const stretch = this.#stretches[n]!;
      if (!stretch.isDrop || (mirrors > 0 && this.#isAlone(stretch))) taken += this.#takeOut(view, stretch);
    }
    return taken;
  }

  /** Whether no neighbouring strip shows a drop: beside a mirror-like floor that is none. */
  #isAlone({ strip, from }: Stretch): boolean {
    for (let n = 0; n < this.#count; n++) {
      const other = this.#stretches[n]!;
      const isBeside = Math.abs(other.strip - strip) === 1 && Math.abs(other.from - from) < ONE_EDGE;
      if (other.isDrop && isBeside) return false;
    }
    return true;
  }

  /** Follows one strip outwards and notes its stretches. One function, longer than most: it holds the state of a stretch. */
  #follow(view: LevelView, amplitude: Uint16Array, strip: number): void {
    const line = this.#line;
    if (!line.find(view, strip)) return;
    const { depth, reason, surface, metresPerUnit, rays, rotation: R } = view;
    const { table, key } = view.sigma;
    const { width, height, x: rayX, y: rayY } = rays;
    const { first, q0, q1, q2 } = line;
    const h = view.position[2]!;
    const { x: lensX, y: lensY, cos, sin } = this.#place;
    let expected = 0;
    let open: Stretch | null = null;
    let cleanFrom = Number.NaN;
    let beforeFirst = line.low;
    // What came after the last return from below: it belongs to the stretch only when another follows.
    let floorAfter = 0;
    let missingAfter = 0;
    for (let v = line.low; v >= 0; v--) {
      const known = surface[strip * height + v]!;
      if (!Number.isNaN(known)) expected = known;
      const middle = v * width + first + 2;
      const down = R[6]! * rayX[middle]! + R[7]! * rayY[middle]! + R[8]!;
      if (down > -FLATTEST_RAY) break;
      const toFloor = (expected - h) / down;
      const along = (q0 * rayX[middle]! + q1 * rayY[middle]! + q2) * toFloor;
      const row = this.#row;
      row.images = row.hidden = row.below = row.floor = 0;
      let missing = 0;
      let deep = 0;
      for (let i = middle - 2; i < middle - 2 + 2 * LANES; i += 2) {
        const t = depth[i]! * metresPerUnit;
        if (t === 0) {
          if (isDue(reason[i]!)) missing++;
          continue;
        }
        const rx = rayX[i]!;
        const ry = rayY[i]!;
        const rz = R[6]! * rx + R[7]! * ry + R[8]!;
        const off = h + rz * t - expected;
        const sigma = heightSigma(table[key[i]!]!, rz, along);
        if (off >= -this.#drop - 2 * sigma) {
          if (off < this.#drop && off > -this.#drop) row.floor++;
          continue;
        }
        deep -= off;
        const kind = this.#kindOf(view, i, t, amplitude[i]!);
        if (kind === IMAGE) row.images++;
        else if (kind === HIDDEN) row.hidden++;
        else row.below++;
      }
      if (row.images + row.hidden + row.below === 0) {
        if (open === null) {
          if (2 * row.floor >= LANES) beforeFirst = v - 1;
          continue;
        }
        floorAfter += row.floor;
        missingAfter += missing;
        if (row.floor === 0 || missing > row.floor) cleanFrom = Number.NaN;
        else if (Number.isNaN(cleanFrom)) cleanFrom = along;
        else if (along - cleanFrom > CLEAN) {
          open.end = v;
          open = null;
          beforeFirst = v - 1;
        }
        continue;
      }
      if (open === null) {
        open = this.#begin(strip, Math.max(v, beforeFirst), along);
        floorAfter = missingAfter = 0;
      }
      row.floor += floorAfter;
      open.images += row.images;
      open.hidden += row.hidden;
      open.below += row.below;
      open.floor += row.floor;
      open.missing += missingAfter + missing;
      open.depth += deep;
      const x = (R[0]! * rayX[middle]! + R[1]! * rayY[middle]! + R[2]!) * toFloor;
      const y = (R[3]! * rayX[middle]! + R[4]! * rayY[middle]! + R[5]!) * toFloor;
      const cell = this.#votes.cellAt(lensX + cos * x - sin * y, lensY + sin * x + cos * y);
      this.#votes.count(cell, row);
      if (this.#cells.length === open.cells || this.#cells.at(-1) !== cell) this.#cells.push(cell);
      floorAfter = missingAfter = 0;
      cleanFrom = Number.NaN;
    }
  }

  #begin(strip: number, row: number, from: number): Stretch {
    if (this.#count === this.#stretches.length) this.#stretches.push(openStretch());
    const stretch = this.#stretches[this.#count++]!;
    stretch.strip = strip;
    stretch.first = row;
    stretch.end = 0;
    stretch.images = stretch.below = stretch.floor = stretch.missing = stretch.hidden = stretch.depth = 0;
    stretch.from = from;
    stretch.cells = this.#cells.length;
    return stretch;
  }

  /** What the return of pixel `i`, at depth `t` metres, is. */
  #kindOf({ rays, rotation: R }: LevelView, i: number, t: number, amplitude: number): number {
    const rx = rays.x[i]!;
    const ry = rays.y[i]!;
    const x = (R[0]! * rx + R[1]! * ry + R[2]!) * t;
    const y = (R[3]! * rx + R[4]! * ry + R[5]!) * t;
    const standing = this.#things.at(x, y);
    if (standing === 0) {
      if (this.#things.isInView(x, y)) return BELOW;
      const { x: lensX, y: lensY, cos, sin } = this.#place;
      return this.#votes.hasStood(lensX + cos * x - sin * y, lensY + sin * x + cos * y) ? HIDDEN : BELOW;
    }
    const range = t * Math.sqrt(rx * rx + ry * ry + 1);
    const brightness = (amplitude * range * range * range) / Math.sqrt(x * x + y * y);
    return brightness < MOST_BRIGHT * standing ? IMAGE : BELOW;
  }

  /**
   * What stretch `n` is.
   * @param lensHeight      metres
   * @param areHiddenImages whether returns at the place of things out of view are images for certain
   */
  #judge(n: number, lensHeight: number, areHiddenImages: boolean): number {
    const stretch = this.#stretches[n]!;
    const end = n + 1 < this.#count ? this.#stretches[n + 1]!.cells : this.#cells.length;
    const sums = this.#sums;
    sums.images = sums.hidden = sums.below = sums.floor = 0;
    for (let k = stretch.cells; k < end; k++) this.#votes.addTo(sums, this.#cells[k]!);
    const votes = sums.images + sums.hidden + sums.below < ENOUGH_VOTES ? stretch : sums;
    const rest = votes.hidden + votes.below;
    // A pit shows no floor between its returns, and hardly an image: only where that is known, what may be images are none.
    const isPit =
      votes.below >= SURE_BELOW &&
      votes.images < MOST_IMAGES_OF_PIT * votes.below &&
      votes.floor < MOST_FLOOR_OF_PIT * (rest + votes.floor);
    const images = votes.images + (isPit && !areHiddenImages ? 0 : votes.hidden);
    if (images >= MOST_IMAGES * (votes.images + rest)) return MIRROR;
    // Beyond the reach only the map asks: there what is seen of another level stays, unless it is a mirror's.
    if (stretch.from > this.#maxReach) return DROP;
    if (votes.floor >= MOST_FLOOR * (rest + votes.floor)) return MIRROR;
    const below = stretch.below + stretch.hidden;
    const depth = stretch.depth / (stretch.images + below);
    if (!isPit && depth < SHALLOW && stretch.from > SHALLOW_FROM * lensHeight) return UNSURE;
    if (stretch.from < NEAR * lensHeight && below < stretch.missing - stretch.images) return UNSURE;
    return below >= FEWEST_BELOW && below >= PER_FLOOR * stretch.floor ? DROP : UNSURE;
  }

  /** Takes a stretch's returns from below, and all that may follow them, out of all its columns. @returns how many */
  #takeOut(view: LevelView, { strip, first, end }: Stretch): number {
    const { depth, reason, surface, metresPerUnit, rays, rotation: R } = view;
    const { table, key } = view.sigma;
    const { width, height, x: rayX, y: rayY } = rays;
    const h = view.position[2]!;
    let expected = 0;
    let taken = 0;
    for (let v = height - 1; v >= end; v--) {
      const known = surface[strip * height + v]!;
      if (!Number.isNaN(known)) expected = known;
      if (v > first) continue;
      for (let i = v * width + strip * STRIP; i < v * width + (strip + 1) * STRIP; i++) {
        const t = depth[i]! * metresPerUnit;
        if (t === 0) continue;
        const rx = rayX[i]!;
        const ry = rayY[i]!;
        const rz = R[6]! * rx + R[7]! * ry + R[8]!;
        if (rz >= 0) continue;
        // All that leans down goes, and all that is too noisy to tell: the upper half of a lower floor's noise would look like floor.
        const along = ((expected - h) / rz) * Math.sqrt(rx * rx + ry * ry + 1 - rz * rz);
        const isTold = heightSigma(table[key[i]!]!, rz, along) < this.#drop;
        if (isTold && h + rz * t - expected >= -LEANING * this.#drop) continue;
        depth[i] = 0;
        reason[i] = UNKNOWN;
        taken++;
      }
    }
    return taken;
  }
}
