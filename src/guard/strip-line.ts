import { hypot2 } from "../geometry/elementary.ts";
import { FLATTEST_RAY, LANES, type LevelView, STRIP } from "./level-view.ts";

/** Metres by which the nearest floor in view may differ in height from the base's floor point: less than any drop that counts. */
const MOST_OFFSET = 0.032;
/** Growth of that per metre of distance beyond 1 m: far out, a small ledge cannot be told from tilt. Chosen by hand. */
const OFFSET_GROWTH = 0.02;
/** Number of returns at which the height of a strip's first floor has full weight; fewer (a very dark floor) weigh in proportion. */
const ENOUGH = 12;
/** Most returns that are used for the first floor. */
const ASKED = 16;

/**
 * The line that a strip's middle column draws on the level floor, from its nearest row outwards. A column of an ideal camera
 * meets a level floor in a straight line. Lengths are metres.
 */
export class StripLine {
  /** Image column of the strip's first lane. */
  first = 0;
  /** Lowest image row that has a ray. */
  low = 0;
  /** Where that row meets the floor, from below the lens. */
  nearX = Number.NaN;
  nearY = Number.NaN;
  /** Where the highest row that is steep enough meets the floor, likewise. */
  farX = Number.NaN;
  farY = Number.NaN;
  /** A point at depth t along ray (x, y, 1) lies (q0 x + q1 y + q2) t along the line, counted from below the lens. */
  q0 = Number.NaN;
  q1 = Number.NaN;
  q2 = Number.NaN;
  /** Where the nearest row lies along the line. */
  nearest = Number.NaN;

  /** Finds the line of a strip; false when no row of it looks down at the floor. */
  find(view: LevelView, strip: number): boolean {
    const { width, x: rayX, y: rayY, z: rayZ } = view.rays;
    const R = view.rotation;
    const h = view.position[2]!;
    this.first = strip * STRIP + view.phase;
    const middle = strip * STRIP + (STRIP >> 1);
    let low = view.rays.height - 1;
    while (low >= 0 && rayZ[low * width + middle]! === 0) low--;
    this.low = low;
    const high = highestRow(view, middle, low);
    if (high < 0) return false;
    const a = low * width + middle;
    const b = high * width + middle;
    const toA = -h / (R[6]! * rayX[a]! + R[7]! * rayY[a]! + R[8]!);
    const toB = -h / (R[6]! * rayX[b]! + R[7]! * rayY[b]! + R[8]!);
    this.nearX = (R[0]! * rayX[a]! + R[1]! * rayY[a]! + R[2]!) * toA;
    this.nearY = (R[3]! * rayX[a]! + R[4]! * rayY[a]! + R[5]!) * toA;
    let ex = (R[0]! * rayX[b]! + R[1]! * rayY[b]! + R[2]!) * toB - this.nearX;
    let ey = (R[3]! * rayX[b]! + R[4]! * rayY[b]! + R[5]!) * toB - this.nearY;
    this.farX = this.nearX + ex;
    this.farY = this.nearY + ey;
    const length = Math.sqrt(ex * ex + ey * ey);
    ex /= length;
    ey /= length;
    this.q0 = R[0]! * ex + R[3]! * ey;
    this.q1 = R[1]! * ex + R[4]! * ey;
    this.q2 = R[2]! * ex + R[5]! * ey;
    this.nearest = this.nearX * ex + this.nearY * ey;
    return true;
  }

  /**
   * Height at which the strip's floor begins: the median of its lowest returns, if a ramp could lead there from the base's
   * own floor point. Otherwise they lie on something else, and the floor is assumed to be level.
   * @param slope steepest floor, rise over run
   */
  firstSurface(view: LevelView, slope: number): number {
    const heights = this.#heights;
    const count = lowestReturns(view, this, heights);
    if (count === 0) return 0;
    sortFirst(heights, count);
    const away = hypot2(view.position[0]! + this.nearX, view.position[1]! + this.nearY);
    const most = Math.min(MOST_OFFSET + OFFSET_GROWTH * Math.max(0, away - 1), slope * away);
    const share = Math.min(1, count / ENOUGH);
    const middle = heights[count >> 1]!;
    return Math.abs(middle) <= share * most ? middle : 0;
  }
  readonly #heights = new Float64Array(ASKED);
}

/** Highest row above `low`, of every other one, whose ray is steep enough; -1 without one. */
function highestRow({ rays, rotation: R }: LevelView, column: number, low: number): number {
  const { width, x: rayX, y: rayY, z: rayZ } = rays;
  for (let v = 0; v < low; v += 2) {
    const i = v * width + column;
    if (rayZ[i]! > 0 && R[6]! * rayX[i]! + R[7]! * rayY[i]! + R[8]! < -2 * FLATTEST_RAY) return v;
  }
  return -1;
}

/** Fills `heights` with those of the strip's lowest returns, looked for in the lower third of the image; returns how many. */
function lowestReturns(view: LevelView, { first, low }: StripLine, heights: Float64Array): number {
  const { depth, rotation: R, metresPerUnit } = view;
  const { width, height, x: rayX, y: rayY } = view.rays;
  const h = view.position[2]!;
  let count = 0;
  for (let v = low; v > low - height / 3 && v >= 0; v--) {
    for (let lane = 0; lane < LANES; lane++) {
      const i = v * width + first + 2 * lane;
      const t = depth[i]! * metresPerUnit;
      if (t === 0) continue;
      heights[count++] = h + (R[6]! * rayX[i]! + R[7]! * rayY[i]! + R[8]!) * t;
      if (count === heights.length) return count;
    }
  }
  return count;
}

/** Sorts the first `count` values, upwards, by insertion: there are few. */
function sortFirst(values: Float64Array, count: number): void {
  for (let i = 1; i < count; i++) {
    const value = values[i]!;
    let k = i;
    for (; k > 0 && values[k - 1]! > value; k--) values[k] = values[k - 1]!;
    values[k] = value;
  }
}
