import type { Pose, Quat } from "../../src/geometry/optics.ts";
import { IDENTITY } from "../../src/geometry/rigid.ts";
import { DepthMask } from "../../src/sense/mask.ts";
import { type Correction, Revisits } from "../../src/track/revisits.ts";
import { FrameSampler } from "../../src/track/sampler.ts";
import { Tracker, type TrackerSettings, type TrackResult } from "../../src/track/tracker.ts";
import { DriftingAttitude, type PoseFrame, type PoseSet } from "./pose-sets.ts";

export interface TrackedFrame {
  readonly frame: PoseFrame;
  readonly result: TrackResult;
  /** Metres from the true position. */
  readonly error: number;
  /** Milliseconds that samples and normals took, and all the rest. */
  readonly sampling: number;
  readonly tracking: number;
}

export interface TrackingOptions {
  readonly seed?: number;
  readonly settings?: Partial<TrackerSettings>;
  /** Changes what the orientation sensor says. */
  readonly attitude?: (rotation: Quat, n: number) => Quat;
  /** What odometry says; none by default. */
  readonly odometry?: (frame: PoseFrame, n: number) => Pose;
  /** With it keyframes are kept and loops closed; called after each frame. */
  readonly onRevisits?: (revisits: Revisits, correction: Correction | null, n: number) => void;
}

/** Runs the tracker over a set, from its first pose, with a drifting and noisy orientation. Lens and base are one. */
export function trackSet(set: PoseSet, options: TrackingOptions = {}): TrackedFrame[] {
  const mask = new DepthMask(set.optics);
  const sampler = new FrameSampler(mask.rays);
  const first = set.frames[0]!;
  const tracker = new Tracker(first.worldFromLens, options.settings);
  const attitude = new DriftingAttitude(options.seed ?? 1, first.time);
  const revisits = options.onRevisits === undefined ? null : new Revisits(tracker, 2 ** 26);
  return set.frames.map((frame, n) => {
    const { depth, unitsPerMetre } = mask.apply(frame.counts, null);
    const said = attitude.at(frame.time, frame.worldFromLens.rotation);
    const start = performance.now();
    sampler.sample(depth, unitsPerMetre);
    const sampled = performance.now();
    const result = tracker.track({
      time: frame.time,
      chosen: sampler.chosen,
      all: sampler.all,
      attitude: options.attitude?.(said, n) ?? said,
      odometry: options.odometry?.(frame, n) ?? null,
      baseFromLens: IDENTITY,
    });
    const tracking = performance.now() - sampled;
    if (revisits !== null) {
      const { all: samples } = sampler;
      const input = {
        time: frame.time,
        sensor: 0,
        result,
        floorHeight: 0,
        isClear: true,
        depth,
        unitsPerMetre,
        samples,
      };
      options.onRevisits!(revisits, revisits.take(input), n);
    }
    const [x, y, z] = frame.worldFromLens.position;
    const [a, b, c] = result.worldFromLens.position;
    const error = Math.hypot(a - x, b - y, c - z);
    return { frame, result, error, sampling: sampled - start, tracking };
  });
}
