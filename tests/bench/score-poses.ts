import { fileURLToPath } from "node:url";
import { IDENTITY } from "../../src/geometry/rigid.ts";
import { solveSymmetric } from "../../src/geometry/solve.ts";
import { absoluteTrajectoryError } from "../../src/geometry/trajectory.ts";
import { DepthMask } from "../../src/sense/mask.ts";
import { FrameSampler } from "../../src/track/sampler.ts";
import { Tracker } from "../../src/track/tracker.ts";
import { sharedData } from "../helpers/needs.ts";
import {
  bareScene,
  DriftingAttitude,
  furnishedRoom,
  livingRoom,
  office,
  type PoseSet,
  thinned,
  withNoise,
} from "../helpers/pose-sets.ts";

function run(set: PoseSet, seed: number) {
  const mask = new DepthMask(set.optics);
  const sampler = new FrameSampler(mask.rays);
  const first = set.frames[0]!;
  const tracker = new Tracker(first.worldFromLens);
  const attitude = new DriftingAttitude(seed, first.time);
  const holds = { held: 0, sliding: 0, carried: 0, lost: 0 };
  let wrong = 0;
  let inside = 0;
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
      attitude:
        frame === first && process.env["X"]
          ? first.worldFromLens.rotation
          : attitude.at(frame.time, frame.worldFromLens.rotation),
      odometry: null,
      baseFromLens: IDENTITY,
    });
    const t2 = performance.now();
    times[0]!.push(t1 - t0);
    times[1]!.push(t2 - t1);
    holds[result.hold]++;
    const d = result.worldFromLens.position.map((p, k) => p - frame.worldFromLens.position[k]!);
    const e = Math.hypot(...d);
    if (result.hold === "held" && e > 0.1) wrong++;
    const c = Float64Array.from(result.covariance);
    const x = new Float64Array(3);
    solveSymmetric(x, c, d, 3);
    if (d[0]! * x[0]! + d[1]! * x[1]! + d[2]! * x[2]! <= 14.16) inside++; // chi^2, 3 dof, same chance as 3 sigma of 1
    if (process.env["V"])
      console.log(
        (d[0]! * x[0]! + d[1]! * x[1]! + d[2]! * x[2]!).toFixed(1),
        c.map((v) => +v.toPrecision(3)).join(","),
        d.map((v) => (1000 * v).toFixed(1)).join(" "),
        result.hold,
        result.isFit,
        result.share.toFixed(2),
        Math.sqrt(c[0]!).toFixed(3),
        Math.sqrt(c[4]!).toFixed(3),
        Math.sqrt(c[8]!).toFixed(3),
        JSON.stringify(result.notes),
      );
    return result.worldFromLens;
  });
  const truth = set.frames.map((f) => f.worldFromLens);
  const ate = absoluteTrajectoryError(truth, poses, "none");
  const aligned = absoluteTrajectoryError(truth, poses, "rigid");
  const med = (a: number[]) => a.slice().sort((x, y) => x - y)[a.length >> 1]!;
  return {
    ate,
    aligned,
    holds,
    wrong,
    inside: inside / set.frames.length,
    sample: med(times[0]!),
    track: med(times[1]!),
  };
}

export function main(): number {
  const folder = sharedData()!;
  const makers: Record<string, () => PoseSet> = {
    lr2: () => thinned(livingRoom(folder), 2),
    lr2n: () => withNoise(thinned(livingRoom(folder), 2), 1),
    lr4: () => thinned(livingRoom(folder), 4),
    lr4n: () => withNoise(thinned(livingRoom(folder), 4), 1),
    office: () => office(folder),
    roomn: () => furnishedRoom(1),
    room: () => furnishedRoom(1, 7, true),
    wall: () => bareScene("wall", 1),
    floor: () => bareScene("floor", 1),
    corridor: () => bareScene("corridor", 1),
  };
  const sets = (process.argv[2] ?? Object.keys(makers).join(",")).split(",").map((n) => makers[n]!());
  for (const set of sets) {
    const seeds = process.env["V"] ? [1] : (process.env["S"] ?? "12345").split("").map(Number);
    const results = seeds.map((seed) => run(set, seed));
    const mm = (x: number) => (1000 * x).toFixed(1).padStart(6);
    const mean = (f: (r: (typeof results)[0]) => number) =>
      results.reduce((s, r) => s + f(r), 0) / results.length;
    console.log(
      set.name.padEnd(36),
      String(set.frames.length).padStart(4),
      "ATE",
      mm(mean((r) => r.ate.rmse)),
      "worst",
      mm(Math.max(...results.map((r) => r.ate.rmse))),
      "max",
      mm(Math.max(...results.map((r) => r.ate.max))),
      "aligned",
      mm(mean((r) => r.aligned.rmse)),
      mm(Math.max(...results.map((r) => r.aligned.rmse))),
      results.map((r) => Object.values(r.holds).join("/")).join(" "),
      "wrong",
      Math.max(...results.map((r) => r.wrong)),
      "in3s",
      Math.min(...results.map((r) => r.inside)).toFixed(3),
      "ms",
      mean((r) => r.sample).toFixed(2),
      mean((r) => r.track).toFixed(2),
    );
  }
  return 0;
}

if (process.argv[1] === fileURLToPath(import.meta.url)) process.exitCode = main();
