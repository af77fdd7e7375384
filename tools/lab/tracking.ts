import { compose, invert } from "../../src/geometry/rigid.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { trackerSettings } from "../../src/head/stage-settings.ts";
import { evidenceTable } from "../../src/map/evidence.ts";
import { BlockGrid } from "../../src/map/grid.ts";
import { Integrator } from "../../src/map/integrate.ts";
import { DepthMask } from "../../src/sense/mask.ts";
import { DEFAULT_NORMAL_SETTINGS, NormalEstimator } from "../../src/sense/normals.ts";
import { Straightener } from "../../src/sense/straighten.ts";
import { emptyMaps } from "../../src/track/local-map.ts";
import { placement, setPlacement } from "../../src/track/placement.ts";
import { Registrar } from "../../src/track/register.ts";
import { CANDIDATES, FrameSampler } from "../../src/track/sampler.ts";
import { Tracker } from "../../src/track/tracker.ts";
import { DriftingAttitude, type PoseSet, threeRooms } from "../../tests/helpers/pose-sets.ts";
import { UsageError } from "../frame/errors.ts";
import { noneExpected, numberOf } from "../frame/values.ts";
import { programOf } from "./program.ts";

const RUNS = 3;
const STEPS = 4;
/** "tracking" is the sum of the parts before it: normals and choosing, then the whole tracker. */
const PARTS = ["normals", "choosing", "registering", "fusing", "rest", "tracking", "integrating"] as const;
type Times = Record<(typeof PARTS)[number], Float64Array>;

const emptyTimes = (count: number): Times =>
  Object.fromEntries(
    PARTS.map((part) => [part, new Float64Array(count).fill(Number.POSITIVE_INFINITY)]),
  ) as Times;

/** Milliseconds that a piece of work takes. */
function taken(work: () => void): number {
  const start = performance.now();
  work();
  return performance.now() - start;
}

/** Adds one run. Per frame and part the fastest time counts, since other programs use the machine, too. @returns iterations in all */
function run({ optics, frames, baseFromLens }: PoseSet, times: Times): number {
  const settings = resolveSettings();
  const mask = new DepthMask(optics);
  const { unitsPerMetre } = mask;
  const sampler = new FrameSampler(mask.rays, { wanted: settings["track.samples"] });
  const stride = Math.round(Math.sqrt((optics.width * optics.height) / CANDIDATES));
  const estimator = new NormalEstimator(mask.rays, sampler.all.weight.length, DEFAULT_NORMAL_SETTINGS);
  const first = frames[0]!;
  const lensFromBase = invert(baseFromLens);
  const tracker = new Tracker(compose(first.worldFromLens, lensFromBase), trackerSettings(settings));
  const attitude = new DriftingAttitude(1, first.time);
  const registrar = new Registrar(8192);
  const prior = {
    at: placement(),
    rotation: new Float64Array([4e4, 0, 0, 0, 4e4, 0, 0, 0, 4e4]),
    position: new Float64Array([1e3, 0, 0, 0, 1e3, 0, 0, 0, 1e3]),
  };
  const [pose, lens] = [placement(), placement()];
  const { fine, coarse } = emptyMaps(settings["track.voxelSize"]);
  const straight = new Straightener(optics);
  const grid = new BlockGrid(0.05);
  const model = { sigma0: 0.01, sigma2: 0.0015, outlierShare: 0.02, independence: 0.7, framesToClear: 14 };
  const view = { ...straight.view, unitsPerMetre, maxRange: 6 };
  const integrator = new Integrator(grid, view, evidenceTable(model, 0.05, 6, 2), 2);
  let iterations = 0;
  frames.forEach(({ counts, time, worldFromLens }, n) => {
    const { depth } = mask.apply(counts, null);
    const note = (part: keyof Times, ms: number) => {
      times[part][n] = Math.min(times[part][n]!, ms);
    };
    const fitting = taken(() => estimator.estimate(depth, unitsPerMetre, stride, n % stride));
    const sampling = taken(() => sampler.sample(depth, unitsPerMetre));
    const { chosen, all } = sampler;
    const { stages } = tracker.map;
    // From the pose of the frame before, which is about as far off as the tracker's prediction.
    setPlacement(pose, { ...worldFromLens, position: (frames[n - 1] ?? first).worldFromLens.position });
    setPlacement(prior.at, worldFromLens);
    const registering = taken(() => {
      iterations += registrar.register(chosen, pose, { prior, stages }).iterations;
    });
    setPlacement(lens, worldFromLens);
    const isFused = n % 2 === 0;
    const fusing = taken(() => {
      if (!isFused) return;
      fine.fuse(all, lens);
      coarse.fuse(all, lens);
    });
    const said = attitude.at(time, compose(worldFromLens, lensFromBase).rotation);
    const input = { time, chosen, all, attitude: said, odometry: null, baseFromLens };
    const tracking = taken(() => tracker.track(input));
    note("normals", fitting);
    note("choosing", Math.max(0, sampling - fitting));
    note("registering", registering);
    note("fusing", fusing);
    note("rest", Math.max(0, tracking - registering - fusing));
    note("tracking", sampling + tracking);
    grid.frame++;
    note(
      "integrating",
      taken(() => integrator.integrate(straight.apply(depth), lens.rotation, lens.position)),
    );
  });
  return iterations;
}

/** Median over pairs of consecutive frames, since every second frame is fused and carved out of the map. */
function median(times: Float64Array, from = 0, to = times.length): number {
  const pairs: number[] = [];
  for (let n = from; n + 1 < to; n += 2) pairs.push((times[n]! + times[n + 1]!) / 2);
  return pairs.sort((a, b) => a - b)[pairs.length >> 1]!;
}

export const main = programOf({
  name: "tracking",
  usage: "[options]",
  about:
    "Time to track a frame of 240x180, part by part, beside the time to integrate it, in one run. Frames of the round through three rooms, with the noise of a time-of-flight sensor and the shipped settings.",
  options: {
    metres: {
      type: "string",
      short: "m",
      value: "<n>",
      default: "20",
      help: "metres of the round, from 2 to 36 (default 20)",
    },
  },
  run: ({ values, positionals }) => {
    noneExpected(positionals);
    const metres = numberOf("metres", values.metres);
    if (!(metres >= 2 && metres <= 36)) throw new UsageError("--metres must be from 2 to 36");
    return measure(metres);
  },
});

function measure(metres: number): number {
  const set = threeRooms(1, metres - 36);
  const count = set.frames.length;
  const times = emptyTimes(count);
  let iterations = 0;
  for (let k = 0; k < RUNS; k++) iterations = run(set, times);
  console.log(`${count} frames, the fastest of ${RUNS} runs each; medians over pairs of frames, ms`);
  for (const part of PARTS) console.log(`${part.padEnd(12)} ${median(times[part]).toFixed(3)}`);
  const ratio = median(times.tracking) / median(times.integrating);
  console.log(
    `iterations ${(iterations / count).toFixed(1)} a frame; tracking is ${ratio.toFixed(2)} times integrating`,
  );
  const parts = Array.from({ length: STEPS }, (_, k) =>
    median(
      times.tracking,
      Math.floor((k * count) / STEPS) & ~1,
      Math.floor(((k + 1) * count) / STEPS),
    ).toFixed(3),
  );
  console.log(`as the map grows, quarter by quarter: ${parts.join(", ")}`);
  return 0;
}
