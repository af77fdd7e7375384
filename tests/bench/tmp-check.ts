import { IDENTITY } from "../../src/geometry/rigid.ts";
import type { Pose } from "../../src/geometry/optics.ts";
import { DepthMask } from "../../src/sense/mask.ts";
import { FrameSampler } from "../../src/track/sampler.ts";
import { SurfelMap } from "../../src/track/surfels.ts";
import { emptyMatches } from "../../src/track/normal-equations.ts";
import { place, Tracker } from "../../src/track/tracker.ts";
import { absoluteTrajectoryError } from "../../src/geometry/trajectory.ts";
import { sharedData } from "../helpers/needs.ts";
import { DriftingAttitude, livingRoom, office, type PoseSet, thinned } from "../helpers/pose-sets.ts";
function thick(set: PoseSet, poses: Pose[]) {
  const mask = new DepthMask(set.optics); const sampler = new FrameSampler(mask.rays);
  const map = new SurfelMap(0.06, 1e9);
  const at = { rotation: new Float64Array(9), position: new Float64Array(3) };
  const m = emptyMatches(8192);
  set.frames.forEach((f, i) => { const k = mask.apply(f.counts, null); sampler.sample(k.depth, k.unitsPerMetre); place(at, poses[i]!); map.fuse(sampler.all, at, 0.03); });
  const r: number[] = [];
  set.frames.forEach((f, i) => { const k = mask.apply(f.counts, null); sampler.sample(k.depth, k.unitsPerMetre); place(at, poses[i]!); map.match(m, sampler.all, at, 0.06, 1); for (let j = 0; j < m.count; j++) r.push(Math.abs(m.residual[j]!)); });
  r.sort((a, b) => a - b);
  return [r[r.length >> 1]! * 1000, r[Math.floor(r.length * 0.9)]! * 1000, r.length];
}
function track(set: PoseSet) {
  const mask = new DepthMask(set.optics); const sampler = new FrameSampler(mask.rays);
  const first = set.frames[0]!; const tracker = new Tracker(first.worldFromLens);
  const attitude = new DriftingAttitude(1, first.time);
  return set.frames.map((frame) => { const k = mask.apply(frame.counts, null); sampler.sample(k.depth, k.unitsPerMetre);
    return tracker.track({ time: frame.time, chosen: sampler.chosen, all: sampler.all, odometry: null, baseFromLens: IDENTITY, attitude: frame === first ? first.worldFromLens.rotation : attitude.at(frame.time, frame.worldFromLens.rotation) }).worldFromLens; });
}
const folder = sharedData()!;
for (const set of [thinned(livingRoom(folder), 2), thinned(livingRoom(folder, "shipped"), 2), office(folder)]) {
  const truth = set.frames.map((f) => f.worldFromLens);
  const mine = track(set);
  console.log(set.name, "reference", thick(set, truth).map((x) => x.toFixed(2)).join(" "), "tracked", thick(set, mine).map((x) => x.toFixed(2)).join(" "), absoluteTrajectoryError(truth, mine, "none").rmse);
  mine.forEach((p, i) => { if (i % 10 === 0) console.log(i, p.position.map((x, k) => (1000 * (x - truth[i]!.position[k]!)).toFixed(1)).join(" ")); });
}
