import { fileURLToPath } from "node:url";
import { IDENTITY } from "../../src/geometry/rigid.ts";
import { absoluteTrajectoryError } from "../../src/geometry/trajectory.ts";
import { DepthMask } from "../../src/sense/mask.ts";
import { FrameSampler } from "../../src/track/sampler.ts";
import { Tracker } from "../../src/track/tracker.ts";
import { sharedData } from "../helpers/needs.ts";
import { DriftingAttitude, furnishedRoom, livingRoom, office, type PoseSet, thinned, withNoise } from "../helpers/pose-sets.ts";

function run(set: PoseSet, seed: number) {
  const mask = new DepthMask(set.optics);
  const sampler = new FrameSampler(mask.rays);
  const first = set.frames[0]!;
  const tracker = new Tracker(first.worldFromLens);
  const attitude = new DriftingAttitude(seed, first.time);
  const times: number[][] = [[], [], []];
  const poses = set.frames.map((frame) => {
    const masked = mask.apply(frame.counts, null);
    const t0 = performance.now();
    sampler.sample(masked.depth, masked.unitsPerMetre);
    const t1 = performance.now();
    const result = tracker.track({
      time: frame.time,
      chosen: sampler.chosen,
      all: sampler.all,
      attitude: attitude.at(frame.time, frame.worldFromLens.rotation),
      odometry: null,
      baseFromLens: IDENTITY,
    });
    const t2 = performance.now();
    times[0]!.push(t1 - t0);
    times[1]!.push(t2 - t1);
    if (process.env['V']) {
      const r = result.registration;
      const e = result.worldFromLens.position.map((p, k) => (1000 * (p - frame.worldFromLens.position[k]!)).toFixed(1));
      console.log(e.join(" "), sampler.all.count, sampler.chosen.count, r && [r.asked, r.matched, r.rms.toFixed(4), r.iterations, Array.from(r.shares).map((x) => x.toFixed(4))].join(" "));
    }
    return result.worldFromLens;
  });
  const truth = set.frames.map((f) => f.worldFromLens);
  const ate = absoluteTrajectoryError(truth, poses, "none");
  const aligned = absoluteTrajectoryError(truth, poses, "rigid");
  const med = (a: number[]) => a.slice().sort((x, y) => x - y)[a.length >> 1]!;
  return { ate, aligned, sample: med(times[0]!), track: med(times[1]!) };
}

export function main(): number {
  const folder = sharedData()!;
  const lr = livingRoom(folder);
  const sets = [
    thinned(lr, 2),
    withNoise(thinned(lr, 2), 1),
    thinned(lr, 4),
    withNoise(thinned(lr, 4), 1),
    office(folder),
    furnishedRoom(1),
    furnishedRoom(1, 7, true),
  ].filter((s) => s.name.includes(process.argv[2] ?? ""));
  for (const set of sets) {
    const seeds = process.env['V'] ? [1] : [1, 2, 3, 4, 5];
    const results = seeds.map((seed) => run(set, seed));
    const mm = (x: number) => (1000 * x).toFixed(1).padStart(6);
    const mean = (f: (r: (typeof results)[0]) => number) => results.reduce((s, r) => s + f(r), 0) / results.length;
    console.log(
      set.name.padEnd(36), String(set.frames.length).padStart(4),
      "ATE", mm(mean((r) => r.ate.rmse)), "worst", mm(Math.max(...results.map((r) => r.ate.rmse))), "max", mm(Math.max(...results.map((r) => r.ate.max))),
      "aligned", mm(mean((r) => r.aligned.rmse)), mm(Math.max(...results.map((r) => r.aligned.rmse))),
      "ms", mean((r) => r.sample).toFixed(2), mean((r) => r.track).toFixed(2),
    );
  }
  return 0;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = main();
