import { readFileSync } from "node:fs";
import { join } from "node:path";
import { gunzipSync } from "node:zlib";
import type { Pose } from "../../src/geometry/optics.ts";
import {
  compose,
  fromYawPitchRoll,
  IDENTITY,
  invert,
  toYawPitchRoll,
  transformPoint,
  turn,
} from "../../src/geometry/rigid.ts";
import { type Placement, placement, poseOf, setPlacement } from "../../src/track/placement.ts";
import { Registrar, type Stage } from "../../src/track/register.ts";
import { emptySamples, type Samples } from "../../src/track/samples.ts";
import { SurfelMap } from "../../src/track/surfels.ts";

/** The pose of one scan as seen from another. */
export interface Relation {
  readonly from: number;
  readonly to: number;
  readonly pose: Pose;
}

/** Planar scans of a long corridor (Bosse & Leonard, MIT), as samples of upright walls, and relations between them. */
export interface Corridor {
  readonly scans: readonly Samples[];
  readonly steps: readonly Relation[];
  readonly revisits: readonly Relation[];
}

const BEAMS = 180;

export function readCorridor(folder: string): Corridor {
  const root = join(folder, "range-corridor");
  const lines = gunzipSync(readFileSync(join(root, "scans.csv.gz")))
    .toString()
    .trim()
    .split("\n")
    .slice(1);
  const scans = lines.map((line) => samplesOf(line.split(",").slice(5).map(Number)));
  const relations = readFileSync(join(root, "relations.csv"), "utf8")
    .trim()
    .split("\n")
    .slice(1)
    .map((line): Relation => {
      const [from, to, x, y, turned] = line.split(",").map(Number) as [
        number,
        number,
        number,
        number,
        number,
      ];
      return { from, to, pose: { rotation: fromYawPitchRoll(turned, 0, 0), position: [x, y, 0] } };
    });
  return {
    scans,
    steps: relations.filter(({ from, to }) => to === from + 1),
    revisits: relations.filter(({ from, to }) => to !== from + 1),
  };
}

/** Points with the normals of the lines through them and their neighbours; where those bend or jump there is none. */
function samplesOf(ranges: readonly number[]): Samples {
  const out = emptySamples(BEAMS);
  const at = (i: number): [number, number] => {
    const angle = -Math.PI / 2 + (i * Math.PI) / BEAMS;
    return [ranges[i]! * Math.cos(angle), ranges[i]! * Math.sin(angle)];
  };
  const isSeen = (i: number) => ranges[i]! > 0.1 && ranges[i]! < 20;
  for (let i = 2; i < BEAMS - 2; i++) {
    if (![-2, -1, 0, 1, 2].every((k) => isSeen(i + k))) continue;
    const [x, y] = at(i);
    const near = [-2, -1, 1, 2]
      .map((k) => at(i + k))
      .filter(([u, v]) => Math.hypot(u - x, v - y) < 0.1 + 0.08 * ranges[i]!);
    if (near.length < 3) continue;
    const all = [[x, y], ...near] as [number, number][];
    const [mx, my] = [0, 1].map((k) => all.reduce((sum, p) => sum + p[k]!, 0) / all.length) as [
      number,
      number,
    ];
    let [xx, xy, yy] = [0, 0, 0];
    for (const [u, v] of all) {
      xx += (u - mx) ** 2;
      xy += (u - mx) * (v - my);
      yy += (v - my) ** 2;
    }
    const along = Math.atan2(2 * xy, xx - yy) / 2;
    let [a, b] = [-Math.sin(along), Math.cos(along)];
    if (a * x + b * y > 0) [a, b] = [-a, -b];
    const rms = Math.sqrt(Math.max(0, (xx * a * a + 2 * xy * a * b + yy * b * b) / all.length));
    if (rms > 0.05) continue;
    const n = out.count++;
    out.point.set([x, y, 0], 3 * n);
    out.normal.set([a, b, 0], 3 * n);
    out.weight[n] = 1 / (0.02 ** 2 + rms ** 2);
  }
  return out;
}

/** Scans before and after one that are registered together with it: together they see past more door frames than one. */
const PATCH = 1;

/** Scans `first` to `last` after `middle`, as one, in the frame of `middle`. */
function patchOf({ scans, steps }: Corridor, middle: number, first: number, last: number): Samples {
  const out = emptySamples((last - first + 1) * BEAMS);
  for (let n = first; n <= last; n++) {
    let pose = IDENTITY;
    for (let k = 0; k < Math.abs(n); k++) {
      const step = steps[n > 0 ? middle + k : middle - k - 1];
      if (step === undefined) return out;
      pose = compose(pose, n > 0 ? step.pose : invert(step.pose));
    }
    const { count, point, normal, weight } = scans[middle + n]!;
    for (let i = 0; i < 3 * count; i += 3) {
      const at = 3 * out.count;
      out.point.set(transformPoint(pose, [point[i]!, point[i + 1]!, 0]), at);
      out.normal.set(turn(pose.rotation, [normal[i]!, normal[i + 1]!, 0]), at);
      out.weight[out.count++] = weight[i / 3]!;
    }
  }
  return out;
}

/** Registers scans in the plane on maps of a few scans that followed each other. */
export class ScanMatcher {
  readonly fine = new SurfelMap(0.25, 1e12);
  readonly coarse = new SurfelMap(0.8, 1e12);
  readonly registrar = new Registrar((2 * PATCH + 1) * BEAMS);
  readonly pose: Placement = placement();
  readonly #corridor: Corridor;
  readonly #stages: readonly Stage[] = [
    { map: this.coarse, gate: 0.6, lastGate: 0.3, iterations: 8, stride: 1 },
    { map: this.fine, gate: 0.3, lastGate: 0.1, iterations: 12, stride: 1 },
  ];
  readonly #prior = { at: placement(), rotation: new Float64Array(9), position: new Float64Array(9) };

  constructor(corridor: Corridor) {
    this.#corridor = corridor;
  }

  /** Makes the map of scan `middle` and `reach` before and after it, in its own frame. */
  gather(middle: number, reach: number): void {
    this.fine.clear();
    this.coarse.clear();
    const add = (scan: number, pose: Pose): void => {
      setPlacement(this.pose, pose);
      this.fine.fuse(this.#corridor.scans[scan]!, this.pose, { reach: 0.1 });
      this.coarse.fuse(this.#corridor.scans[scan]!, this.pose, { reach: 0.3 });
    };
    add(middle, IDENTITY);
    for (const direction of [-1, 1]) {
      let pose = IDENTITY;
      for (let n = 1; n <= reach; n++) {
        const at = middle + direction * n;
        const step = this.#corridor.steps[direction > 0 ? at - 1 : at];
        if (step === undefined) break;
        pose = compose(pose, direction > 0 ? step.pose : invert(step.pose));
        add(at, pose);
      }
    }
  }

  /** Where a scan fits near `guess`. The prior holds tilt and height firmly, and the guess loosely. */
  register(
    scan: number | Samples,
    guess: Pose,
  ): { readonly pose: Pose; readonly share: number; readonly strength: number } {
    const samples = typeof scan === "number" ? this.#corridor.scans[scan]! : scan;
    setPlacement(this.pose, guess);
    const prior = this.#prior;
    setPlacement(prior.at, guess);
    prior.rotation.set([1e8, 0, 0, 0, 1e8, 0, 0, 0, 1 / 0.3 ** 2]);
    prior.position.set([1 / 1 ** 2, 0, 0, 0, 1 / 1 ** 2, 0, 0, 0, 1e8]);
    const input = { prior, stages: this.#stages };
    const { matched, strength, sums } = this.registrar.register(samples, this.pose, input);
    // Of the three axes one is the height, which the prior holds and no wall does: the weakest of the others counts.
    let least = Number.POSITIVE_INFINITY;
    for (let k = 0; k < 3; k++)
      if (Math.abs(strength.axes[3 * k + 2]!) < 0.7) least = Math.min(least, strength.values[k]!);
    return {
      pose: poseOf(this.pose),
      share: matched / samples.count,
      strength: least / sums.weight,
    };
  }
}

/** Metres and radians between two planar poses. */
export function between(a: Pose, b: Pose): readonly [number, number] {
  const off = compose(invert(a), b);
  return [Math.hypot(off.position[0], off.position[1]), Math.abs(toYawPitchRoll(off.rotation)[0])];
}

/** A match is believed from this share of the patch, of each part of it, and this share of the weight in each direction. */
const LEAST_SHARE = 0.7;
const PART_SHARE = 0.6;
const LEAST_STRENGTH = 0.04;
/** Scans before and after one that make its map. */
const REACH = 2;
/** Metres and radians within which two ways to the same pose agree. */
const AGREEMENT = 0.25;
const YAW_AGREEMENT = (2 * Math.PI) / 180;

/**
 * The pose of scan `to` seen from scan `from` if it was taken near it, about at `guess`; null when it was not. With its neighbours it must fit
 * and be held in every direction; the neighbours before and after it alone must agree, and so must the match the other way round.
 */
export function revisit(
  matcher: ScanMatcher,
  corridor: Corridor,
  from: number,
  to: number,
  guess: Pose,
): Pose | null {
  const agree = (a: Pose, b: Pose): boolean => {
    const [far, turned] = between(a, b);
    return far < AGREEMENT && turned < YAW_AGREEMENT;
  };
  const isSound = ({ share, strength }: { share: number; strength: number }): boolean =>
    share >= LEAST_SHARE && strength >= LEAST_STRENGTH;
  matcher.gather(from, REACH);
  const found = matcher.register(patchOf(corridor, to, -PATCH, PATCH), guess);
  if (!isSound(found)) return null;
  for (const [first, last] of [
    [-PATCH, -1],
    [1, PATCH],
  ] as const) {
    const part = matcher.register(patchOf(corridor, to, first, last), found.pose);
    if (part.share < PART_SHARE || !agree(part.pose, found.pose)) return null;
  }
  matcher.gather(to, REACH);
  const back = matcher.register(patchOf(corridor, from, -PATCH, PATCH), invert(found.pose));
  return isSound(back) && agree(invert(back.pose), found.pose) ? found.pose : null;
}
