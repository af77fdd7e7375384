import { wrapAngle } from "../geometry/vec.ts";
import { leastSquares } from "./least-squares.ts";
import type { LensFrame } from "./lens-path.ts";
import { placeIn } from "./times.ts";

/** Wheel odometry over a drive, as it was counted. */
export class WheelPath {
  readonly #times: number[] = [];
  readonly #x: number[] = [];
  readonly #y: number[] = [];
  readonly #yaw: number[] = [];

  /** @param pose x, y in metres, yaw in radians; samples not later than the last are left out */
  push(time: number, [x, y, yaw]: readonly [number, number, number]): void {
    const last = this.#times.length - 1;
    if (last >= 0 && !(time > this.#times[last]!)) return;
    this.#times.push(time);
    this.#x.push(x);
    this.#y.push(y);
    this.#yaw.push(last >= 0 ? this.#yaw[last]! + wrapAngle(yaw - this.#yaw[last]!) : yaw);
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
  /** Radians turned in all, to either side. */
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
  /** Metres driven forward from sample k - 1 to k. */
  stepOf(k: number): number {
    const middle = (this.#yaw[k]! + this.#yaw[k - 1]!) / 2;
    const [dx, dy] = [this.#x[k]! - this.#x[k - 1]!, this.#y[k]! - this.#y[k - 1]!];
    return dx * Math.cos(middle) + dy * Math.sin(middle);
  }

  /** The index of the last sample not after a time, and how far on to the next (0 to 1); null outside. */
  place(time: number): readonly [index: number, share: number] | null {
    return placeIn(this.#times, time);
  }

  /** The path anew, as wheels would count it that overstate ways and turns by these factors: x, y, yaw triples. */
  corrected(out: Float64Array, scale: number, turnScale: number): void {
    let x = 0;
    let y = 0;
    out[0] = 0;
    out[1] = 0;
    out[2] = this.#yaw[0]! / turnScale;
    for (let k = 1; k < this.#times.length; k++) {
      const middle = (this.#yaw[k]! + this.#yaw[k - 1]!) / 2;
      const [dx, dy] = [this.#x[k]! - this.#x[k - 1]!, this.#y[k]! - this.#y[k - 1]!];
      const [c, s] = [Math.cos(middle), Math.sin(middle)];
      const ahead = (dx * c + dy * s) / scale;
      const aside = (dy * c - dx * s) / scale;
      const yaw = middle / turnScale;
      const [a, b] = [Math.cos(yaw), Math.sin(yaw)];
      x += a * ahead - b * aside;
      y += b * ahead + a * aside;
      out[3 * k] = x;
      out[3 * k + 1] = y;
      out[3 * k + 2] = this.#yaw[k]! / turnScale;
    }
  }
}

/** Where the lens is on the base, seen from above; 1 sigma beside each. */
export interface PlanarMount {
  /** Heading of the lens against the base's forward direction, radians. */
  readonly yaw: number;
  readonly yawSigma: number;
  /** The lens ahead of and left of the point that the base turns about, metres. */
  readonly x: number;
  readonly xSigma: number;
  readonly y: number;
  readonly ySigma: number;
  /** Way and turn as the wheels count them, over the true ones. */
  readonly scale: number;
  readonly scaleSigma: number;
  readonly turnScale: number;
  readonly turnScaleSigma: number;
  /** Seconds by which odometry is stamped late against depth. */
  readonly lateness: number;
  readonly latenessSigma: number;
}

/** One stretch of time over which the lens and the wheels are compared: planar motions, from the start's own axes. */
interface Span {
  readonly from: number;
  readonly to: number;
  readonly turn: number;
  readonly x: number;
  readonly y: number;
  /** The lens's way counts for less by this factor, 1 or more: what was in view held it less well. */
  readonly doubt: number;
}

/** Seconds: length of a span, from one to the next, and over which errors may be shared. */
const SPAN = 1;
const STEP = 0.2;
const CLUSTER = 2.5;
/** Spans with less motion tell nothing: metres and radians. */
const LEAST_WAY = 0.03;
const LEAST_TURN = (2 * Math.PI) / 180;
/** Radians: a span that turns less is straight. */
const STRAIGHT = (4 * Math.PI) / 180;
/** Metres, 1 sigma: a way held this well counts in full. */
const WELL_HELD = 0.001;
/** Seconds between two frames beyond which the way from one to the other is not known. */
const MOST_APART = 0.35;
/** Late by more than this the odometry is of no use, seconds: the way must be known so long before and after. */
const MOST_LATE = 0.15;

/** A place of the lens on the floor, with the base's nods taken out. */
export interface PlanarPlace {
  readonly x: number;
  readonly y: number;
}

/**
 * Hand and eye on the plane. A base that moves by (a, turn) carries the lens by (b, turn) in the lens's own axes, so that
 * a = R(yaw) b + t - R(turn) t for every motion. Straight ways show the yaw, turns the offset t. Unknown beside these: how far
 * the wheels overstate ways and turns, and how late their stamps are.
 *
 * Source: hand-eye calibration (Tsai & Lenz 1989; Shiu & Ahmad 1989), for planar motions.
 * @param places one per frame
 * @returns null when no span has motion in both
 */
export function solvePlanar(
  frames: readonly LensFrame[],
  places: readonly PlanarPlace[],
  wheels: WheelPath,
): PlanarMount | null {
  const spans = findSpans(frames, places, wheels);
  if (spans.length < 6) return null;
  const path = new Float64Array(3 * wheels.count);
  wheels.corrected(path, 1, 1);

  // Start: the yaw that lays the straight ways of both onto each other.
  let dot = 0;
  let cross = 0;
  const moved = new Float64Array(3);
  for (const span of spans) {
    if (Math.abs(span.turn) > STRAIGHT) continue;
    motionOf(moved, path, wheels, span.from, span.to);
    dot += span.x * moved[0]! + span.y * moved[1]!;
    cross += span.x * moved[1]! - span.y * moved[0]!;
  }

  const first = spans[0]!.from;
  const rows = 3 * spans.length;
  const result = leastSquares({
    start: [Math.atan2(cross, dot), 0, 0, 1, 1, 0],
    priors: [3, 1, 1, 0.05, 0.05, 0.05],
    steps: [1e-4, 1e-4, 1e-4, 1e-4, 1e-4, 0.02],
    kinds: Uint8Array.from({ length: rows }, (_, i) => (i % 3 === 2 ? 1 : 0)),
    leastSigma: [0.001, 0.0005],
    clusters: Int32Array.from({ length: rows }, (_, i) =>
      Math.floor((spans[Math.floor(i / 3)]!.from - first) / (1e6 * CLUSTER)),
    ),
    overlap: SPAN / STEP,
    evaluate: ([yaw = 0, tx = 0, ty = 0, scale = 1, turnScale = 1, late = 0], out) => {
      wheels.corrected(path, scale, turnScale);
      const [c, s] = [Math.cos(yaw), Math.sin(yaw)];
      for (const [n, { from, to, turn, x, y, doubt }] of spans.entries()) {
        motionOf(moved, path, wheels, from + 1e6 * late, to + 1e6 * late);
        const [ct, st] = [Math.cos(turn), Math.sin(turn)];
        out[3 * n] = (c * x - s * y + tx - ct * tx + st * ty - moved[0]!) / doubt;
        out[3 * n + 1] = (s * x + c * y + ty - st * tx - ct * ty - moved[1]!) / doubt;
        out[3 * n + 2] = turn - moved[2]!;
      }
    },
  });
  const [yaw = 0, x = 0, y = 0, scale = 1, turnScale = 1, lateness = 0] = result.values;
  const [a = 0, b = 0, c = 0, d = 0, e = 0, f = 0] = result.sigmas;
  return {
    ...{ yaw: wrapAngle(yaw), yawSigma: a, x, xSigma: b, y, ySigma: c },
    ...{ scale, scaleSigma: d, turnScale, turnScaleSigma: e, lateness, latenessSigma: f },
  };
}

function findSpans(frames: readonly LensFrame[], places: readonly PlanarPlace[], wheels: WheelPath): Span[] {
  const spans: Span[] = [];
  let next = Number.NEGATIVE_INFINITY;
  for (const [i, start] of frames.entries()) {
    const from = start.time;
    if (from < next || from < wheels.first + 1e6 * MOST_LATE) continue;
    let j = i;
    while (
      j + 1 < frames.length &&
      frames[j]!.time - from < 1e6 * SPAN - 1 &&
      isJoined(frames[j]!, frames[j + 1]!)
    )
      j++;
    const end = frames[j]!;
    if (end.time - from < 1e6 * SPAN - 1 || end.time > wheels.last - 1e6 * MOST_LATE) continue;
    next = from + 1e6 * STEP;
    const turn = end.heading - start.heading;
    const [dx, dy] = [places[j]!.x - places[i]!.x, places[j]!.y - places[i]!.y];
    if (Math.hypot(dx, dy) < LEAST_WAY && Math.abs(turn) < LEAST_TURN) continue;
    const [c, s] = [Math.cos(start.heading), Math.sin(start.heading)];
    let doubt = 0;
    for (let k = i; k <= j; k++) doubt = Math.max(doubt, frames[k]!.doubt);
    spans.push({
      from,
      to: end.time,
      turn,
      x: c * dx + s * dy,
      y: c * dy - s * dx,
      doubt: Math.max(1, doubt / WELL_HELD),
    });
  }
  return spans;
}

/** Whether the way between two frames is known in every direction. */
const isJoined = (a: LensFrame, b: LensFrame): boolean =>
  a.stretch === b.stretch && a.isHeld && b.isHeld && b.time - a.time < 1e6 * MOST_APART;

/** Writes the motion from one time to another in the axes of its start: x, y, turn. */
function motionOf(out: Float64Array, path: Float64Array, wheels: WheelPath, from: number, to: number): void {
  const [i, u] = wheels.place(from) ?? [0, 0];
  const [j, v] = wheels.place(to) ?? [wheels.count - 2, 1];
  const at = (k: number, share: number, c: number): number =>
    path[3 * k + c]! + share * (path[3 * k + 3 + c]! - path[3 * k + c]!);
  const yaw = at(i, u, 2);
  const [dx, dy] = [at(j, v, 0) - at(i, u, 0), at(j, v, 1) - at(i, u, 1)];
  const [c, s] = [Math.cos(yaw), Math.sin(yaw)];
  out[0] = c * dx + s * dy;
  out[1] = c * dy - s * dx;
  out[2] = at(j, v, 2) - yaw;
}
