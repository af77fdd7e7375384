import type { Pose } from "../../../src/geometry/optics.ts";
import { toYawPitchRoll } from "../../../src/geometry/rigid.ts";
import { wrapAngle } from "../../../src/geometry/vec.ts";
import type { SensedFrame } from "../../../src/service/sensing/sensing-messages.ts";
import type { Base, Fall } from "./base.ts";
import { drive, TICK } from "./drive.ts";
import { argumentsOf, DEFAULT_KNOBS, type Knobs, turned } from "./knobs.ts";
import type { Reach } from "./obedience.ts";

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
/** Slower counts as no motion, m/s or rad/s. And seconds from the start in which the head may still be starting. */
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

/** What the base and its wheels are at a tick. */
interface Truth {
  readonly pose: Pose;
  /** x, y by the wheels with the heading of a gyro that drifts, metres. */
  readonly reckoned: readonly [number, number];
}

/** Dead reckoning by the wheels' ways with the heading of a gyro that drifts, from the true start. */
class Reckoning {
  #x: number;
  #y: number;
  #before: Base["counted"];

  constructor({ pose, counted }: Base) {
    [this.#x, this.#y] = pose.position;
    this.#before = { ...counted };
  }

  step({ counted, yaw }: Base, time: number): Truth["reckoned"] {
    const { x, y } = this.#before;
    const ahead = Math.cos(counted.yaw) * (counted.x - x) + Math.sin(counted.yaw) * (counted.y - y);
    const heading = yaw + GYRO_DRIFT * time;
    this.#x += ahead * Math.cos(heading);
    this.#y += ahead * Math.sin(heading);
    this.#before = { ...counted };
    return [this.#x, this.#y];
  }
}

/** Compares the poses of a head with the truth. */
class PoseJudge {
  readonly tracked = new Errors();
  readonly reckoned = new Errors();
  worstHeld = 0;
  #first: ReturnType<typeof levelled> | null = null;
  #frames = 0;
  #beyond = 0;
  #lost = 0;
  #held = 0;

  take({ worldFromBase, track }: SensedFrame, { pose, reckoned }: Truth): void {
    this.#first ??= levelled(worldFromBase, pose);
    const first = this.#first;
    const [tx, ty, tz] = pose.position;
    const [dx, dy] = [tx - first.truth[0], ty - first.truth[1]];
    const expected = [
      first.seen[0] + first.cos * dx - first.sin * dy,
      first.seen[1] + first.sin * dx + first.cos * dy,
      first.seen[2] + tz - first.truth[2],
    ];
    const off = worldFromBase.position.map((v, k) => v - expected[k]!);
    const yaw = wrapAngle(yawOf(worldFromBase) - yawOf(pose) - first.yaw);
    const error = Math.hypot(...off);
    this.#frames++;
    if (track?.hold === "lost") {
      this.#lost++;
      return;
    }
    this.tracked.add(error, yaw);
    this.reckoned.add(Math.hypot(reckoned[0] - tx, reckoned[1] - ty), 0);
    if (track === null) return;
    const { covariance, yawSigma, hold } = track;
    const isInside =
      off.every((v, k) => Math.abs(v) <= 3 * Math.sqrt(covariance[4 * k]!)) && Math.abs(yaw) <= 3 * yawSigma;
    if (!isInside) this.#beyond++;
    if (hold !== "held") return;
    this.#held++;
    this.worstHeld = Math.max(this.worstHeld, error);
  }

  /** Shares of all frames. */
  get shares(): Pick<HomeRow, "beyond" | "lost" | "held"> {
    const share = (count: number): number => count / Math.max(1, this.#frames);
    return { beyond: share(this.#beyond), lost: share(this.#lost), held: share(this.#held) };
  }
}

/** The fastest motion that a reach permits in any direction, m/s or rad/s. */
const fastestOf = ({ pace }: Reach): number =>
  pace === null
    ? 0
    : Math.max(pace.forward, pace.backward, pace.left, pace.right, ...pace.arcsForward, ...pace.arcsBackward);

/** In a worker. */
export function runJob(job: HomeJob): HomeRow {
  const knobs = knobsOf(job);
  /** By the time of the frame that shows it, microseconds. */
  const truth = new Map<number, Truth>();
  const judge = new PoseJudge();
  let reckoning: Reckoning | null = null;
  let [ticks, stuck] = [0, 0];
  const { fall, time, way, contacts } = drive(knobs, {
    see: (frame) => {
      const at = truth.get(frame.time);
      if (at !== undefined) judge.take(frame, at);
    },
    watch: ({ time: now, base, newest }) => {
      reckoning ??= new Reckoning(base);
      // A frame shows the base as it is before its next step.
      truth.set(Math.round(1e6 * (now + TICK)), { pose: base.pose, reckoned: reckoning.step(base, now) });
      if (newest === null || now < STARTING) return;
      ticks++;
      if (fastestOf(newest) < NO_PACE) stuck++;
    },
  });
  return {
    home: job.home,
    fall,
    time,
    way,
    tracked: judge.tracked.sum,
    reckoned: judge.reckoned.sum,
    ...judge.shares,
    worstHeld: judge.worstHeld,
    stuck: stuck / Math.max(1, ticks),
    contacts: contacts.filter(({ speed }) => speed > HARD).length,
    again: argumentsOf(knobs),
  };
}
