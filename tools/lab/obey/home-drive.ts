import type { Pose } from "../../../src/geometry/optics.ts";
import { toYawPitchRoll } from "../../../src/geometry/rigid.ts";
import { wrapAngle } from "../../../src/geometry/vec.ts";
import type { SensedFrame } from "../../../src/service/sensing/sensing-messages.ts";
import type { Fall } from "./base.ts";
import { drive } from "./drive.ts";
import { argumentsOf, DEFAULT_KNOBS, type Knobs, turned } from "./knobs.ts";

export interface HomeJob {
  readonly home: number;
  readonly seconds: number;
  /** Knobs over those of `USUAL`. */
  readonly changes: readonly string[];
}

/** Errors of a pose over one drive: metres, radians. */
export interface PoseErrors {
  readonly rms: number;
  readonly worst: number;
  readonly end: number;
  readonly worstYaw: number;
}

/** What happened in one home; plain data, to cross threads. */
export interface HomeRow {
  readonly home: number;
  readonly fall: Fall | null;
  /** Seconds, metres. */
  readonly time: number;
  readonly way: number;
  /** Frames by the head's own pose, and by wheels with the heading of a gyro that drifts. */
  readonly tracked: PoseErrors;
  readonly reckoned: PoseErrors;
  /** Shares of the frames: farther from the truth than three reported sigmas; lost; held. */
  readonly beyond: number;
  readonly lost: number;
  readonly held: number;
  /** Largest error of a frame whose pose is held, metres. */
  readonly worstHeld: number;
  /** Share of the time in which no motion is permitted. */
  readonly stuck: number;
  /** Contacts faster than `HARD`. */
  readonly contacts: number;
  /** Arguments of `obey` that repeat the drive. */
  readonly again: string;
}

/** A usual base in a usual home: wheels a little off that slip on rugs, a cheap inertial sensor, people. */
const USUAL = [
  "wander=random",
  "noise=yes",
  "people=yes",
  "lens.width=160",
  "lens.rate=12",
  "wheels.scale=0.012",
  "wheels.turn=-0.015",
  "wheels.slip=0.06",
  "dip=1",
];
/** Slower counts as no motion, m/s or rad/s; and until then the head may still be starting, seconds. */
const NO_PACE = 0.02;
const STARTING = 1.5;
/** m/s: slower contacts do no harm. */
const HARD = 0.1;
/** rad/s: drift of the gyro by whose heading wheels are reckoned. Common practice for cheap gyros after calibration at rest, no source. */
const GYRO_DRIFT = 0.0006;

export function knobsOf({ home, seconds, changes }: HomeJob): Knobs {
  return turned(DEFAULT_KNOBS, [`home=${home}`, `seed=${home}`, `seconds=${seconds}`, ...USUAL, ...changes]);
}

const yawOf = ({ rotation }: Pose): number => toYawPitchRoll(rotation)[0];

/** The head's world begins at the first frame, with a heading of its own; both worlds are level. */
function levelled(seen: Pose, truth: Pose) {
  const yaw = yawOf(seen) - yawOf(truth);
  return { seen: seen.position, truth: truth.position, yaw, cos: Math.cos(yaw), sin: Math.sin(yaw) };
}

/** Collects errors. */
class Errors {
  #squares = 0;
  #count = 0;
  #worst = 0;
  #end = 0;
  #worstYaw = 0;

  add(error: number, yaw: number): void {
    this.#squares += error * error;
    this.#count++;
    this.#worst = Math.max(this.#worst, error);
    this.#worstYaw = Math.max(this.#worstYaw, Math.abs(yaw));
    this.#end = error;
  }

  get sum(): PoseErrors {
    const rms = Math.sqrt(this.#squares / Math.max(1, this.#count));
    return { rms, worst: this.#worst, end: this.#end, worstYaw: this.#worstYaw };
  }
}

/** In a worker. */
export function runJob(job: HomeJob): HomeRow {
  const knobs = knobsOf(job);
  const truth = new Map<number, { readonly pose: Pose; readonly reckoned: readonly [number, number] }>();
  const tracked = new Errors();
  const reckoned = new Errors();
  const counts = { frames: 0, beyond: 0, lost: 0, held: 0, ticks: 0, stuck: 0 };
  let worstHeld = 0;
  let first: ReturnType<typeof levelled> | null = null;
  let start: Pose | null = null;
  let before = { x: 0, y: 0, yaw: 0 };
  let [x, y] = [0, 0];

  const see = ({ time, worldFromBase, track }: SensedFrame): void => {
    const at = truth.get(time);
    if (at === undefined) return;
    first ??= levelled(worldFromBase, at.pose);
    const [tx, ty, tz] = at.pose.position;
    const [dx, dy] = [tx - first.truth[0], ty - first.truth[1]];
    const expected = [
      first.seen[0] + first.cos * dx - first.sin * dy,
      first.seen[1] + first.sin * dx + first.cos * dy,
      first.seen[2] + tz - first.truth[2],
    ];
    const off = worldFromBase.position.map((v, k) => v - expected[k]!);
    const yaw = wrapAngle(yawOf(worldFromBase) - yawOf(at.pose) - first.yaw);
    const error = Math.hypot(...off);
    counts.frames++;
    if (track?.hold === "lost") {
      counts.lost++;
      return;
    }
    tracked.add(error, yaw);
    reckoned.add(Math.hypot(at.reckoned[0] - at.pose.position[0], at.reckoned[1] - at.pose.position[1]), 0);
    if (track === null) return;
    const { covariance, yawSigma, hold } = track;
    const isInside =
      off.every((v, k) => Math.abs(v) <= 3 * Math.sqrt(covariance[4 * k]!)) && Math.abs(yaw) <= 3 * yawSigma;
    if (!isInside) counts.beyond++;
    if (hold !== "held") return;
    counts.held++;
    worstHeld = Math.max(worstHeld, error);
  };

  const outcome = drive(knobs, {
    see,
    watch: ({ time, base, newest }) => {
      const { counted, pose } = base;
      if (start === null) {
        start = pose;
        [x, y] = pose.position;
        before = { ...counted };
      }
      const ahead =
        Math.cos(counted.yaw) * (counted.x - before.x) + Math.sin(counted.yaw) * (counted.y - before.y);
      const heading = base.yaw + GYRO_DRIFT * time;
      x += ahead * Math.cos(heading);
      y += ahead * Math.sin(heading);
      before = { ...counted };
      // A frame shows the base as it is before its next step.
      truth.set(Math.round(1e6 * (time + 0.005)), { pose, reckoned: [x, y] });
      if (newest === null || time < STARTING) return;
      counts.ticks++;
      const { pace } = newest;
      const most =
        pace === null
          ? 0
          : Math.max(
              pace.forward,
              pace.backward,
              pace.left,
              pace.right,
              ...pace.arcsForward,
              ...pace.arcsBackward,
            );
      if (most < NO_PACE) counts.stuck++;
    },
  });
  const share = (count: number): number => count / Math.max(1, counts.frames);
  return {
    home: job.home,
    fall: outcome.fall,
    time: outcome.time,
    way: outcome.way,
    tracked: tracked.sum,
    reckoned: reckoned.sum,
    beyond: share(counts.beyond),
    lost: share(counts.lost),
    held: share(counts.held),
    worstHeld,
    stuck: counts.stuck / Math.max(1, counts.ticks),
    contacts: outcome.contacts.filter(({ speed }) => speed > HARD).length,
    again: argumentsOf(knobs),
  };
}
