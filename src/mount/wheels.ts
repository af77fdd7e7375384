import { atan2Of, cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import { wrapAngle } from "../geometry/vec.ts";
import { leastSquares } from "./least-squares.ts";
import type { LensFrame } from "./lens-path.ts";
import { placeIn } from "./times.ts";

/** Wheel odometry over a drive. */
export class WheelPath {
  readonly #times: number[] = [];
  readonly #x: number[] = [];
  readonly #y: number[] = [];
  readonly #yaw: number[] = [];
  /** Steps from the sample before, in the base's own axes halfway. */
  readonly #ahead: number[] = [];
  readonly #aside: number[] = [];

  /** @param pose x, y in metres, yaw in radians; samples not later than the last are left out */
  push(time: number, [x, y, yaw]: readonly [number, number, number]): void {
    const last = this.#times.length - 1;
    if (last >= 0 && !(time > this.#times[last]!)) return;
    const turn = last >= 0 ? wrapAngle(yaw - this.#yaw[last]!) : 0;
    const now = last >= 0 ? this.#yaw[last]! + turn : yaw;
    const [dx, dy] = last >= 0 ? [x - this.#x[last]!, y - this.#y[last]!] : [0, 0];
    const [c, s] = [cosOf(now - turn / 2), sinOf(now - turn / 2)];
    this.#times.push(time);
    this.#x.push(x);
    this.#y.push(y);
    this.#yaw.push(now);
    this.#ahead.push(c * dx + s * dy);
    this.#aside.push(c * dy - s * dx);
  }

  get count(): number {
    return this.#times.length;
  }
  get first(): number {
    return this.#times[0] ?? Number.POSITIVE_INFINITY;
  }
  get last(): number {
    return this.#times.at(-1) ?? Number.NEGATIVE_INFINITY;
  }
  /** Sum of absolute turns, radians. */
  get turned(): number {
    let sum = 0;
    for (let k = 1; k < this.#yaw.length; k++) sum += Math.abs(this.#yaw[k]! - this.#yaw[k - 1]!);
    return sum;
  }
  timeOf(k: number): number {
    return this.#times[k]!;
  }
  yawOf(k: number): number {
    return this.#yaw[k]!;
  }
  /** Metres driven forward, and to the left, from sample k - 1 to k. */
  stepOf(k: number): number {
    return this.#ahead[k]!;
  }
  asideOf(k: number): number {
    return this.#aside[k]!;
  }

  /** The index of the last sample not after a time, and the fraction to the next (0 to 1); null outside. */
  place(time: number): readonly [index: number, share: number] | null {
    return placeIn(this.#times, time);
  }

  /** Yaw at an interpolated index (see `place`), radians, unwrapped. */
  yawAt([k, share]: readonly [index: number, share: number]): number {
    return this.#yaw[k]! + share * (this.#yaw[k + 1]! - this.#yaw[k]!);
  }

  /** Whether the base hardly moved between two times. */
  isRest(from: number, to: number): boolean {
    const [a, b] = [this.place(from), this.place(to)];
    if (a === null || b === null) return false;
    let way = 0;
    let turned = 0;
    for (let k = a[0] + 1; k <= b[0] + 1; k++) {
      way += hypot2(this.#ahead[k]!, this.#aside[k]!);
      turned += Math.abs(this.#yaw[k]! - this.#yaw[k - 1]!);
    }
    return way < REST_WAY && turned < REST_TURN;
  }
}

/** Planar mount of the lens on the base, with the 1 sigma of each value. */
export interface PlanarMount {
  /** Heading of the lens against the base's forward direction, radians. */
  readonly yaw: number;
  readonly yawSigma: number;
  /** The lens ahead of and left of the point that the base turns about, metres. */
  readonly x: number;
  readonly xSigma: number;
  readonly y: number;
  readonly ySigma: number;
  /** Distance and turn by the wheels, divided by the true ones. */
  readonly scale: number;
  readonly scaleSigma: number;
  readonly turnScale: number;
  readonly turnScaleSigma: number;
  /** Seconds by which odometry is stamped late against depth. */
  readonly lateness: number;
  readonly latenessSigma: number;
}

/** A piece of the path over which lens and wheels are compared: its first and last frame. */
interface Piece {
  readonly first: number;
  readonly last: number;
}

/** Seconds: a piece ends at the first rest after the shorter time, or after the longer. */
const PIECE = 3;
const LONGEST_PIECE = 8;
/** Fewest frames of a piece, and fewest pieces in which the base moved. */
const LEAST_FRAMES = 6;
const LEAST_PIECES = 2;
/** Seconds to either side, and motion of wheels at rest over them: metres and radians. */
const REST_SPAN = 0.2;
const REST_WAY = 0.004;
const REST_TURN = (0.3 * Math.PI) / 180;
/** Pieces with less motion are not used: metres and radians. */
const LEAST_WAY = 0.03;
const LEAST_TURN = (2 * Math.PI) / 180;
/** Radians: a smaller turn from frame to frame counts as straight. */
const STRAIGHT = (0.5 * Math.PI) / 180;
/** Number of consecutive frames that share their error, because the view changes slowly. */
const SHARED = 5;
/** Metres, 1 sigma: a path constrained this well has full weight. */
const WELL_HELD = 0.001;
/** Seconds between two frames beyond which the motion between them is unknown. */
const MOST_APART = 0.35;
/** Largest delay of the odometry, seconds: the path must be known that long before and after. */
const MOST_LATE = 0.15;

/** A place of the lens on the floor, with the base's nods removed. */
export interface PlanarPlace {
  readonly x: number;
  readonly y: number;
}

/**
 * Planar hand-eye calibration. The base's position follows from the lens's position, yaw and offset t on the base; and also from
 * the wheels' distance in the base's heading by the lens. Over each piece of the path the two
 * may differ by a constant only. Straight legs show the yaw, turns the offset. Further unknowns: the wheels' scale for
 * distances and turns, and the delay of their stamps.
 *
 * Pieces are whole legs, with all their frames: the longer the leg, the less a frame's error affects
 * its direction. The wheels' own turns, which slip, are not used for directions.
 *
 * Source: hand-eye calibration (Tsai & Lenz 1989; Shiu & Ahmad 1989), for planar motions.
 * @param places one per frame
 * @returns null when no piece has motion in both
 */
export function solvePlanar(
  frames: readonly LensFrame[],
  places: readonly PlanarPlace[],
  wheels: WheelPath,
): PlanarMount | null {
  const pieces = findPieces(frames, wheels);
  if (pieces.length < LEAST_PIECES) return null;
  const comparison = new Comparison(frames, places, wheels, pieces);
  const { rows } = comparison;
  const result = leastSquares({
    start: [startingYaw(frames, places, wheels, pieces), 0, 0, 1, 1, 0],
    priors: [3, 1, 1, 0.05, 0.05, 0.05],
    steps: [1e-4, 1e-4, 1e-4, 1e-4, 1e-4, 0.02],
    // Along the path the wheels' error dominates, sideways the lens's: each has its own noise.
    kinds: Uint8Array.from({ length: rows }, (_, i) => i % 3),
    leastSigma: [0.001, 0.0005, 0.0005],
    clusters: comparison.clusters,
    overlap: SHARED,
    evaluate: (values, out) => comparison.evaluate(values, out),
  });
  const [yaw = 0, x = 0, y = 0, scale = 1, turnScale = 1, lateness = 0] = result.values;
  const [a = 0, b = 0, c = 0, d = 0, e = 0, f = 0] = result.sigmas;
  return {
    yaw: wrapAngle(yaw),
    yawSigma: a,
    x,
    xSigma: b,
    y,
    ySigma: c,
    scale,
    scaleSigma: d,
    turnScale,
    turnScaleSigma: e,
    lateness,
    latenessSigma: f,
  };
}

/** Three rows for each frame of each piece: difference between lens and wheels ahead, to the left (metres), and in turns (radians). */
class Comparison {
  readonly rows: number;
  readonly clusters: Int32Array;
  readonly #frames: readonly LensFrame[];
  readonly #places: readonly PlanarPlace[];
  readonly #wheels: WheelPath;
  readonly #pieces: readonly Piece[];
  /** The wheels' path, a place for each sample, in the lens's world. */
  readonly #x: Float64Array;
  readonly #y: Float64Array;

  constructor(
    frames: readonly LensFrame[],
    places: readonly PlanarPlace[],
    wheels: WheelPath,
    pieces: readonly Piece[],
  ) {
    this.#frames = frames;
    this.#places = places;
    this.#wheels = wheels;
    this.#pieces = pieces;
    this.#x = new Float64Array(wheels.count + 1);
    this.#y = new Float64Array(wheels.count + 1);
    const clusters = pieces.flatMap(({ first, last }, n) => Array<number>(3 * (last - first + 1)).fill(n));
    this.clusters = Int32Array.from(clusters);
    this.rows = clusters.length;
  }

  evaluate(
    [yaw = 0, tx = 0, ty = 0, scale = 1, turnScale = 1, late = 0]: Float64Array,
    out: Float64Array,
  ): void {
    this.#follow(yaw, scale, 1e6 * late);
    let row = 0;
    for (const { first, last } of this.#pieces) {
      const start = row;
      const mean = [0, 0, 0];
      for (let i = first; i <= last; i++, row += 3) {
        const { time, heading } = this.#frames[i]!;
        const place = this.#wheels.place(time + 1e6 * late) ?? NOWHERE;
        const [k, share] = place;
        const [c, s] = [cosOf(heading - yaw), sinOf(heading - yaw)];
        const { x, y } = this.#places[i]!;
        const wheelsX = this.#x[k]! + share * (this.#x[k + 1]! - this.#x[k]!);
        const wheelsY = this.#y[k]! + share * (this.#y[k + 1]! - this.#y[k]!);
        out[row] = x - (c * tx - s * ty) - wheelsX;
        out[row + 1] = y - (s * tx + c * ty) - wheelsY;
        out[row + 2] = heading - this.#wheels.yawAt(place) / turnScale;
        for (let j = 0; j < 3; j++) mean[j]! += out[row + j]! / (last - first + 1);
      }
      for (let i = first, r = start; i <= last; i++, r += 3) {
        const base = this.#frames[i]!.heading - yaw;
        const [c, s] = [cosOf(base), sinOf(base)];
        const [dx, dy] = [out[r]! - mean[0]!, out[r + 1]! - mean[1]!];
        const doubt = Math.max(1, this.#frames[i]!.doubt / WELL_HELD);
        out[r] = (c * dx + s * dy) / doubt;
        out[r + 1] = (c * dy - s * dx) / doubt;
        out[r + 2] = out[r + 2]! - mean[2]!;
      }
    }
  }

  /** Integrates the wheels' steps, each in the base's heading by the lens. */
  #follow(yaw: number, scale: number, late: number): void {
    const frames = this.#frames;
    const wheels = this.#wheels;
    let j = 0;
    for (let k = 1; k < wheels.count; k++) {
      const time = (wheels.timeOf(k) + wheels.timeOf(k - 1)) / 2 - late;
      while (j < frames.length - 2 && frames[j + 1]!.time < time) j++;
      const [a, b] = [frames[j]!, frames[j + 1]!];
      const share = Math.min(1, Math.max(0, (time - a.time) / (b.time - a.time)));
      const base = a.heading + share * (b.heading - a.heading) - yaw;
      const [c, s] = [cosOf(base), sinOf(base)];
      const [ahead, aside] = [wheels.stepOf(k) / scale, wheels.asideOf(k) / scale];
      this.#x[k] = this.#x[k - 1]! + c * ahead - s * aside;
      this.#y[k] = this.#y[k - 1]! + s * ahead + c * aside;
    }
  }
}

const NOWHERE = [0, 0] as const;

/** The yaw that aligns the straight steps of both. */
function startingYaw(
  frames: readonly LensFrame[],
  places: readonly PlanarPlace[],
  wheels: WheelPath,
  pieces: readonly Piece[],
): number {
  let dot = 0;
  let cross = 0;
  for (const { first, last } of pieces) {
    for (let i = first + 1; i <= last; i++) {
      const [a, b] = [frames[i - 1]!, frames[i]!];
      if (Math.abs(b.heading - a.heading) > STRAIGHT) continue;
      const [from, to] = [wheels.place(a.time), wheels.place(b.time)];
      if (from === null || to === null) continue;
      let [ahead, aside] = [0, 0];
      for (let k = from[0] + 1; k <= to[0]; k++) {
        ahead += wheels.stepOf(k);
        aside += wheels.asideOf(k);
      }
      const [dx, dy] = [places[i]!.x - places[i - 1]!.x, places[i]!.y - places[i - 1]!.y];
      const [c, s] = [cosOf(b.heading), sinOf(b.heading)];
      const [x, y] = [c * dx + s * dy, c * dy - s * dx];
      dot += x * ahead + y * aside;
      cross += x * aside - y * ahead;
    }
  }
  return atan2Of(cross, dot);
}

/** Cuts the path at rests, where a cut loses no motion; keeps only pieces in which the base moved. */
function findPieces(frames: readonly LensFrame[], wheels: WheelPath): Piece[] {
  const pieces: Piece[] = [];
  let first = -1;
  const end = (last: number): void => {
    if (first >= 0 && last - first + 1 >= LEAST_FRAMES && hasMotion(frames, wheels, first, last))
      pieces.push({ first, last });
    first = -1;
  };
  for (const [i, frame] of frames.entries()) {
    const { time } = frame;
    const isInside = time >= wheels.first + 1e6 * MOST_LATE && time <= wheels.last - 1e6 * MOST_LATE;
    if (first >= 0 && !(isInside && isJoined(frames[i - 1]!, frame))) end(i - 1);
    if (!isInside) continue;
    if (first < 0) first = i;
    const seconds = (time - frames[first]!.time) / 1e6;
    const isRest = (): boolean => wheels.isRest(time - 1e6 * REST_SPAN, time + 1e6 * REST_SPAN);
    if (seconds >= LONGEST_PIECE || (seconds >= PIECE && isRest())) {
      end(i);
      first = i;
    }
  }
  end(frames.length - 1);
  return pieces;
}

function hasMotion(frames: readonly LensFrame[], wheels: WheelPath, first: number, last: number): boolean {
  const [a, b] = [wheels.place(frames[first]!.time), wheels.place(frames[last]!.time)];
  if (a === null || b === null) return false;
  let way = 0;
  let turned = 0;
  for (let k = a[0] + 1; k <= b[0]; k++) {
    way += hypot2(wheels.stepOf(k), wheels.asideOf(k));
    turned += Math.abs(wheels.yawOf(k) - wheels.yawOf(k - 1));
  }
  return way >= LEAST_WAY || turned >= LEAST_TURN;
}

/** Whether the motion between two frames is known in every direction. */
const isJoined = (a: LensFrame, b: LensFrame): boolean =>
  a.stretch === b.stretch && a.isHeld && b.isHeld && b.time - a.time < 1e6 * MOST_APART;
