import { cosOf, sinOf } from "../geometry/elementary.ts";
import { REASON } from "../sense/mask.ts";
import { FLATTEST_RAY, LANES, type LevelView, STRIP } from "./level-view.ts";
import { type BelowCounts, MirrorVotes } from "./mirror-votes.ts";
import { StandingThings } from "./standing-things.ts";
import { StripLine } from "./strip-line.ts";
import { heightSigma, isDue } from "./strip-walk.ts";

/** Largest brightness of a mirror image relative to the object: three sigma below 1. Measured on simulated walls. */
const MOST_BRIGHT = 0.85;
/** Length of clean floor that ends a stretch of returns from below, metres. */
const CLEAN = 0.1;
/** A drop has at least this many returns from below, and this many times the floor returns between them: a pit shows no floor. */
const FEWEST_BELOW = 4;
const PER_FLOOR = 4;
/** Largest shares of images and of floor in the votes of a drop. Found on simulated floors, like all limits here. */
const MOST_IMAGES = 0.12;
const MOST_FLOOR = 0.2;
/**
 * A known pit has at least this many votes for "below", a smaller share of images and a smaller share of floor. Objects out of view at its place do
 * not change that. Found on simulated floors.
 */
const SURE_BELOW = 3;
const MOST_IMAGES_OF_PIT = 0.05;
const MOST_FLOOR_OF_PIT = 0.01;
/**
 * Depth, metres, and distance, lens heights. A step that is shallower than the one and farther than the other looks like a mixture of floor and
 * mirror image. It counts as a drop only at a known pit.
 */
const SHALLOW = 0.15;
const SHALLOW_FROM = 3;
/** Returns deeper than this share of a drop are removed where the stretch is no drop. Chosen by hand. */
const LEANING = 0.5;
/** Nearer than this, in lens heights, a drop shows more returns than it lacks. */
const NEAR = 2;
/** Largest difference of range between the starts of one drop in neighbouring strips, metres. Chosen by hand. */
const ONE_EDGE = 0.25;
/** With fewer votes the stretch's own returns are used. */
const ENOUGH_VOTES = 1;

/** Kinds of returns from below: image of an object in view; something below; at the place of an object that is out of view now. */
const IMAGE = 0;
const BELOW = 1;
const HIDDEN = 2;

/** With up to this many drop stretches per mirror stretch the floor in view counts as a mirror. Chosen by hand. */
const MOST_DROPS = 3;
/** Kinds of stretches. */
const DROP = 0;
const MIRROR = 1;
const UNSURE = 2;

const UNKNOWN = REASON.noReturn;

/** Part of a strip with returns from below the floor. Rows are image rows, nearest first. */
interface Stretch extends BelowCounts {
  strip: number;
  /** First row after the last clean floor. */
  first: number;
  /** Row at which clean floor, or the end of the strip, ends it. */
  end: number;
  missing: number;
  /** Metres: sum of the depths of the returns from below; and horizontal distance of the first one from the lens. */
  depth: number;
  from: number;
  /** Index of its first cell in `#cells`; the last is before the next stretch's first. */
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

/** Pose of the base in the odometry frame: metres, radians. */
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

/** The point below the lens, for a pose of the base. */
function place({ position: [px = 0, py = 0] }: LevelView, { x, y, yaw }: Whereabouts): Turned {
  const cos = cosOf(yaw);
  const sin = sinOf(yaw);
  return { x: x + cos * px - sin * py, y: y + sin * px + cos * py, cos, sin };
}

/**
 * Separates mirror images in a polished floor from surfaces below a drop. A return from below the floor is a mirror image if an object stands at
 * its bearing and horizontal distance and is brighter. A third of a mirror's returns are mixtures of floor and image, at any depth between. So
 * images are not judged one by one but counted in stretches of strips, over all strips and frames that saw a place.
 *
 * Returns that belong to no drop are removed from the frame. Only returns from the floor make ground firm, so a real drop that is mistaken for a
 * mirror is still not driven on: it counts as doubtful.
 */
export class MirrorCheck {
  readonly #things = new StandingThings();
  readonly #votes = new MirrorVotes();
  readonly #line = new StripLine();
  readonly #stretches: Stretch[] = [];
  #count = 0;
  /** The point below the lens, and the base's heading. */
  #place: Turned = { x: 0, y: 0, cos: 1, sin: 0 };
  readonly #cells: number[] = [];
  readonly #row: BelowCounts = { images: 0, hidden: 0, below: 0, floor: 0 };
  readonly #sums: BelowCounts = { images: 0, hidden: 0, below: 0, floor: 0 };
  /** Least depth of a drop, metres. */
  readonly #drop: number;
  readonly #maxReach: number;

  constructor({ drop, maxReach }: { readonly drop: number; readonly maxReach: number }) {
    this.#drop = drop;
    this.#maxReach = maxReach;
  }

  /**
   * Checks a frame whose strips were walked.
   * @param amplitude of the frame
   * @returns number of returns that were removed from the view's depth
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
      // The floor elsewhere in view is a mirror, so possible images count as images.
      for (let n = 0; n < this.#count; n++) {
        this.#stretches[n]!.isDrop &&= this.#judge(n, lensHeight, true) === DROP;
      }
    }
    // Without any mirror image in view the strips decide alone.
    if (shown < FEWEST_BELOW) return 0;
    let taken = 0;
    for (let n = 0; n < this.#count; n++) {
      const stretch = this.#stretches[n]!;
      if (!stretch.isDrop || (mirrors > 0 && this.#isAlone(stretch))) taken += this.#takeOut(view, stretch);
    }
    return taken;
  }

  /** Whether no neighbouring strip shows the drop. Next to a mirror such a stretch is no drop. */
  #isAlone({ strip, from }: Stretch): boolean {
    for (let n = 0; n < this.#count; n++) {
      const other = this.#stretches[n]!;
      const isBeside = Math.abs(other.strip - strip) === 1 && Math.abs(other.from - from) < ONE_EDGE;
      if (other.isDrop && isBeside) return false;
    }
    return true;
  }

  /** Walks one strip outwards and records its stretches. One long function, because the state of a stretch is in its local variables. */
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
    // Counts since the last return from below. They belong to the stretch only if another such return follows.
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

  /** Kind of the return of pixel `i` at depth `t` metres. */
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
   * Kind of stretch `n`.
   * @param lensHeight      metres
   * @param areHiddenImages whether returns at places of objects out of view count as images
   */
  #judge(n: number, lensHeight: number, areHiddenImages: boolean): number {
    const stretch = this.#stretches[n]!;
    const end = n + 1 < this.#count ? this.#stretches[n + 1]!.cells : this.#cells.length;
    const sums = this.#sums;
    sums.images = sums.hidden = sums.below = sums.floor = 0;
    for (let k = stretch.cells; k < end; k++) this.#votes.addTo(sums, this.#cells[k]!);
    const votes = sums.images + sums.hidden + sums.below < ENOUGH_VOTES ? stretch : sums;
    const rest = votes.hidden + votes.below;
    // A pit shows no floor between its returns and hardly any image. In a known pit, possible images do not count as images.
    const isPit =
      votes.below >= SURE_BELOW &&
      votes.images < MOST_IMAGES_OF_PIT * votes.below &&
      votes.floor < MOST_FLOOR_OF_PIT * (rest + votes.floor);
    const images = votes.images + (isPit && !areHiddenImages ? 0 : votes.hidden);
    if (images >= MOST_IMAGES * (votes.images + rest)) return MIRROR;
    // Beyond the reach only the map uses the returns: another level stays in the frame, a mirror's image does not.
    if (stretch.from > this.#maxReach) return DROP;
    if (votes.floor >= MOST_FLOOR * (rest + votes.floor)) return MIRROR;
    const below = stretch.below + stretch.hidden;
    const depth = stretch.depth / (stretch.images + below);
    if (!isPit && depth < SHALLOW && stretch.from > SHALLOW_FROM * lensHeight) return UNSURE;
    if (stretch.from < NEAR * lensHeight && below < stretch.missing - stretch.images) return UNSURE;
    return below >= FEWEST_BELOW && below >= PER_FLOOR * stretch.floor ? DROP : UNSURE;
  }

  /** Removes a stretch's returns from below, and those behind them, from all its columns. @returns their number */
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
        // Removes also returns that are too noisy to decide: the upper half of a lower floor's noise would look like floor.
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
