import { atan2Of, hypot2, lengthOf, square } from "../geometry/elementary.ts";
import type { Quat, Vec3 } from "../geometry/optics.ts";
import {
  conjugate,
  fromMatrix,
  fromRotationVector,
  multiply,
  slerp,
  toRotationVector,
  turn,
} from "../geometry/rigid.ts";
import { add, cross, dot, scaleAndAdd, scaled, subtract, unit } from "../geometry/vec.ts";
import { leastSquares } from "./least-squares.ts";
import type { LensFrame } from "./lens-path.ts";
import { placeIn } from "./times.ts";
import type { WheelPath } from "./wheels.ts";

/** Microseconds: samples farther apart are not interpolated between. */
const MOST_GAP = 100_000;

/** Attitudes over a drive, worldFromImu in a world of their own, in order of time. */
export class AttitudePath {
  readonly #times: number[] = [];
  readonly #rotations: Quat[] = [];

  push(time: number, rotation: Quat): void {
    if (this.#times.length > 0 && !(time > this.#times.at(-1)!)) return;
    this.#times.push(time);
    this.#rotations.push(rotation);
  }

  get count(): number {
    return this.#times.length;
  }

  /** Interpolated at a constant rate between the samples; null outside them or in a gap. */
  at(time: number): Quat | null {
    const place = placeIn(this.#times, time);
    if (place === null) return null;
    const [k, share] = place;
    if (this.#times[k + 1]! - this.#times[k]! > MOST_GAP) return null;
    return slerp(this.#rotations[k]!, this.#rotations[k + 1]!, share);
  }

  /** Mean up direction in the imu frame over some times; null without samples. */
  meanUp(times: readonly number[]): Vec3 | null {
    let sum: Vec3 = [0, 0, 0];
    for (const time of times) {
      const rotation = this.at(time);
      if (rotation !== null) sum = add(sum, turn(conjugate(rotation), [0, 0, 1]));
    }
    return unit(sum);
  }
}

/** Raw samples over a drive. */
export interface RawSample {
  readonly time: number;
  readonly gyro: Vec3;
  readonly accel: Vec3;
}

/** A stretch of time, microseconds. */
export type Interval = readonly [from: number, to: number];

const isWithin = (time: number, intervals: readonly Interval[]): boolean =>
  intervals.some(([from, to]) => time >= from && time <= to);

/** Mean of the rates, and of the specific forces, while the head rests; null without a rest. */
export function restMeans(
  samples: readonly RawSample[],
  rests: readonly Interval[],
): { readonly gyro: Vec3; readonly accel: Vec3 } | null {
  let gyro: Vec3 = [0, 0, 0];
  let accel: Vec3 = [0, 0, 0];
  let count = 0;
  for (const sample of samples) {
    if (!isWithin(sample.time, rests)) continue;
    gyro = add(gyro, sample.gyro);
    accel = add(accel, sample.accel);
    count++;
  }
  return count < 20 ? null : { gyro: scaled(gyro, 1 / count), accel: scaled(accel, 1 / count) };
}

/** Attitudes from rates alone: exact except for the bias, and not affected by acceleration. */
export function integrate(samples: readonly RawSample[], bias: Vec3): AttitudePath {
  const path = new AttitudePath();
  let rotation: Quat = [0, 0, 0, 1];
  let last = Number.NaN;
  for (const { time, gyro } of samples) {
    const step = (time - last) / 1e6;
    if (step <= 0) continue;
    // Each sample's rate holds since the one before.
    if (step < MOST_GAP / 1e6) {
      rotation = multiply(rotation, fromRotationVector(scaled(subtract(gyro, bias), step)));
    }
    last = time;
    path.push(time, rotation);
  }
  return path;
}

export interface ImuMount {
  /** imuFromLens. */
  readonly rotation: Quat;
  /** Radians, 1 sigma, about the level axes and about the vertical. */
  readonly tiltSigma: number;
  readonly headingSigma: number;
  /** Seconds by which attitudes are stamped late against depth. */
  readonly lateness: number;
  readonly latenessSigma: number;
}

/** Seconds: length of a span, from one to the next, and over which errors may be shared. */
const SPAN = 0.5;
const STEP = 0.1;
const CLUSTER = 2;
/** Radians: spans in which the lens turns and nods less are not used. */
const LEAST_TURN = (1.5 * Math.PI) / 180;
const LEAST_NOD = (0.25 * Math.PI) / 180;
const MOST_LATE = 0.2;

/** Prior of the imu's attitude. */
export interface ImuGuess {
  /** imuFromLens. */
  readonly rotation: Quat;
  /** 1 sigma of its heading about the vertical, radians. */
  readonly headingSigma: number;
  /** 1 sigma of the rates' remaining bias, rad/s. */
  readonly biasSigma: number;
}

/**
 * Hand-eye calibration of the rotation: turns of the lens, from depth, against turns of the imu over the same time. Turning shows which
 * direction of the imu is up, nodding shows its heading, and changes of rate show the delay of its stamps. Further unknowns:
 * the remaining bias of the rates, and their scale.
 *
 * Sources: hand-eye calibration (Tsai & Lenz 1989); time offsets from rotation (Furgale, Rehder & Siegwart 2013), by spans of
 * time instead of splines.
 * @param levelFromLens the lens's pitch and roll on the base, heading 0
 * @returns null when the lens hardly turned while attitudes were known
 */
export function solveImu(
  frames: readonly LensFrame[],
  levelFromLens: Quat,
  attitudes: AttitudePath,
  guess: ImuGuess,
): ImuMount | null {
  const spans = findSpans(frames, levelFromLens, attitudes);
  if (spans.length < 8) return null;
  const lensFromLevel = conjugate(levelFromLens);
  const rows = 3 * spans.length;
  const first = spans[0]!.from;
  const start =
    guess.headingSigma < 0.5 ? 0 : headingByNods(spans, attitudes, multiply(guess.rotation, lensFromLevel));
  /** imuFromLevel when turned by a small rotation vector in level axes. */
  const imuFromLevel = (x: number, y: number, z: number): Quat =>
    multiply(multiply(guess.rotation, lensFromLevel), fromRotationVector([x, y, z]));
  const result = leastSquares({
    start: [0, 0, start, 0, 0, 0, 0, 0],
    priors: [0.5, 0.5, guess.headingSigma, 0.1, ...Array(3).fill(guess.biasSigma), 0.01],
    // Over 0.02 s, or the noise of single attitudes would look like a turn rate.
    steps: [1e-4, 1e-4, 1e-4, 0.02, 1e-5, 1e-5, 1e-5, 1e-4],
    kinds: Uint8Array.from({ length: rows }, (_, i) => (i % 3 === 2 ? 1 : 0)),
    leastSigma: [0.0002, 0.0002],
    clusters: Int32Array.from({ length: rows }, (_, i) =>
      Math.floor((spans[Math.floor(i / 3)]!.from - first) / (1e6 * CLUSTER)),
    ),
    overlap: SPAN / STEP,
    evaluate: ([x = 0, y = 0, z = 0, late = 0, bx = 0, by = 0, bz = 0, scale = 0], out) => {
      const rotation = imuFromLevel(x, y, z);
      const back = conjugate(rotation);
      for (const [n, { from, to, turned }] of spans.entries()) {
        const a = attitudes.at(from + 1e6 * late);
        const b = attitudes.at(to + 1e6 * late);
        if (a === null || b === null) {
          out.fill(0, 3 * n, 3 * n + 3);
          continue;
        }
        const half = -(to - from) / 2e6;
        const drift = fromRotationVector([half * bx, half * by, half * bz]);
        const imu = multiply(multiply(drift, multiply(conjugate(a), b)), drift);
        const seen = scaled(toRotationVector(imu), 1 / (1 + scale));
        const level = multiply(multiply(back, fromRotationVector(seen)), rotation);
        const off = toRotationVector(multiply(conjugate(turned), level));
        out[3 * n] = off[0];
        out[3 * n + 1] = off[1];
        out[3 * n + 2] = off[2];
      }
    },
  });
  const [x = 0, y = 0, z = 0, lateness = 0] = result.values;
  const [sx = 0, sy = 0, headingSigma = 0, latenessSigma = 0] = result.sigmas;
  return {
    rotation: multiply(imuFromLevel(x, y, z), levelFromLens),
    tiltSigma: Math.max(sx, sy),
    headingSigma,
    lateness,
    latenessSigma,
  };
}

/** Rotation of the guess about the vertical that makes the imu's nods agree with the lens's. */
function headingByNods(spans: readonly Span[], attitudes: AttitudePath, imuFromLevel: Quat): number {
  let along = 0;
  let across = 0;
  for (const { from, to, turned } of spans) {
    const [x, y] = toRotationVector(turned);
    const imu = toRotationVector(multiply(conjugate(attitudes.at(from)!), attitudes.at(to)!));
    const [a, b] = turn(conjugate(imuFromLevel), imu);
    along += x * a + y * b;
    across += x * b - y * a;
  }
  return atan2Of(across, along);
}

/** Rotation of the lens over a span of time, in its level axes. */
interface Span {
  readonly from: number;
  readonly to: number;
  readonly turned: Quat;
}

function findSpans(frames: readonly LensFrame[], levelFromLens: Quat, attitudes: AttitudePath): Span[] {
  const spans: Span[] = [];
  const lensFromLevel = conjugate(levelFromLens);
  let next = Number.NEGATIVE_INFINITY;
  for (const [i, start] of frames.entries()) {
    const from = start.time;
    if (from < next) continue;
    let j = i;
    while (j < frames.length && frames[j]!.time - from < 1e6 * SPAN - 1) j++;
    const end = frames[j];
    if (end === undefined || end.stretch !== start.stretch || end.time - from > 1.5e6 * SPAN) continue;
    const isKnown = [from - 1e6 * MOST_LATE, from, end.time, end.time + 1e6 * MOST_LATE].every(
      (time) => attitudes.at(time) !== null,
    );
    if (!isKnown) continue;
    next = from + 1e6 * STEP;
    const lens = multiply(conjugate(start.pose.rotation), end.pose.rotation);
    const turned = multiply(multiply(levelFromLens, lens), lensFromLevel);
    const [x, y, z] = toRotationVector(turned);
    if (Math.abs(z) < LEAST_TURN && hypot2(x, y) < LEAST_NOD) continue;
    spans.push({ from, to: end.time, turned });
  }
  return spans;
}

/**
 * Up in the imu frame: the axis about which it turns when the lens turns about the floor's normal.
 * @returns null when the lens hardly turned
 */
export function turningAxis(
  frames: readonly LensFrame[],
  levelFromLens: Quat,
  attitudes: AttitudePath,
): Vec3 | null {
  let sum: Vec3 = [0, 0, 0];
  let squares = 0;
  for (const { from, to, turned } of findSpans(frames, levelFromLens, attitudes)) {
    const [, , z] = toRotationVector(turned);
    const imu = multiply(conjugate(attitudes.at(from)!), attitudes.at(to)!);
    sum = scaleAndAdd(sum, toRotationVector(imu), z);
    squares += z * z;
  }
  return squares < 0.3 ? null : unit(sum);
}

/** The base's forward direction in the imu frame, and its uncertainty, radians. */
export interface ForwardDirection {
  readonly forward: Vec3;
  readonly sigma: number;
}

/** Seconds over which accelerations are averaged; also the least duration of a straight leg. */
const MEAN = 0.15;
const LEAST_STRAIGHT = 0.6;
/** Seconds kept between a turn and a straight leg. */
const APART = 0.1;
/** Turn rate by the wheels, rad/s, below which the motion is straight. */
const STRAIGHT_RATE = (4 * Math.PI) / 180;
/** m/s: least change of speed of a straight leg. */
const LEAST_CHANGE = 0.15;

/**
 * Direction in which the base starts and brakes, from the imu: on straight legs its acceleration along the floor follows the wheels'.
 * Constants on such a leg (the accelerometer's bias, gravity on a sloping floor) and linear drift are
 * removed. Nodding adds acceleration along the same line and does not change the direction.
 * @param paths  attitudes of the imu, and the wheels' path
 * @param mount  `up` in the imu frame, and `late`: delay of the imu's stamps against the wheels, microseconds
 * @returns null when the base never starts or brakes on a straight leg
 */
export function feelForward(
  samples: readonly RawSample[],
  { attitudes, wheels }: { readonly attitudes: AttitudePath; readonly wheels: WheelPath },
  { up, late }: { readonly up: Vec3; readonly late: number },
): ForwardDirection | null {
  const side = Math.abs(up[0]) < 0.7 ? ([1, 0, 0] as const) : ([0, 1, 0] as const);
  const e1 = unit(cross(side, up))!;
  const e2 = cross(up, e1);
  let along: readonly [number, number] = [0, 0];
  let total = 0;
  const ways: { readonly pull: number; readonly a: number; readonly b: number }[][] = [];
  let begin = 0;
  for (const [from, to] of straightWays(wheels)) {
    const start = attitudes.at(from + late);
    if (start === null) continue;
    while (begin < samples.length && samples[begin]!.time < from + late) begin++;
    const means: { t: number; pull: number; a: number; b: number }[] = [];
    let k = begin;
    for (let t = from; t + 1e6 * MEAN <= to; t += 1e6 * MEAN) {
      let force: Vec3 = [0, 0, 0];
      let count = 0;
      for (; k < samples.length && samples[k]!.time < t + late + 1e6 * MEAN; k++) {
        const now = attitudes.at(samples[k]!.time);
        if (now === null) continue;
        force = add(force, turn(multiply(conjugate(start), now), samples[k]!.accel));
        count++;
      }
      if (count === 0) continue;
      force = scaled(force, 1 / count);
      const pull = (speedAt(wheels, t + 1e6 * MEAN) - speedAt(wheels, t)) / MEAN;
      means.push({ t: (t - from) / 1e6, pull, a: dot(force, e1), b: dot(force, e2) });
    }
    if (means.length < 5) continue;
    detrend(means);
    for (const row of means) {
      along = [along[0] + row.pull * row.a, along[1] + row.pull * row.b];
      total += row.pull * row.pull;
    }
    ways.push(means);
  }
  const size = lengthOf(along);
  // The base's own acceleration must dominate.
  if (!(size > 0.4 * total) || total < 0.3) return null;
  const [c, s] = [along[0] / size, along[1] / size];
  // Sideways acceleration, row by row, and summed for each leg: errors may last for a whole leg.
  let byRow = 0;
  let byWay = 0;
  for (const way of ways) {
    const pulls = way.map(({ pull, a, b }) => pull * (c * b - s * a));
    byRow += pulls.reduce((sum, pull) => sum + pull * pull, 0);
    byWay += square(pulls.reduce((sum, pull) => sum + pull, 0));
  }
  const many = ways.length / Math.max(1, ways.length - 1);
  return {
    forward: scaleAndAdd(scaled(e1, c), e2, s),
    sigma: Math.sqrt(Math.max(byRow, many * byWay)) / size,
  };
}

function* straightWays(wheels: WheelPath): Generator<Interval> {
  let from = Number.NaN;
  for (let k = 1; k <= wheels.count; k++) {
    const isStraight =
      k < wheels.count &&
      Math.abs(wheels.yawOf(k) - wheels.yawOf(k - 1)) <
        (STRAIGHT_RATE * (wheels.timeOf(k) - wheels.timeOf(k - 1))) / 1e6;
    if (isStraight) {
      if (Number.isNaN(from)) from = wheels.timeOf(k - 1);
      continue;
    }
    // The beginning or end of a turn pushes the imu sideways.
    const [begin, end] = [from + 1e6 * APART, wheels.timeOf(k - 1) - 1e6 * APART];
    if (end - begin >= 1e6 * LEAST_STRAIGHT && changeOf(wheels, begin, end) >= LEAST_CHANGE)
      yield [begin, end];
    from = Number.NaN;
  }
}

function changeOf(wheels: WheelPath, from: number, to: number): number {
  let [least, most] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
  for (let t = from; t <= to; t += 1e5) {
    const speed = speedAt(wheels, t);
    least = Math.min(least, speed);
    most = Math.max(most, speed);
  }
  return most - least;
}

/** m/s forward at a time: over a tenth of a second around it. */
function speedAt(wheels: WheelPath, time: number): number {
  const [i] = wheels.place(time - 5e4) ?? [0];
  const [j] = wheels.place(time + 5e4) ?? [wheels.count - 2];
  let way = 0;
  for (let k = i + 1; k <= j + 1; k++) way += wheels.stepOf(k);
  return way / ((wheels.timeOf(j + 1) - wheels.timeOf(i)) / 1e6);
}

/** Removes mean and linear trend from each column. */
function detrend(rows: { t: number; pull: number; a: number; b: number }[]): void {
  const mean = (field: "t" | "pull" | "a" | "b"): number =>
    rows.reduce((sum, row) => sum + row[field], 0) / rows.length;
  const middle = mean("t");
  let spread = 0;
  for (const row of rows) spread += square(row.t - middle);
  for (const field of ["pull", "a", "b"] as const) {
    const level = mean(field);
    let slope = 0;
    for (const row of rows) slope += (row.t - middle) * row[field];
    for (const row of rows) row[field] -= level + ((row.t - middle) * slope) / spread;
  }
}

/** imuFromLevel from two directions in the imu frame: up, and that of x. */
export function imuFromAxes(up: Vec3, forward: Vec3): Quat {
  const x = unit(scaleAndAdd(forward, up, -dot(forward, up)))!;
  const y = cross(up, x);
  return fromMatrix([...x, 0, ...y, 0, ...up, 0, 0, 0, 0, 1]).rotation;
}

/** Corrects a guess by a known direction: the smallest rotation after it that takes `from` to `to`. */
export function bringTo(rotation: Quat, from: Vec3, to: Vec3): Quat {
  const now = turn(rotation, from);
  const axis = cross(now, to);
  const sine = lengthOf(axis);
  const angle = atan2Of(sine, dot(now, to));
  // Opposite: about any perpendicular axis.
  const about =
    sine > 1e-9 ? scaled(axis, 1 / sine) : unit(cross(to, Math.abs(to[0]) < 0.7 ? [1, 0, 0] : [0, 1, 0]))!;
  return multiply(fromRotationVector(scaled(about, angle)), rotation);
}
