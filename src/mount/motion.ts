import { hypot2 } from "../geometry/elementary.ts";
import type { Interval } from "./imu-mount.ts";
import type { LensFrame } from "./lens-path.ts";

const DEGREE = Math.PI / 180;
/** m/s and rad/s below which the head rests; chosen by hand, above what registration makes of a head that stands still. */
const REST_SPEED = 0.02;
const REST_RATE = 1.5 * DEGREE;
/** m/s^2 above which a base nods, and seconds from a change of speed until the nod has died away; chosen by hand. */
const NODDING = 0.15;
const NOD = 0.7;

/** How fast the lens moves at a frame, from the frames around it. */
export interface Speed {
  /** m/s, rad/s, and m/s^2 along the way. */
  readonly speed: number;
  readonly rate: number;
  readonly pull: number;
  /** From the frame before: metres, radians. */
  readonly way: number;
  readonly turn: number;
}

/** Microseconds on either side of a frame over which its speed is taken: about a quarter of a second in all. */
const AROUND = 125_000;

/** Speed and rate of turning over a moment around frame i, within its stretch. */
function around(frames: readonly LensFrame[], i: number): { speed: number; rate: number } {
  const { stretch, time } = frames[i]!;
  let [a, b] = [i, i];
  while (a > 0 && frames[a - 1]!.stretch === stretch && time - frames[a]!.time < AROUND) a--;
  while (b + 1 < frames.length && frames[b + 1]!.stretch === stretch && frames[b]!.time - time < AROUND) b++;
  const [from, to] = [frames[a]!, frames[b]!];
  const seconds = (to.time - from.time) / 1e6;
  if (!(seconds > 0)) return { speed: 0, rate: 0 };
  const [p, q] = [from.pose.position, to.pose.position];
  return {
    speed: hypot2(q[0] - p[0], q[1] - p[1]) / seconds,
    rate: Math.abs(to.heading - from.heading) / seconds,
  };
}

/** One for each frame. */
export function speedsOf(frames: readonly LensFrame[]): Speed[] {
  const rough = frames.map((_, i) => around(frames, i));
  return frames.map((frame, i) => {
    const before = frames[i - 1];
    const isNext = before !== undefined && before.stretch === frame.stretch;
    const [from, to] = [Math.max(0, i - 2), Math.min(frames.length - 1, i + 2)];
    const seconds = (frames[to]!.time - frames[from]!.time) / 1e6;
    const [p, q] = [frame.pose.position, before?.pose.position ?? frame.pose.position];
    return {
      ...rough[i]!,
      pull: seconds > 0 ? (rough[to]!.speed - rough[from]!.speed) / seconds : 0,
      way: isNext ? hypot2(p[0] - q[0], p[1] - q[1]) : 0,
      turn: isNext ? frame.heading - before.heading : 0,
    };
  });
}

/** Metres and radians of motion in all; what noise alone makes of a rest is left out. */
export function motionOf(speeds: readonly Speed[]): { way: number; turned: number } {
  let way = 0;
  let turned = 0;
  for (const [i, { speed, rate, way: step, turn }] of speeds.entries()) {
    if (i === 0) continue;
    if (speed > REST_SPEED) way += step;
    if (rate > REST_RATE) turned += Math.abs(turn);
  }
  return { way, turned };
}

/** Frames with floor in view, of a base that stands still or has driven steadily for `NOD` seconds. */
export function quietFrames(frames: readonly LensFrame[], speeds: readonly Speed[]): LensFrame[] {
  let nodded = Number.NEGATIVE_INFINITY;
  return frames.filter((frame, i) => {
    if (Math.abs(speeds[i]!.pull) > NODDING) nodded = frame.time;
    return frame.floor !== null && frame.time - nodded > 1e6 * NOD;
  });
}

/** Stretches of time in which the head rests, shortened at both ends by as much as stamps may be late. */
export function restsOf(frames: readonly LensFrame[], speeds: readonly Speed[]): Interval[] {
  const margin = 200_000;
  const rests: Interval[] = [];
  let from = Number.NaN;
  for (let i = 0; i <= frames.length; i++) {
    const isRest = i < frames.length && speeds[i]!.speed < REST_SPEED && speeds[i]!.rate < REST_RATE;
    if (isRest) {
      if (Number.isNaN(from)) from = frames[i]!.time;
      continue;
    }
    const to = frames[i - 1]?.time ?? Number.NaN;
    if (to - from > 2 * margin) rests.push([from + margin, to - margin]);
    from = Number.NaN;
  }
  return rests;
}
