import { REASON } from "../sense/mask.ts";
import { END } from "../terms/safety.ts";
import { DropRun } from "./drop-run.ts";
import { EVIDENCE, type GlanceFrame } from "./glance-frame.ts";
import { FLATTEST_RAY, LANES, type LevelView } from "./level-view.ts";
import { NearestThing } from "./nearest-thing.ts";
import { FirmFloor, Surface } from "./strip-floor.ts";
import { StripLine } from "./strip-line.ts";

/** Limits for judging a strip. Lengths are metres. */
export interface StripLimits {
  /** Deeper steps down are drops; taller objects are in the way; narrower unseen floor may be crossed. */
  readonly drop: number;
  readonly step: number;
  readonly gap: number;
  /** Height of the body: it passes under objects that hang higher. */
  readonly bodyHeight: number;
  /** Steepest floor, rise over run. */
  readonly slope: number;
  /** Largest distance. */
  readonly maxReach: number;
}

/**
 * Errors of a height that do not depend on the pixel, 1 sigma: of the tilt after the trim (radians), and of floor texture and
 * calibration (metres). Chosen by hand.
 */
const TILT_SIGMA = 0.003;
const HEIGHT_SIGMA = 0.003;
/**
 * Single returns of a dark floor are too noisy to tell floor from a shallow drop; the balance along the strip decides. A return
 * this far below `drop`, metres, counts for the drop however noisy it is. Found like MOST_FOR_DROP.
 */
const LEANING = 0.01;
/** An object that begins higher than this above the floor, metres, hangs. Chosen by hand. */
const HANGING = 0.1;
/** Beyond the reach, a return lower than this under the floor, metres, comes from below. Chosen by hand. */
const FAR_BELOW = 0.15;
/** If rows are closer than this on the floor, metres, every other row is used. Chosen by hand: an eighth of a cell. */
const CLOSE_ROWS = 0.006;
/** In units of the gap that the body crosses: a run that begins farther beyond the floor is not its edge; missing returns farther away are no doubt about it. */
const EDGE_GAPS = 1.5;
const DOUBT_GAPS = 2;
/** A drop shallower than this, this close before a wall (metres), is light that went from wall to floor to lens (multipath). Chosen by hand. */
const CORNER_DEPTH = 0.04;
const CORNER_WIDTH = 0.15;

// Copies for the hot loops: an imported constant costs a look-up there.
const UNSEEN: number = END.unseen;
const DOUBTFUL: number = END.doubtful;
const BRINK: number = END.brink;
const OBSTACLE: number = END.obstacle;
const OVERHANG: number = END.overhang;
const TOUCHED: number = EVIDENCE.touched;
const PASSED: number = EVIDENCE.passed;
const MISSING: number = EVIDENCE.missing;
const LEANS: number = EVIDENCE.leaning;
const FLYING: number = REASON.flying;
const SATURATED: number = REASON.saturated;
const FLATTEST: number = FLATTEST_RAY;
/** Pixels from a row's first lane to beyond its last. */
const ROW: number = 2 * LANES;

/** Returns of the lanes of one row. */
class RowReturns {
  /** Returns from the floor, and the sum of their heights over the expected surface, metres. */
  touched = 0;
  heights = Number.NaN;
  /** Of those, returns that lie deeper than a drop. */
  leaning = 0;
  /** Returns that are evidence for a drop, and expected returns that are missing. */
  passed = 0;
  missing = 0;
}

/**
 * Walks a strip along its line on the floor, from the nearest row outwards, and judges each row: floor, drop, or nothing seen.
 *
 * A row counts where its rays cross the expected surface: that place has no range noise. Removing returns can only shorten what is
 * firm, because nothing but a return makes floor.
 */
export class StripWalk {
  readonly #limits: StripLimits;
  /** Returns higher than this over the surface, metres, are objects and not floor. */
  readonly #stepUp: number;
  readonly #line = new StripLine();
  readonly #surface = new Surface();
  readonly #floor = new FirmFloor();
  readonly #run = new DropRun();
  readonly #thing = new NearestThing();
  readonly #row = new RowReturns();
  /** Returns of the frame that lie clearly below the expected floor. */
  below = 0;

  constructor(limits: StripLimits) {
    this.#limits = limits;
    this.#stepUp = limits.step + 3 * HEIGHT_SIGMA;
  }

  /** Judges one strip; writes its end, and appends its rows of evidence to the frame. */
  walk(view: LevelView, strip: number, out: GlanceFrame): void {
    const line = this.#line;
    const px = view.position[0]!;
    const py = view.position[1]!;
    out.drop[strip] = 0;
    if (!line.find(view, strip)) {
      out.endX[strip] = out.nearX[strip] = out.farX[strip] = px;
      out.endY[strip] = out.nearY[strip] = out.farY[strip] = py;
      out.kind[strip] = END.unseen;
      out.range[strip] = 0;
      return;
    }
    out.nearX[strip] = px + line.nearX;
    out.nearY[strip] = py + line.nearY;
    out.farX[strip] = px + line.farX;
    out.farY[strip] = py + line.farY;
    this.#surface.begin(line.firstSurface(view, this.#limits.slope), line.nearest);
    this.#floor.begin(line.nearest, px + line.nearX, py + line.nearY);
    this.#run.begin();
    this.#thing.begin();
    this.#walkRows(view, strip, out);
    this.#setEnd(view);
    out.endX[strip] = this.#floor.x;
    out.endY[strip] = this.#floor.y;
    out.kind[strip] = this.#floor.kind;
    out.drop[strip] = this.#floor.drop;
    out.range[strip] = this.#floor.range;
  }

  /**
   * One long function: the working values of a row stay in registers. Split, it took a fifth more time; rare cases are
   * in functions of their own.
   */
  #walkRows(view: LevelView, strip: number, out: GlanceFrame): void {
    const { depth, reason, amplitude, metresPerUnit } = view;
    const { width, x: rayX, y: rayY } = view.rays;
    const { maxReach, gap, drop } = this.#limits;
    const line = this.#line;
    const surface = this.#surface;
    const floor = this.#floor;
    const run = this.#run;
    const row = this.#row;
    const stepUp = this.#stepUp;
    const { gate } = view.signal;
    let { least } = view.signal;
    const { first, q0, q1, q2 } = line;
    const R = view.rotation;
    const r0 = R[0]!;
    const r1 = R[1]!;
    const r2 = R[2]!;
    const r3 = R[3]!;
    const r4 = R[4]!;
    const r5 = R[5]!;
    const r6 = R[6]!;
    const r7 = R[7]!;
    const r8 = R[8]!;
    const px = view.position[0]!;
    const py = view.position[1]!;
    const h = view.position[2]!;
    const surfaces = view.surface;
    const firstRow = strip * view.rays.height;
    let n = out.evidence;
    for (let v = line.low; v >= 0; v--) {
      const at = v * width + first + 2; // the second lane represents the row
      const atX = rayX[at]!;
      const atY = rayY[at]!;
      const down = r6 * atX + r7 * atY + r8;
      const expected = surface.height;
      surfaces[firstRow + v] = expected;
      const toFloor = (expected - h) / down;
      const along = (q0 * atX + q1 * atY + q2) * toFloor;
      if (down > -FLATTEST || along > maxReach) {
        v = this.#lookForThings(view, v) + 1;
        continue;
      }
      // Most lanes lie on the surface or return nothing; from the first other lane on, lanes are judged one by one.
      let touched = 0;
      let heights = 0;
      let leaning = 0;
      let passed = 0;
      let missing = 0;
      let i = at - 2;
      const end = run.suspicion === 0 ? i + ROW : i;
      for (; i < end; i += 2) {
        const t = depth[i]! * metresPerUnit;
        if (t === 0) {
          if (isDue(reason[i]!)) missing++;
          continue;
        }
        const off = h + (r6 * rayX[i]! + r7 * rayY[i]! + r8) * t - expected;
        if (!(off > -drop && off < stepUp)) break;
        touched++;
        heights += off;
      }
      if (i < at - 2 + ROW) {
        row.touched = touched;
        row.heights = heights;
        row.missing = missing;
        this.#judgeLanes(view, i, at - 2, along);
        ({ touched, heights, leaning, passed, missing } = row);
      }
      surface.settle(along);
      run.follow(n, v, along);
      if (missing > 0) run.absent += missing;
      const range = toFloor * Math.sqrt(atX * atX + atY * atY + 1);
      const x = px + (r0 * atX + r1 * atY + r2) * toFloor;
      const y = py + (r3 * atX + r4 * atY + r5) * toFloor;
      out.x[n] = x;
      out.y[n] = y;
      out.far[n] = range;
      out.height[n] = surface.height;
      if (touched > 0 && run.isFloor) {
        const isFloor = floor.weigh(touched, leaning);
        out.what[n] = isFloor ? TOUCHED : LEANS;
        out.weight[n++] = touched;
        surface.follow(heights, touched, along, this.#limits.slope);
        if (amplitude !== null && depth[at]! > 0) {
          const signal = amplitude[at]!;
          if (signal > 0 && signal < least) least = signal;
          if (signal > 0 && gate > 0) floor.learn(signal, range, gate);
        }
        if (!isFloor) {
          if (floor.isOpen && along - floor.along > gap) floor.isOpen = false;
        } else if (floor.isOpen) {
          if (run.suspicion === 0 && along - floor.along < CLOSE_ROWS) v--;
          floor.reach(along, x, y, range);
        } else if (run.suspicion === 0) v--; // beyond the end half the rows are enough for the map
        continue;
      }
      if (run.isDrop(v)) {
        this.#takeDrop(n, along, out);
        n++;
      } else if (missing > 0 || passed > 0) {
        // A suspected, undecided drop counts as missing floor.
        const says = floor.missing(range);
        out.what[n] = MISSING;
        out.weight[n++] = says;
        if (along - floor.along < DOUBT_GAPS * gap) floor.doubtBy(says, missing);
      }
      if (floor.isOpen && along - floor.along > gap) floor.isOpen = false;
      if (!floor.isOpen && run.isFloor) v--;
    }
    out.evidence = n;
    view.signal.least = least;
  }

  /** Judges lanes of a row one by one, from pixel `from` to the last; `row` holds what the lanes before it returned. */
  #judgeLanes(view: LevelView, from: number, start: number, along: number): void {
    const { depth, reason, metresPerUnit } = view;
    const { table, key } = view.sigma;
    const { x: rayX, y: rayY } = view.rays;
    const { drop, bodyHeight, maxReach } = this.#limits;
    const { q0, q1, q2 } = this.#line;
    const row = this.#row;
    const run = this.#run;
    const surface = this.#surface;
    const thing = this.#thing;
    const stepUp = this.#stepUp;
    const r6 = view.rotation[6]!;
    const r7 = view.rotation[7]!;
    const r8 = view.rotation[8]!;
    const h = view.position[2]!;
    let { touched, heights, missing } = row;
    let leaning = 0;
    let back = 0;
    let passed = 0;
    for (let i = from; i < start + ROW; i += 2) {
      const t = depth[i]! * metresPerUnit;
      if (t === 0) {
        if (isDue(reason[i]!)) missing++;
        continue;
      }
      const rx = rayX[i]!;
      const ry = rayY[i]!;
      const down = r6 * rx + r7 * ry + r8;
      const off = h + down * t - surface.height; // over the expected surface
      if (run.suspicion === 0 && off > -drop && off < stepUp) {
        touched++;
        heights += off;
        continue;
      }
      const sigma = heightSigma(table[key[i]!]!, down, along);
      if (off > stepUp + 3 * sigma) {
        const s = (q0 * rx + q1 * ry + q2) * t;
        if (s < thing.along && s < maxReach && off < bodyHeight) thing.meet((i - start) >> 1, i, s, off);
        continue;
      }
      if (
        surface.isRaised &&
        Math.abs(surface.height + off - surface.ground) < Math.min(drop + 2 * sigma, 2 * drop)
      ) {
        back++;
        continue;
      }
      if (off < -drop - 2 * sigma) this.below++;
      if (run.add(off, sigma, drop)) passed++;
      if (run.isFloor && off > -drop - 2 * sigma) {
        touched++;
        heights += off;
        if (off < -drop - LEANING) leaning++;
      }
    }
    if (back > 1) {
      surface.stepDown();
      run.dismiss();
      touched += back;
    }
    row.touched = touched;
    row.heights = heights;
    row.leaning = leaning;
    row.passed = passed;
    row.missing = missing;
  }

  /**
   * Looks for objects in rows that show no floor, because they look above the horizon or beyond the reach. Objects are several rows high:
   * every other row is enough.
   * @returns the first row above that shows floor again, or -1
   */
  #lookForThings(view: LevelView, v: number): number {
    const { rays, depth, metresPerUnit } = view;
    const { x: rayX, y: rayY } = rays;
    const { bodyHeight, maxReach } = this.#limits;
    const { first, q0, q1, q2 } = this.#line;
    const thing = this.#thing;
    const surface = this.#surface.height;
    const r6 = view.rotation[6]!;
    const r7 = view.rotation[7]!;
    const r8 = view.rotation[8]!;
    const h = view.position[2]!;
    let row = v;
    for (; row >= 0; row -= 2) {
      const at = row * rays.width + first;
      const atX = rayX[at + 2]!;
      const atY = rayY[at + 2]!;
      const atDown = r6 * atX + r7 * atY + r8;
      const isFloor =
        atDown <= -FLATTEST && (q0 * atX + q1 * atY + q2) * ((surface - h) / atDown) <= maxReach;
      if (isFloor) return row;
      for (let i = at; i < at + ROW; i += 2) {
        const t = depth[i]! * metresPerUnit;
        if (t === 0) continue;
        const rx = rayX[i]!;
        const ry = rayY[i]!;
        const s = (q0 * rx + q1 * ry + q2) * t;
        const off = h + (r6 * rx + r7 * ry + r8) * t - surface;
        if (off < -FAR_BELOW) this.below++;
        if (s >= thing.along || s > maxReach) continue;
        if (off <= bodyHeight && off >= HANGING) thing.meet((i - at) >> 1, i, s, off);
      }
    }
    return -1;
  }

  /** The run has decided on a drop: row `n` of evidence and those of the run were passed. */
  #takeDrop(n: number, along: number, out: GlanceFrame): void {
    const run = this.#run;
    const floor = this.#floor;
    const { gap } = this.#limits;
    floor.isOpen = false;
    if (run.startAlong - floor.along < EDGE_GAPS * gap) {
      if (floor.kind !== BRINK) {
        floor.kind = BRINK;
        // The edge lies between the last floor and the first ray that passed.
        floor.x = 0.5 * (floor.x + out.x[run.start]!);
        floor.y = 0.5 * (floor.y + out.y[run.start]!);
      }
      // The depth of a stair is that of its first tread.
      if (along - floor.along < DOUBT_GAPS * gap) floor.drop = run.depth;
    }
    for (let k = run.start; k < n; k++) if (out.what[k] !== TOUCHED) out.what[k] = PASSED;
    out.what[n] = PASSED;
    out.weight[n] = 1;
    run.start = n;
  }

  /** Decides what ends the strip: the end of the floor, doubt beyond it, or an object in front of it. */
  #setEnd(view: LevelView): void {
    const floor = this.#floor;
    const thing = this.#thing;
    const { gap } = this.#limits;
    if (floor.kind === UNSEEN && floor.isDoubtful) floor.kind = DOUBTFUL;
    // Light that went from wall to floor to lens makes the floor before a wall look lower.
    const isCorner =
      floor.kind === BRINK &&
      floor.drop < CORNER_DEPTH &&
      thing.along - floor.along < CORNER_WIDTH &&
      thing.along > floor.along;
    if (!(thing.along < floor.along + (floor.kind === BRINK ? 0 : gap) || isCorner)) return;
    const isOverFloor = floor.along > thing.along + gap && thing.lowest > HANGING;
    floor.kind = isOverFloor ? OVERHANG : OBSTACLE;
    floor.drop = 0;
    if (thing.along >= floor.along) return;
    const { rotation: R, position } = view;
    const t = view.depth[thing.pixel]! * view.metresPerUnit;
    const rx = view.rays.x[thing.pixel]!;
    const ry = view.rays.y[thing.pixel]!;
    floor.x = position[0]! + (R[0]! * rx + R[1]! * ry + R[2]!) * t;
    floor.y = position[1]! + (R[3]! * rx + R[4]! * ry + R[5]!) * t;
    floor.range = t * Math.sqrt(rx * rx + ry * ry + 1);
  }
}

/**
 * Standard deviation of a return's height over the floor, metres.
 * @param depthSigma of its depth
 * @param down       vertical part of its ray at unit depth, below 0
 * @param along      metres along the floor
 */
export function heightSigma(depthSigma: number, down: number, along: number): number {
  return depthSigma * -down + TILT_SIGMA * along + HEIGHT_SIGMA;
}

/** Whether a pixel without a return should have had one, by the mask's reason. A pixel that the mask removed for another reason is no evidence. */
export function isDue(why: number): boolean {
  return why !== FLYING && why !== SATURATED;
}
