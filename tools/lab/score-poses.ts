import type { Pose } from "../../src/geometry/optics.ts";
import { turn } from "../../src/geometry/rigid.ts";
import { absoluteTrajectoryError, relativePoseError } from "../../src/geometry/trajectory.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { DepthMask } from "../../src/sense/mask.ts";
import { emptyMatches } from "../../src/track/matches.ts";
import { placement, setPlacement } from "../../src/track/placement.ts";
import { FrameSampler } from "../../src/track/sampler.ts";
import { SurfelMap } from "../../src/track/surfels.ts";
import { sharedData } from "../../tests/helpers/needs.ts";
import {
  bareScene,
  furnishedRoom,
  livingRoom,
  office,
  type PoseSet,
  thinned,
  withNoise,
} from "../../tests/helpers/pose-sets.ts";
import { driveRound, driveStarts } from "../../tests/helpers/round.ts";
import { type TrackedFrame, trackSet } from "../../tests/helpers/tracking.ts";
import { UsageError } from "../frame/errors.ts";
import { noneExpected, wholeOption } from "../frame/values.ts";
import { programOf } from "./program.ts";

const SHIPPED = resolveSettings();
/** Functions that make the sets, by name; those of open data get its folder. */
const OPEN: Record<string, (folder: string) => PoseSet> = {
  "living-2": (folder) => thinned(livingRoom(folder), 2),
  "living-2-noise": (folder) => withNoise(thinned(livingRoom(folder), 2), 1),
  "living-4": (folder) => thinned(livingRoom(folder), 4),
  "living-4-noise": (folder) => withNoise(thinned(livingRoom(folder), 4), 1),
  "living-shipped": (folder) => thinned(livingRoom(folder, "shipped"), 2),
  office: (folder) => office(folder),
  "office-2": (folder) => thinned(office(folder), 2),
  "office-3": (folder) => thinned(office(folder), 3),
  "office-4": (folder) => thinned(office(folder), 4),
  "office-640": (folder) => office(folder, 640),
  "office-640-3": (folder) => thinned(office(folder, 640), 3),
};
const OWN: Record<string, () => PoseSet> = {
  room: () => furnishedRoom(1),
  "room-exact": () => furnishedRoom(1, 7, true),
  wall: () => bareScene("wall", 1),
  floor: () => bareScene("floor", 1),
  corridor: () => bareScene("corridor", 1),
};

export const main = programOf({
  name: "score-poses",
  usage: ["[--seeds <n>] [set...]", "--degenerate [--seeds <n>]", "--rounds [--seeds <n>]"],
  about:
    "Errors of tracked poses, over sets with known poses: without odometry, with the shipped settings (track.rolling=off for hand-held cameras). The orientation is simulated: the true rotation, a yaw drift of 2 degrees a minute, 0.3 degrees of white noise about each axis. Each line is over the seeds. Sets of open data are left out where they are absent.",
  options: {
    seeds: {
      type: "string",
      short: "n",
      value: "<n>",
      help: "seeds of each set (default 5), runs of --degenerate (default 100), seeds of --rounds (default 3)",
    },
    degenerate: {
      type: "boolean",
      help: "runs past bare walls, floors, corridors and through a room whose returns cease: counts wrong poses that are held",
    },
    rounds: {
      type: "boolean",
      help: "whole heads on the round through three rooms, and in the pottery studio from eleven starts",
    },
    studio: { type: "boolean", help: "with --rounds: leave out the three rooms" },
    "ignore-inertial": { type: "boolean", help: "with --rounds: set track.inertial=ignored" },
    harsh: {
      type: "boolean",
      help: "with --rounds: the studio with an accelerometer five times as noisy, 0.1 m/s^2 of bias, and attitudes whose tilt sways by 0.15 degrees",
    },
  },
  notes: `Sets: ${[...Object.keys(OPEN), ...Object.keys(OWN)].join(", ")} (default: all)`,
  run: ({ values, positionals }) => {
    const seeds = (usual: number, least: number): number =>
      values.seeds === undefined ? usual : wholeOption(values, "seeds", least);
    if (values.degenerate || values.rounds) noneExpected(positionals);
    if (values.degenerate) return degenerate(seeds(100, 4));
    if (values.rounds) {
      return rounds(seeds(3, 1), {
        isHarsh: values.harsh ?? false,
        isStudioOnly: values.studio ?? false,
        settings: values["ignore-inertial"] ? { "track.inertial": "ignored" } : {},
      });
    }
    const strange = positionals.find((name) => !Object.hasOwn(OPEN, name) && !Object.hasOwn(OWN, name));
    if (strange !== undefined) throw new UsageError(`there is no set "${strange}" (see --help)`);
    return scoreSets(positionals, seeds(5, 1));
  },
});

function scoreSets(names: readonly string[], count: number): number {
  const folder = sharedData();
  const isWanted = (name: string) => names.length === 0 || names.includes(name);
  console.log("mm; ATE is mean / worst over the seeds, as it stands and rigidly aligned; RPE over a second");
  for (const [name, make] of Object.entries(OPEN)) {
    if (!isWanted(name)) continue;
    if (folder === null) console.log(`${name}: NOT RUN, needs the open data`);
    else score(name, make(folder), count);
  }
  for (const [name, make] of Object.entries(OWN)) if (isWanted(name)) score(name, make(), count);
  return 0;
}

function score(name: string, set: PoseSet, seeds: number): void {
  const truth = set.frames.map(({ worldFromLens }) => worldFromLens);
  const runs = Array.from({ length: seeds }, (_, n) => trackSet(set, { seed: n + 1 }));
  const found = runs.map((run) => run.map(({ result }) => result.worldFromLens));
  const plain = found.map((poses) => absoluteTrajectoryError(truth, poses, "none"));
  const aligned = found.map((poses) => absoluteTrajectoryError(truth, poses, "rigid"));
  const seconds = (set.frames.at(-1)!.time - set.frames[0]!.time) / 1e6;
  const step = Math.max(1, Math.round((truth.length - 1) / seconds));
  const relative = found.map((poses) => relativePoseError(truth, poses, step));
  const frames = runs.flat();
  const share = (hold: string) =>
    (100 * frames.filter(({ result }) => result.hold === hold).length) / frames.length;
  const wrong = frames.filter(({ result, error }) => result.hold === "held" && error > 0.1).length;
  const inside = frames.filter(isInside).length / frames.length;
  const mm = (values: number[]) => {
    const mean = values.reduce((sum, v) => sum + v, 0) / values.length;
    return `${(1000 * mean).toFixed(1)} / ${(1000 * Math.max(...values)).toFixed(1)}`;
  };
  const degrees = relative.map(({ rotation }) => (180 * rotation.rmse) / Math.PI);
  console.log(
    `${name.padEnd(15)} ${String(truth.length).padStart(3)} frames  ATE ${mm(plain.map((e) => e.rmse))}` +
      `  aligned ${mm(aligned.map((e) => e.rmse))}  RPE ${mm(relative.map((e) => e.translation.rmse))}` +
      ` and ${Math.max(...degrees).toFixed(2)} deg`,
  );
  console.log(
    `${" ".repeat(15)} held ${share("held").toFixed(1)} %, sliding ${share("sliding").toFixed(1)} %, carried ` +
      `${share("carried").toFixed(1)} %, lost ${share("lost").toFixed(1)} %; held but > 10 cm off: ${wrong}; within 3 sigma ` +
      `${(100 * inside).toFixed(1)} %; surfel thickness ${thickness(set, found[0]!)} mm, by the reference ` +
      `${thickness(set, truth)} mm; median ms: sampling ${median(frames.map((f) => f.sampling)).toFixed(2)}, ` +
      `tracking ${median(frames.map((f) => f.tracking)).toFixed(2)}`,
  );
  console.log(
    `${" ".repeat(15)} ${straightness(set, found[0]!)}; by the reference ${straightness(set, truth)}`,
  );
}

/** Runs past scenes that leave directions free, or show nothing. */
function degenerate(runs: number): number {
  const room = furnishedRoom(1, 2);
  const dark: PoseSet = {
    ...room,
    name: "dark room",
    frames: room.frames.map((frame, n) =>
      n < 30 ? frame : { ...frame, counts: new Uint16Array(frame.counts.length) },
    ),
  };
  for (const kind of ["wall", "floor", "corridor", "dark room"] as const) {
    let [frames, held, wrong, inside, worst] = [0, 0, 0, 0, 0];
    for (let seed = 1; seed <= Math.floor(runs / 4); seed++) {
      const run = trackSet(kind === "dark room" ? dark : bareScene(kind, seed, 5), { seed });
      for (const frame of run) {
        frames++;
        if (isInside(frame)) inside++;
        if (frame.result.hold !== "held") continue;
        held++;
        worst = Math.max(worst, frame.error);
        if (frame.error > 0.1) wrong++;
      }
    }
    console.log(
      `${kind.padEnd(10)} ${Math.floor(runs / 4)} runs, ${frames} frames: held ${held}, of those more than 10 cm off ${wrong} ` +
        `(worst ${(100 * worst).toFixed(1)} cm); true place within 3 sigma ${((100 * inside) / frames).toFixed(2)} %`,
    );
  }
  return 0;
}

interface RoundOptions {
  readonly isStudioOnly: boolean;
  readonly isHarsh: boolean;
  readonly settings: Readonly<Record<string, unknown>>;
}

const percent = (part: number, of: number) => `${((100 * part) / of).toFixed(2)} %`;

/** Whole heads on simulated rounds. */
function rounds(count: number, options: RoundOptions): number {
  const seeds = Array.from({ length: count }, (_, n) => 3 + n);
  for (const seed of options.isStudioOnly ? [] : seeds) {
    const { frames, notes, score } = driveRound("three-rooms", seed, options.settings);
    const closed = notes.find(({ note }) => note.what === "loop closed");
    const open = frames.filter(({ time }) => time < (closed?.time ?? Number.POSITIVE_INFINITY));
    const yaw = Math.max(...open.filter(({ way }) => way < 33).map((frame) => frame.yaw));
    console.log(
      `three rooms, seed ${seed}: to the loop ${open.at(-1)!.way.toFixed(1)} m, off at worst ` +
        `${(100 * Math.max(...open.map(({ error }) => error))).toFixed(1)} cm and ${((180 * yaw) / Math.PI).toFixed(2)} deg; ` +
        `loop ${closed === undefined ? "NOT CLOSED" : "closed"}; at the end ${(100 * frames.at(-1)!.error).toFixed(1)} cm; ` +
        `map ${score.toFixed(4)} of that of exact poses; mapped ${percent(frames.filter((f) => f.isMapped).length, frames.length)}`,
    );
  }
  for (const seed of seeds) studio(seed, options);
  return 0;
}

const STARTS = [0, 5, 11, 16, 22, 27, 33, 38, 44, 50, 55];

function studio(seed: number, { isHarsh, settings }: RoundOptions): void {
  driveStarts("pottery-studio", STARTS, { seed, isHarsh, settings }).forEach(({ frames }, n) => {
    const wrong = frames.filter(({ hold, error }) => hold === "held" && error > 0.1).length;
    const lost = frames.filter(({ hold }) => hold === "lost").length;
    const way = frames.at(-1)!.way;
    const end = frames.at(-1)!.error;
    const worst = Math.max(...frames.map(({ error }) => error));
    const yaw = Math.max(...frames.map((frame) => frame.yaw));
    const degrees = (angle: number) => `${((180 * angle) / Math.PI).toFixed(2)} deg`;
    console.log(
      `studio, seed ${seed}, from ${STARTS[n]} s on: within 3 sigma ${percent(frames.filter((f) => f.isInside).length, frames.length)}, ` +
        `lost ${percent(lost, frames.length)}, held but > 10 cm off ${wrong}; off at worst ${(100 * worst).toFixed(0)} cm ` +
        `(${percent(worst, way)} of ${way.toFixed(1)} m) and ${degrees(yaw)}, at the end ` +
        `${(100 * end).toFixed(1)} cm (${percent(end, way)}) and ${degrees(frames.at(-1)!.yaw)}; mapped ${percent(frames.filter((f) => f.isMapped).length, frames.length)}`,
    );
  });
}

function isInside({ frame, result }: TrackedFrame): boolean {
  return result.worldFromLens.position.every((p, k) => {
    return Math.abs(p - frame.worldFromLens.position[k]!) <= 3 * Math.sqrt(result.covariance[4 * k]!);
  });
}

/** Median distance of all samples from their surfels under given poses; needs no truth. */
function thickness(set: PoseSet, poses: readonly Pose[]): string {
  const mask = new DepthMask(set.optics);
  const sampler = new FrameSampler(mask.rays, { wanted: SHIPPED["track.samples"] });
  const map = new SurfelMap(0.06, 1e12);
  const at = placement();
  const matches = emptyMatches(sampler.all.weight.length);
  const distances: number[] = [];
  for (const pass of ["build", "measure"]) {
    set.frames.forEach((frame, n) => {
      const { depth, unitsPerMetre } = mask.apply(frame.counts, null);
      sampler.sample(depth, unitsPerMetre);
      setPlacement(at, poses[n]!);
      if (pass === "build") map.fuse(sampler.all, at);
      else {
        map.match(matches, sampler.all, at, { gate: 0.06, stride: 1 });
        for (let i = 0; i < matches.count; i++) distances.push(Math.abs(matches.residual[i]!));
      }
    });
  }
  return (1000 * median(distances)).toFixed(2);
}

/** Fewest samples of a class (wall, floor) for a frame to count. */
const ENOUGH = 30;
/** Least cosine of a floor normal to the vertical, largest of a wall normal; metres that floor may lie off its level. */
const LEVEL = 0.97;
const UPRIGHT = 0.2;
const ON_FLOOR = 0.08;

/**
 * Scores that need no truth: the spread of wall headings, floor tilt and floor height from frame to frame. For a room whose walls stand
 * square.
 */
function straightness(set: PoseSet, poses: readonly Pose[]): string {
  const mask = new DepthMask(set.optics);
  const sampler = new FrameSampler(mask.rays, { wanted: SHIPPED["track.samples"] });
  const headings: number[] = [];
  const floors: { heights: number[]; normal: number[] }[] = [];
  set.frames.forEach((frame, n) => {
    const { depth, unitsPerMetre } = mask.apply(frame.counts, null);
    sampler.sample(depth, unitsPerMetre);
    const { count, point, normal } = sampler.all;
    const { rotation, position } = poses[n]!;
    const floor = { heights: [] as number[], normal: [0, 0, 0] };
    let [walls, c, s] = [0, 0, 0];
    for (let k = 0; k < 3 * count; k += 3) {
      const [x, y, z] = turn(rotation, [normal[k]!, normal[k + 1]!, normal[k + 2]!]);
      if (Math.abs(z) < UPRIGHT) {
        // Four times the angle: walls square to each other count as one.
        const angle = 4 * Math.atan2(y, x);
        [walls, c, s] = [walls + 1, c + Math.cos(angle), s + Math.sin(angle)];
      } else if (z > LEVEL) {
        floor.heights.push(position[2] + turn(rotation, [point[k]!, point[k + 1]!, point[k + 2]!])[2]);
        floor.normal = floor.normal.map((sum, i) => sum + [x, y, z][i]!);
      }
    }
    if (walls >= ENOUGH) headings.push(Math.atan2(s, c));
    floors.push(floor);
  });
  const degrees = 180 / Math.PI;
  const resultant = Math.hypot(mean(headings.map(Math.cos)), mean(headings.map(Math.sin)));
  const spread = (Math.sqrt(-2 * Math.log(resultant)) / 4) * degrees;
  // The lowest level is the floor; a table may be above it.
  const all = Float64Array.from(floors.flatMap(({ heights }) => heights)).sort();
  const level = all[Math.floor(all.length / 20)]!;
  const seen = floors
    .map(({ heights, normal }) => ({
      low: heights.filter((z) => Math.abs(z - level) < ON_FLOOR),
      heights,
      normal,
    }))
    .filter(({ low, heights }) => low.length >= ENOUGH && low.length > 0.9 * heights.length);
  const heights = seen.map(({ low }) => mean(low));
  const centre = mean(heights);
  const off = Math.sqrt(mean(heights.map((z) => (z - centre) ** 2)));
  const tilt = Math.sqrt(mean(seen.map(({ normal: [x, y, z] }) => Math.atan2(Math.hypot(x!, y!), z!) ** 2)));
  return (
    `wall headings spread by ${spread.toFixed(2)} deg (${headings.length} frames), floor ` +
    (seen.length < 2
      ? "not seen"
      : `tilted by ${(degrees * tilt).toFixed(2)} deg rms, its height spread by ${(1000 * off).toFixed(1)} mm (${seen.length} frames)`)
  );
}

const mean = (values: readonly number[]): number =>
  values.reduce((sum, value) => sum + value, 0) / values.length;

function median(values: readonly number[]): number {
  return Float64Array.from(values).sort()[values.length >> 1]!;
}
