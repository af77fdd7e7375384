import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import {
  compose,
  conjugate,
  fromYawPitchRoll,
  invert,
  multiply,
  OPTICAL_IN_BODY,
  toYawPitchRoll,
  turn,
} from "../geometry/rigid.ts";
import { cross, dot, unit } from "../geometry/vec.ts";
import type { HeadEvent, Setup } from "../sense/events.ts";
import {
  AttitudePath,
  bringTo,
  feelForward,
  type ImuMount,
  type Interval,
  imuFromAxes,
  integrate,
  type RawSample,
  restMeans,
  solveImu,
  turningAxis,
} from "./imu-mount.ts";
import { bodyOf, type LensFrame, LensPath, levelOf } from "./lens-path.ts";
import { type PlanarMount, type PlanarPlace, solvePlanar, WheelPath } from "./wheels.ts";

/** A quantity that the drive showed. SI units and radians. */
export interface Found {
  readonly value: number;
  /** 1 sigma. */
  readonly sigma: number;
}

/** A quantity that it did not show, and what to add to the drive. */
export interface NotSeen {
  readonly why: string;
  readonly add: string;
}

export type Finding = Found | NotSeen;
export const isFound = <T extends object>(finding: T | NotSeen): finding is T => !("why" in finding);

/** How the imu lies in the head, as a rotation. */
export interface FoundImu {
  /** lensFromImu. */
  readonly rotation: Quat;
  /** 1 sigma about the two level axes, and about the vertical. Infinity: not seen, and as it was believed to be. */
  readonly tiltSigma: number;
  readonly headingSigma: number;
}

export interface MountReport {
  /** Of the lens above the floor, metres. */
  readonly height: Finding;
  /** Of the lens on the base, radians: yaw to the left, then pitch nose down, then roll to the right (ISO 8855). */
  readonly pitch: Finding;
  readonly roll: Finding;
  readonly yaw: Finding;
  /** The lens ahead of and left of the point about which the base turns, metres. */
  readonly forward: Finding;
  readonly sideways: Finding;
  readonly imu: FoundImu | NotSeen;
  /** How the imu lies about the vertical; its own finding because it asks for another motion than the tilt. */
  readonly imuHeading: Finding;
  /** Seconds by which orientation is stamped late against depth: the setting `orientation.lateness`. */
  readonly lateness: Finding;
  /** Way and turn as the wheels count them over those seen, and seconds by which their stamps are late against depth. */
  readonly wheels: { readonly scale: Finding; readonly turnScale: Finding; readonly lateness: Finding };
  /** Angle between gravity as the imu has it and the floor's normal: the floor's slope and the accelerometer's bias. */
  readonly gravityTilt: number | null;
  /** Mean height / range of the floor's pixels: so much of an error of range is one of height. */
  readonly slant: number;
  readonly seen: {
    readonly frames: number;
    /** Frames in which floor was fitted, and those that were at rest or in steady motion. */
    readonly withFloor: number;
    readonly quiet: number;
    /** Frames that did not fit what was seen before. */
    readonly broken: number;
    /** Metres and radians of motion. */
    readonly way: number;
    readonly turned: number;
  };
  readonly range: RangeCheck | NotSeen | null;
  /** The setup that was given, with what was found put in. */
  readonly setup: Setup;
}

/** Distance to the wall that the lens faces at first, against a tape. */
export interface RangeCheck {
  readonly measured: number;
  /** Measured less taped, metres, and its 1 sigma with the tape's own. */
  readonly bias: number;
  readonly sigma: number;
  readonly frames: number;
}

const DEGREE = Math.PI / 180;
/** Seconds: over which errors of the floor may be shared; from a change of speed until a nod has died away. */
const BLOCK = 1;
const NOD = 0.7;
/** m/s and rad/s below which the head rests, m/s^2 above which it nods. */
const REST_SPEED = 0.02;
const REST_RATE = 1.5 * DEGREE;
const NODDING = 0.15;
/** Fewest quiet frames, and least errors that are believed: floors are not flatter, and lenses not truer. */
const LEAST_QUIET = 10;
const FLOOR_HEIGHT_SIGMA = 0.0005;
const FLOOR_TILT_SIGMA = 0.03 * DEGREE;
/** Of a way past one room's surfaces: what normals lean by near edges the legs of one drive may share. */
const YAW_SIGMA = 0.15 * DEGREE;
const OFFSET_SIGMA = 0.0015;
const IMU_SIGMA = 0.05 * DEGREE;
const TIME_SIGMA = 0.0002;
/** Frames that face a wall, at least; what a tape is read to, metres, 1 sigma (common practice, no source). */
const LEAST_WALLS = 8;
const TAPE_SIGMA = 0.0015;
/** What a drive must have shown, and the doubt beyond which a quantity is not told. */
const LEAST_TURNED = 90 * DEGREE;
const LEAST_WAY = 0.5;
const MOST_YAW_SIGMA = 0.25 * DEGREE;
const MOST_OFFSET_SIGMA = 0.005;
const MOST_TILT_SIGMA = 0.3 * DEGREE;
const MOST_HEADING_SIGMA = 1.5 * DEGREE;
const MOST_TIME_SIGMA = 0.0012;

export interface MountOptions {
  /** Which sensor of the setup; the first by default. */
  readonly sensor?: number;
  /** Metres by tape from the lens to the wall that it faces while the head rests at the start. */
  readonly tape?: number | null;
}

/**
 * Finds how a head sits on its base from a short drive: rest, turn on the spot both ways, drive straight on, brake, turn,
 * drive on. Deterministic: events in, a report out. Each quantity comes with its uncertainty, or not at all, with what the
 * drive was lacking.
 *
 * Two tilts are told apart. The lens's pitch and roll are against the floor that the wheels stand on, from the floor in view.
 * The imu's are against the lens, from the axis about which both turn. Gravity takes part in neither, so that neither a floor
 * that is not level nor the accelerometer's bias bends them; what gravity says beside is reported (`gravityTilt`).
 */
export class MountEstimator {
  readonly #setup: Setup;
  readonly #sensor: number;
  readonly #tape: number | null;
  readonly #path: LensPath;
  readonly #wheels = new WheelPath();
  readonly #fused = new AttitudePath();
  readonly #raw: RawSample[] = [];

  /** @throws {RangeError} if the sensor is none of the setup's cameras, or the tape's length makes no sense */
  constructor(setup: Setup, { sensor = 0, tape = null }: MountOptions = {}) {
    const own = setup.sensors[sensor];
    if (own === undefined) {
      throw new RangeError(`sensor ${sensor} is not one of the ${setup.sensors.length} in the setup`);
    }
    if (tape !== null && !(tape > 0.1 && tape < 20)) {
      throw new RangeError(`a tape of ${tape} m: give metres from the lens to the wall, 0.1 to 20`);
    }
    this.#setup = setup;
    this.#sensor = sensor;
    this.#tape = tape;
    this.#path = new LensPath(own.optics, turn(conjugate(this.#believed.rotation), [0, 0, 1]), tape !== null);
  }

  /** baseFromLens as the setup has it. */
  get #believed(): Pose {
    const { pose, on } = this.#setup.sensors[this.#sensor]!.mount;
    return on === "base" ? pose : compose(this.#setup.baseFromHead, pose);
  }

  /**
   * Takes one event, in the order of arrival; those of other sensors and kinds are passed over. Images may be overwritten
   * once it returns.
   * @throws {RangeError} if an image has another size than the sensor
   */
  take(event: HeadEvent): void {
    switch (event.kind) {
      case "depth":
        if (event.sensor === this.#sensor) this.#path.take(event.time, event.counts, event.amplitude);
        break;
      case "motion":
        this.#wheels.push(event.time, event.pose);
        break;
      case "orientation":
        this.#fused.push(event.time, event.rotation);
        break;
      case "inertial":
        if (this.#raw.length === 0 || event.time > this.#raw.at(-1)!.time) {
          this.#raw.push({ time: event.time, gyro: event.gyro, accel: event.accel });
        }
        break;
      default:
    }
  }

  /** What the drive so far shows. */
  solve(): MountReport {
    const frames = plausible(this.#path.frames);
    const strange = this.#path.frames.length - frames.length;
    const speeds = speedsOf(frames);
    const quiet = quietFrames(frames, speeds);
    const floor = meanFloor(quiet);
    const withFloor = frames.filter((frame) => frame.floor !== null).length;
    let way = 0;
    let turned = 0;
    for (const [i, { way: step, turn: angle }] of speeds.entries()) {
      if (i === 0) continue;
      // What noise alone makes of a rest is no motion.
      if (speeds[i]!.speed > REST_SPEED) way += step;
      if (speeds[i]!.rate > REST_RATE) turned += Math.abs(angle);
    }
    // What the lens seems to turn by where little holds it is no turn of the base.
    if (this.#wheels.count >= 10) turned = Math.min(turned, this.#wheels.turned);
    const seen = {
      frames: this.#path.frames.length,
      withFloor,
      quiet: quiet.length,
      broken: this.#path.broken + strange,
      way,
      turned,
    };
    if (floor === null) return this.#nothing(seen);

    const levelFromLens = levelOf(floor.normal);
    const planar =
      this.#wheels.count < 10 ? null : solvePlanar(frames, placesOf(frames, levelFromLens), this.#wheels);
    const { yaw, forward, sideways, wheels } = this.#findPlanar(planar, seen);
    const [, pitch, roll] = toYawPitchRoll(bodyOf(levelFromLens));
    const wheelsLate = planar?.lateness ?? 0;
    const imu = this.#findImu(frames, speeds, levelFromLens, isFound(yaw) ? yaw : null, wheelsLate, seen);
    const report = {
      height: { value: floor.height, sigma: floor.heightSigma },
      pitch: { value: pitch, sigma: floor.pitchSigma },
      roll: { value: roll, sigma: floor.rollSigma },
      ...{ yaw, forward, sideways, wheels, ...imu, slant: floor.slant, seen },
      range: this.#checkRange(),
    };
    return { ...report, setup: this.#setupWith(report) };
  }

  /** The wall ahead at the start against the tape; a finding that is missing when no wall was faced. */
  #checkRange(): RangeCheck | NotSeen | null {
    if (this.#tape === null) return null;
    const walls = this.#path.frames.flatMap(({ wall }) => (wall === null ? [] : [wall]));
    if (walls.length < LEAST_WALLS) {
      return {
        why: `a wall was faced in ${walls.length} frames before the head moved`,
        add: "start square to a flat, light, matt wall, and stand for two seconds",
      };
    }
    const measured = walls.reduce((sum, wall) => sum + wall, 0) / walls.length;
    const scatter = walls.reduce((sum, wall) => sum + (wall - measured) ** 2, 0) / (walls.length - 1);
    const sigma = Math.hypot(Math.sqrt(scatter / walls.length), TAPE_SIGMA);
    return { measured, bias: measured - this.#tape, sigma, frames: walls.length };
  }

  #nothing(seen: MountReport["seen"]): MountReport {
    const none: NotSeen = {
      why:
        seen.withFloor === 0
          ? "no floor was found in view"
          : `only ${seen.quiet} frames with floor at rest or in steady motion`,
      add:
        seen.withFloor === 0
          ? "tilt the head so that it sees floor, tell roughly how it is mounted, and start on open floor"
          : `stand still for two seconds with open floor in view`,
    };
    return {
      ...{ height: none, pitch: none, roll: none, yaw: none, forward: none, sideways: none, imu: none },
      ...{ imuHeading: none, lateness: none, wheels: { scale: none, turnScale: none, lateness: none } },
      ...{ gravityTilt: null, slant: Number.NaN, seen, range: this.#checkRange(), setup: this.#setup },
    };
  }

  #findPlanar(
    planar: PlanarMount | null,
    { way, turned }: MountReport["seen"],
  ): Pick<MountReport, "yaw" | "forward" | "sideways" | "wheels"> {
    const asked = (
      sigma: number,
      most: number,
      isShown: boolean,
      why: string,
      add: string,
    ): NotSeen | null => {
      if (this.#wheels.count < 10) {
        return { why: "there is no wheel odometry", add: "record the base's odometry with the drive" };
      }
      if (planar === null) {
        return {
          why: "wheels and depth hardly moved together",
          add: "turn on the spot and drive a metre straight on, in a furnished room",
        };
      }
      if (!isShown) return { why, add };
      return sigma <= most
        ? null
        : { why: `it is known to ${(sigma / most).toFixed(1)} times the doubt allowed only`, add };
    };
    const found = (value: number, sigma: number, floor: number): Found => ({
      value,
      sigma: Math.hypot(sigma, floor),
    });
    const p = planar;
    const hasTurned = turned >= LEAST_TURNED;
    const degrees = `the base turned by ${(turned / DEGREE).toFixed(0)} degrees in all`;
    const yaw =
      asked(
        p?.yawSigma ?? 0,
        MOST_YAW_SIGMA,
        hasTurned && way >= LEAST_WAY,
        hasTurned ? `the way was ${way.toFixed(1)} m` : degrees,
        "drive a metre straight on, turn by a right angle, and drive on",
      ) ?? found(p!.yaw, p!.yawSigma, YAW_SIGMA);
    const turnMore = "turn on the spot by a right angle and more, both ways";
    const x = asked(
      p?.xSigma ?? 0,
      MOST_OFFSET_SIGMA,
      hasTurned && isFound(yaw),
      hasTurned ? "the yaw is not known" : degrees,
      turnMore,
    );
    const y = asked(
      p?.ySigma ?? 0,
      MOST_OFFSET_SIGMA,
      hasTurned && isFound(yaw),
      hasTurned ? "the yaw is not known" : degrees,
      turnMore,
    );
    const drive = "drive straight on, turn, and brake";
    return {
      yaw,
      forward: x ?? found(p!.x, p!.xSigma, OFFSET_SIGMA),
      sideways: y ?? found(p!.y, p!.ySigma, OFFSET_SIGMA),
      wheels: {
        scale:
          asked(p?.scaleSigma ?? 0, 0.01, way >= LEAST_WAY, `the way was ${way.toFixed(1)} m`, drive) ??
          found(p!.scale, p!.scaleSigma, 0.001),
        turnScale:
          asked(p?.turnScaleSigma ?? 0, 0.01, hasTurned, degrees, turnMore) ??
          found(p!.turnScale, p!.turnScaleSigma, 0.001),
        lateness:
          asked(p?.latenessSigma ?? 0, 0.005, hasTurned, degrees, drive) ??
          found(p!.lateness, p!.latenessSigma, 0.001),
      },
    };
  }

  #findImu(
    frames: readonly LensFrame[],
    speeds: readonly Speed[],
    levelFromLens: Quat,
    yaw: Found | null,
    wheelsLate: number,
    { turned }: MountReport["seen"],
  ): Pick<MountReport, "imu" | "imuHeading" | "lateness" | "gravityTilt"> {
    const hasRaw = this.#raw.length > 50;
    const hasFused = this.#fused.count > 50;
    if (!hasRaw && !hasFused) {
      const none: NotSeen = {
        why: "there are no inertial samples and no orientation",
        add: "record the inertial sensor with the drive",
      };
      return { imu: none, imuHeading: none, lateness: none, gravityTilt: null };
    }
    const rests = restsOf(frames, speeds);
    const atRest = restMeans(this.#raw, rests);
    const gyros = hasRaw ? integrate(this.#raw, atRest?.gyro ?? [0, 0, 0]) : null;
    const biasSigma = hasRaw && atRest === null ? 0.5 * DEGREE : 0.03 * DEGREE;
    const lensUp = turn(conjugate(levelFromLens), [0, 0, 1]);
    const { headFromImu, baseFromHead } = this.#setup;
    const believed = multiply(
      conjugate(multiply(baseFromHead.rotation, headFromImu.rotation)),
      this.#believed.rotation,
    );

    const solveWith = (attitudes: AttitudePath): ImuMount | null => {
      const restTimes = frames
        .map(({ time }) => time)
        .filter((time) => rests.some(([a, b]) => time >= a && time <= b));
      const gravity = atRest === null ? attitudes.meanUp(restTimes) : unit(atRest.accel);
      const up = turningAxis(frames, levelFromLens, attitudes) ?? gravity;
      if (up === null) return null;
      const guess = { rotation: bringTo(believed, lensUp, up), headingSigma: 3, biasSigma };
      const first = solveImu(frames, levelFromLens, attitudes, guess);
      if (gyros === null || yaw === null || first === null) return first;
      const isGyros = attitudes === gyros;
      // Raw samples are in time with the attitudes made of them; how late beside fused ones they are is not known.
      const late = 1e6 * ((isGyros ? first.lateness : 0) - wheelsLate);
      const felt = feelForward(this.#raw, gyros, this.#wheels, turn(first.rotation, lensUp), late);
      if (felt === null) return first;
      // Level axes are the lens's heading; the base's forward lies at minus its yaw there.
      const imuFromBase = imuFromAxes(turn(first.rotation, lensUp), felt.forward);
      const rotation = multiply(imuFromBase, multiply(fromYawPitchRoll(yaw.value, 0, 0), levelFromLens));
      const headingSigma = Math.hypot(felt.sigma, yaw.sigma, 0.2 * DEGREE);
      return solveImu(frames, levelFromLens, attitudes, { rotation, headingSigma, biasSigma });
    };
    // Rates alone are free of gravity, so they say best how the imu lies; what the head goes by is what must be in time.
    const byGyros = gyros === null ? null : solveWith(gyros);
    const byFused = hasFused ? solveWith(this.#fused) : null;
    const lying = byGyros ?? byFused;
    const timed = hasFused ? byFused : byGyros;
    const turnMore = "turn on the spot by a right angle and more, both ways";
    const start = "start and brake briskly on a straight way";
    const seenTilt = lying !== null && turned >= LEAST_TURNED && lying.tiltSigma <= MOST_TILT_SIGMA;
    const degrees = `the base turned by ${(turned / DEGREE).toFixed(0)} degrees in all`;
    let imu: FoundImu | NotSeen = {
      why: lying !== null && turned >= LEAST_TURNED ? "depth and rates do not agree well enough" : degrees,
      add: turnMore,
    };
    let imuHeading: Finding = { why: "how it stands upright is not known", add: turnMore };
    if (seenTilt) {
      const up = turn(lying.rotation, lensUp);
      const isSeen = lying.headingSigma <= MOST_HEADING_SIGMA;
      const rotation = isSeen ? lying.rotation : bringTo(believed, lensUp, up);
      imu = {
        rotation: conjugate(rotation),
        tiltSigma: Math.hypot(lying.tiltSigma, IMU_SIGMA),
        headingSigma: isSeen ? Math.hypot(lying.headingSigma, 2 * IMU_SIGMA) : Number.POSITIVE_INFINITY,
      };
      imuHeading = isSeen
        ? { value: headingOf(rotation, levelFromLens), sigma: imu.headingSigma }
        : {
            why: hasRaw
              ? "the base hardly sped up, braked or nodded on a straight way"
              : "the base hardly nodded, and raw accelerations were not recorded",
            add: hasRaw ? start : `${start}, and record raw inertial samples`,
          };
    }
    let lateness: Finding = {
      why: timed === null ? "the head hardly turned or nodded" : "its rate of turning hardly changed",
      add: "begin and end turns briskly, and brake: only a change of rate has a time",
    };
    if (timed !== null && timed.latenessSigma <= MOST_TIME_SIGMA) {
      lateness = { value: timed.lateness, sigma: Math.hypot(timed.latenessSigma, TIME_SIGMA) };
    }
    const gravity = atRest !== null ? unit(atRest.accel) : this.#fused.meanUp(frames.map(({ time }) => time));
    const gravityTilt = isFound(imu) && gravity !== null ? angle(turn(imu.rotation, gravity), lensUp) : null;
    return { imu, imuHeading, lateness, gravityTilt };
  }

  /** What was found in place of what was believed. */
  #setupWith(report: Omit<MountReport, "setup">): Setup {
    const { height, pitch, roll, yaw, forward, sideways, imu } = report;
    const value = (finding: Finding, otherwise: number): number =>
      isFound(finding) ? finding.value : otherwise;
    const before = this.#believed;
    const [x, y, z] = before.position;
    const angles = toYawPitchRoll(bodyOf(before.rotation));
    const baseFromLens: Pose = {
      rotation: multiply(
        fromYawPitchRoll(value(yaw, angles[0]), value(pitch, angles[1]), value(roll, angles[2])),
        OPTICAL_IN_BODY,
      ),
      position: [value(forward, x), value(sideways, y), value(height, z)],
    };
    const sensor = this.#setup.sensors[this.#sensor]!;
    const { on, pose } = sensor.mount;
    // How sensors sit in the head is the maker's; how the head sits on the base is what was found.
    const baseFromHead = on === "head" ? compose(baseFromLens, invert(pose)) : this.#setup.baseFromHead;
    const sensors = this.#setup.sensors.map((other, i) =>
      i === this.#sensor && on === "base" ? { ...sensor, mount: { on, pose: baseFromLens } } : other,
    );
    const headFromLens = on === "head" ? pose : compose(invert(baseFromHead), baseFromLens);
    const headFromImu = isFound(imu)
      ? { ...this.#setup.headFromImu, rotation: multiply(headFromLens.rotation, imu.rotation) }
      : this.#setup.headFromImu;
    return { sensors, baseFromHead, headFromImu };
  }
}

/** Share of the height, and radians, by which a frame may be off the usual floor: a base nods, it does not fly. */
const MOST_OFF_HEIGHT = 0.2;
const MOST_OFF_TILT = 6 * DEGREE;

/** Frames whose floor, and whose place above it, are about those of the others; the rest were lost or saw something else. */
function plausible(frames: readonly LensFrame[]): readonly LensFrame[] {
  const floors = frames.flatMap(({ floor }) => (floor === null ? [] : [floor]));
  if (floors.length === 0) return frames;
  const median = (values: number[]): number => values.sort((a, b) => a - b)[values.length >> 1]!;
  const height = median(floors.map((floor) => floor.height));
  const up = unit([0, 1, 2].map((c) => median(floors.map(({ normal }) => normal[c]!))) as unknown as Vec3);
  if (up === null) return frames;
  const isUsual = (h: number, normal: Vec3): boolean =>
    Math.abs(h - height) < MOST_OFF_HEIGHT * height && angle(normal, up) < MOST_OFF_TILT;
  return frames.filter(
    ({ pose, floor }) =>
      isUsual(pose.position[2], turn(conjugate(pose.rotation), [0, 0, 1])) &&
      (floor === null || isUsual(floor.height, floor.normal)),
  );
}

/** Heading of the imu's x axis (or of its y, when x stands upright) against the lens's, radians. */
function headingOf(imuFromLens: Quat, levelFromLens: Quat): number {
  const levelFromImu = multiply(levelFromLens, conjugate(imuFromLens));
  const [x, y, z] = turn(levelFromImu, [1, 0, 0]);
  if (Math.abs(z) < 0.9) return Math.atan2(y, x);
  const [a, b] = turn(levelFromImu, [0, 1, 0]);
  return Math.atan2(b, a);
}

/** How fast the lens goes at a frame, from those around it. */
interface Speed {
  /** m/s, rad/s, and m/s^2 along the way. */
  readonly speed: number;
  readonly rate: number;
  readonly pull: number;
  /** From the frame before: metres, radians. */
  readonly way: number;
  readonly turn: number;
}

function speedsOf(frames: readonly LensFrame[]): Speed[] {
  /** Over about a quarter of a second around frame i. */
  const around = (i: number): { speed: number; rate: number } => {
    let [a, b] = [i, i];
    while (
      a > 0 &&
      frames[a - 1]!.stretch === frames[i]!.stretch &&
      frames[i]!.time - frames[a]!.time < 125_000
    )
      a--;
    while (
      b + 1 < frames.length &&
      frames[b + 1]!.stretch === frames[i]!.stretch &&
      frames[b]!.time - frames[i]!.time < 125_000
    )
      b++;
    const [from, to] = [frames[a]!, frames[b]!];
    const seconds = (to.time - from.time) / 1e6;
    if (!(seconds > 0)) return { speed: 0, rate: 0 };
    return {
      speed:
        Math.hypot(to.pose.position[0] - from.pose.position[0], to.pose.position[1] - from.pose.position[1]) /
        seconds,
      rate: Math.abs(to.heading - from.heading) / seconds,
    };
  };
  const rough = frames.map((_, i) => around(i));
  return frames.map((frame, i) => {
    const before = frames[i - 1];
    const isNext = before !== undefined && before.stretch === frame.stretch;
    const [from, to] = [Math.max(0, i - 2), Math.min(frames.length - 1, i + 2)];
    const seconds = (frames[to]!.time - frames[from]!.time) / 1e6;
    const [p, q] = [frame.pose.position, before?.pose.position ?? frame.pose.position];
    return {
      ...rough[i]!,
      pull: seconds > 0 ? (rough[to]!.speed - rough[from]!.speed) / seconds : 0,
      way: isNext ? Math.hypot(p[0] - q[0], p[1] - q[1]) : 0,
      turn: isNext ? frame.heading - before.heading : 0,
    };
  });
}

/** Frames with floor, on a base that stands still or goes steadily, some time after it sped up or braked. */
function quietFrames(frames: readonly LensFrame[], speeds: readonly Speed[]): LensFrame[] {
  let nodded = Number.NEGATIVE_INFINITY;
  return frames.filter((frame, i) => {
    if (Math.abs(speeds[i]!.pull) > NODDING) nodded = frame.time;
    return frame.floor !== null && frame.time - nodded > 1e6 * NOD;
  });
}

/** Times at which the head rests, less a margin for stamps that are late. */
function restsOf(frames: readonly LensFrame[], speeds: readonly Speed[]): Interval[] {
  const margin = 200_000;
  const rests: Interval[] = [];
  let from = Number.NaN;
  for (let i = 0; i <= frames.length; i++) {
    const isRest = i < frames.length && speeds[i]!.speed < REST_SPEED && speeds[i]!.rate < REST_RATE;
    if (isRest) {
      if (Number.isNaN(from)) from = frames[i]!.time;
      continue;
    }
    const to = frames[i - 1]?.time ?? Number.NaN;
    if (to - from > 2 * margin) rests.push([from + margin, to - margin]);
    from = Number.NaN;
  }
  return rests;
}

interface MeanFloor {
  readonly normal: Vec3;
  readonly height: number;
  readonly heightSigma: number;
  readonly pitchSigma: number;
  readonly rollSigma: number;
  readonly slant: number;
}

/** Mean over the frames; its doubt from how blocks of a second differ: floors are uneven, and bases stand askew. */
function meanFloor(quiet: readonly LensFrame[]): MeanFloor | null {
  if (quiet.length < LEAST_QUIET) return null;
  let normal: Vec3 = [0, 0, 0];
  let height = 0;
  let slant = 0;
  for (const { floor } of quiet) {
    const [x, y, z] = floor!.normal;
    normal = [normal[0] + x, normal[1] + y, normal[2] + z];
    height += floor!.height / quiet.length;
    slant += floor!.slant / quiet.length;
  }
  normal = unit(normal)!;
  const level = levelOf(normal);
  const columns = quiet.map(({ floor, time }) => {
    const [x, y] = turn(level, floor!.normal);
    return { block: Math.floor(time / (1e6 * BLOCK)), values: [floor!.height, x, y] };
  });
  const sigma = (c: number, least: number): number => {
    const blocks = new Map<number, { sum: number; count: number }>();
    for (const { block, values } of columns) {
      const entry = blocks.get(block) ?? { sum: 0, count: 0 };
      entry.sum += values[c]!;
      entry.count++;
      blocks.set(block, entry);
    }
    const means = [...blocks.values()].map(({ sum, count }) => ({ mean: sum / count, count }));
    const total = columns.length;
    const whole = means.reduce((sum, { mean, count }) => sum + mean * count, 0) / total;
    const scatter =
      means.reduce((sum, { mean, count }) => sum + ((mean - whole) * count) ** 2, 0) / total ** 2;
    return Math.hypot(Math.sqrt((scatter * means.length) / Math.max(1, means.length - 1)), least);
  };
  return {
    ...{ normal, height, slant },
    heightSigma: sigma(0, FLOOR_HEIGHT_SIGMA),
    pitchSigma: sigma(1, FLOOR_TILT_SIGMA),
    rollSigma: sigma(2, FLOOR_TILT_SIGMA),
  };
}

/** Where the lens would be above the floor if the base did not nod: a nod by a small angle moves it by height times angle. */
function placesOf(frames: readonly LensFrame[], levelFromLens: Quat): PlanarPlace[] {
  return frames.map(({ pose, heading, floor }) => {
    const up = floor?.normal ?? turn(conjugate(pose.rotation), [0, 0, 1]);
    const [x, y] = turn(levelFromLens, up);
    const [c, s] = [Math.cos(heading), Math.sin(heading)];
    const h = pose.position[2];
    return { x: pose.position[0] + h * (c * x - s * y), y: pose.position[1] + h * (s * x + c * y) };
  });
}

function angle(a: Vec3, b: Vec3): number {
  return Math.atan2(Math.hypot(...cross(a, b)), dot(a, b));
}
