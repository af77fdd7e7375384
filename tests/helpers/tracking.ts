import type { Pose, Quat } from "../../src/geometry/optics.ts";
import { compose, invert } from "../../src/geometry/rigid.ts";
import { distance } from "../../src/geometry/vec.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { trackerSettings } from "../../src/head/stage-settings.ts";
import { DepthMask } from "../../src/sense/mask.ts";
import type { TrackResult } from "../../src/track/frame.ts";
import { FrameSampler } from "../../src/track/sampler.ts";
import { Tracker } from "../../src/track/tracker.ts";
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
  /** Settings of the head, by name, that differ from the shipped ones. */
  readonly settings?: Readonly<Record<string, unknown>>;
  /** Changes what the orientation sensor says. */
  readonly attitude?: (rotation: Quat, n: number) => Quat;
  /** Where odometry has the lens; none by default. */
  readonly odometry?: (frame: PoseFrame, n: number) => Pose;
}

/** Runs the tracker as shipped over a set, from its first pose, with a drifting and noisy orientation. */
export function trackSet(set: PoseSet, options: TrackingOptions = {}): TrackedFrame[] {
  const settings = resolveSettings({ ...set.settings, ...options.settings });
  const { baseFromLens } = set;
  const lensFromBase = invert(baseFromLens);
  const mask = new DepthMask(set.optics);
  const sampler = new FrameSampler(mask.rays, { wanted: settings["track.samples"] });
  const first = set.frames[0]!;
  const tracker = new Tracker(compose(first.worldFromLens, lensFromBase), trackerSettings(settings));
  const attitude = new DriftingAttitude(options.seed ?? 1, first.time);
  return set.frames.map((frame, n) => {
    const { depth, unitsPerMetre } = mask.apply(frame.counts, null);
    const said = attitude.at(frame.time, compose(frame.worldFromLens, lensFromBase).rotation);
    const start = performance.now();
    sampler.sample(depth, unitsPerMetre);
    const sampled = performance.now();
    const result = tracker.track({
      time: frame.time,
      chosen: sampler.chosen,
      all: sampler.all,
      attitude: options.attitude?.(said, n) ?? said,
      odometry: options.odometry === undefined ? null : compose(options.odometry(frame, n), lensFromBase),
      baseFromLens,
    });
    const tracking = performance.now() - sampled;
    const error = distance(result.worldFromLens.position, frame.worldFromLens.position);
    return { frame, result, error, sampling: sampled - start, tracking };
  });
}
