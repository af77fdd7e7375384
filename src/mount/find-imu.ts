import { atan2Of, hypot2, hypot3 } from "../geometry/elementary.ts";
import type { Quat, Vec3 } from "../geometry/optics.ts";
import { conjugate, fromYawPitchRoll, multiply, turn } from "../geometry/rigid.ts";
import { unit } from "../geometry/vec.ts";
import { LEAST_TURNED } from "./find-planar.ts";
import type { Finding, Found, FoundImu, MountReport, NotSeen } from "./findings.ts";
import {
  type AttitudePath,
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
import type { LensFrame } from "./lens-path.ts";
import { angleBetweenAxes } from "./mean-floor.ts";
import { restsOf, type Speed } from "./motion.ts";
import type { WheelPath } from "./wheels.ts";

const DEGREE = Math.PI / 180;
/** Fewest samples that make a drive; chosen by hand. */
const LEAST_SAMPLES = 50;
/** Uncertainty beyond which a quantity is not reported: radians and seconds, 1 sigma; chosen by hand. */
const MOST_TILT_SIGMA = 0.3 * DEGREE;
const MOST_HEADING_SIGMA = 1.5 * DEGREE;
const MOST_TIME_SIGMA = 0.0012;
/** Least uncertainty that is reported, 1 sigma; chosen by hand. */
const IMU_SIGMA = 0.05 * DEGREE;
const TIME_SIGMA = 0.0002;
/** rad/s, 1 sigma: remaining bias of the rates, with a rest to measure it, and without; chosen by hand. */
const RESTED_BIAS = 0.03 * DEGREE;
const UNRESTED_BIAS = 0.5 * DEGREE;
/** Radians, 1 sigma: prior of an unknown heading. */
const ANY_HEADING = 3;
/** Radians, 1 sigma: systematic error of the direction of the wheels' acceleration; chosen by hand. */
const FELT_SIGMA = 0.2 * DEGREE;

const TURN_MORE = "turn on the spot by a right angle and more, both ways";

/** The data of a drive from which the imu's mount is found. */
export interface ImuDrive {
  readonly frames: readonly LensFrame[];
  readonly speeds: readonly Speed[];
  /** The lens's pitch and roll on the base, heading 0. */
  readonly levelFromLens: Quat;
  readonly raw: readonly RawSample[];
  readonly fused: AttitudePath;
  readonly wheels: WheelPath;
  /** Seconds by which the wheels' stamps are late against depth; 0 when unknown. */
  readonly wheelsLate: number;
  /** Of the lens on the base; null when unknown. */
  readonly yaw: Found | null;
  /** imuFromLens as the setup has it. */
  readonly believed: Quat;
  /** Radians that the base turned by in all. */
  readonly turned: number;
}

type ImuFindings = Pick<MountReport, "imu" | "imuHeading" | "lateness" | "gravityTilt">;

/** Finds the attitude of the imu against the lens, and the delay of orientation. */
export function findImu(drive: ImuDrive): ImuFindings {
  const { frames, raw, fused } = drive;
  const hasRaw = raw.length > LEAST_SAMPLES;
  const hasFused = fused.count > LEAST_SAMPLES;
  if (!hasRaw && !hasFused) {
    const none: NotSeen = {
      why: "the recording has no inertial samples and no orientation",
      add: "record the inertial sensor with the drive",
    };
    return { imu: none, imuHeading: none, lateness: none, gravityTilt: null };
  }
  const rests = restsOf(frames, drive.speeds);
  const atRest = restMeans(raw, rests);
  const gyros = hasRaw ? integrate(raw, atRest?.gyro ?? [0, 0, 0]) : null;
  const biasSigma = hasRaw && atRest === null ? UNRESTED_BIAS : RESTED_BIAS;
  const known = { gyros, gravityAtRest: atRest === null ? null : unit(atRest.accel), rests, biasSigma };
  // Rates alone do not depend on gravity and show the imu's attitude best. The relevant delay is that of the attitude that the head uses.
  const byGyros = gyros === null ? null : solveWith(gyros, drive, known);
  const byFused = hasFused ? solveWith(fused, drive, known) : null;
  const { imu, imuHeading } = lieOf(byGyros ?? byFused, drive, hasRaw);
  const gravity = atRest !== null ? known.gravityAtRest : fused.meanUp(frames.map(({ time }) => time));
  return {
    imu,
    imuHeading,
    lateness: latenessOf(hasFused ? byFused : byGyros),
    gravityTilt: gravityTiltOf(imu, gravity, lensUp(drive)),
  };
}

/** Up in the lens frame. */
const lensUp = ({ levelFromLens }: ImuDrive): Vec3 => turn(conjugate(levelFromLens), [0, 0, 1]);

/** Data besides the drive itself. */
interface Known {
  /** Attitudes made of raw rates. */
  readonly gyros: AttitudePath | null;
  /** Up in the imu frame by accelerations at rest. */
  readonly gravityAtRest: Vec3 | null;
  readonly rests: readonly Interval[];
  readonly biasSigma: number;
}

/** The mount by one kind of attitude; its heading by the accelerations that the wheels' speed changes cause, if raw samples exist. */
function solveWith(attitudes: AttitudePath, drive: ImuDrive, known: Known): ImuMount | null {
  const { frames, levelFromLens, raw, wheels, wheelsLate, yaw, believed } = drive;
  const { gyros, rests, biasSigma } = known;
  const restTimes = frames
    .map(({ time }) => time)
    .filter((time) => rests.some(([a, b]) => time >= a && time <= b));
  const gravity = known.gravityAtRest ?? attitudes.meanUp(restTimes);
  const up = turningAxis(frames, levelFromLens, attitudes) ?? gravity;
  if (up === null) return null;
  const upInLens = lensUp(drive);
  const guess = { rotation: bringTo(believed, upInLens, up), headingSigma: ANY_HEADING, biasSigma };
  const first = solveImu(frames, levelFromLens, attitudes, guess);
  if (gyros === null || yaw === null || first === null) return first;
  // Raw samples have no delay against the attitudes integrated from them; against fused attitudes it is unknown.
  const late = 1e6 * ((attitudes === gyros ? first.lateness : 0) - wheelsLate);
  const felt = feelForward(raw, { attitudes: gyros, wheels }, { up: turn(first.rotation, upInLens), late });
  if (felt === null) return first;
  // The level axes follow the lens's heading, so the base's forward lies at minus the lens's yaw in them.
  const imuFromBase = imuFromAxes(turn(first.rotation, upInLens), felt.forward);
  const rotation = multiply(imuFromBase, multiply(fromYawPitchRoll(yaw.value, 0, 0), levelFromLens));
  const headingSigma = hypot3(felt.sigma, yaw.sigma, FELT_SIGMA);
  return solveImu(frames, levelFromLens, attitudes, { rotation, headingSigma, biasSigma });
}

/** The imu's attitude and heading, or why they are not reported. */
function lieOf(
  lying: ImuMount | null,
  drive: ImuDrive,
  hasRaw: boolean,
): { imu: FoundImu | NotSeen; imuHeading: Finding } {
  const { turned, levelFromLens, believed } = drive;
  if (lying === null || turned < LEAST_TURNED || lying.tiltSigma > MOST_TILT_SIGMA) {
    const degrees = `the base turned by ${(turned / DEGREE).toFixed(0)} degrees in all`;
    const hasMoved = lying !== null && turned >= LEAST_TURNED;
    return {
      imu: { why: hasMoved ? "depth and rates do not agree well enough" : degrees, add: TURN_MORE },
      imuHeading: { why: "the imu's tilt is not known", add: TURN_MORE },
    };
  }
  const upInLens = lensUp(drive);
  const tiltSigma = hypot2(lying.tiltSigma, IMU_SIGMA);
  if (lying.headingSigma > MOST_HEADING_SIGMA) {
    const start = "start and brake briskly on a straight way";
    const rotation = conjugate(bringTo(believed, upInLens, turn(lying.rotation, upInLens)));
    return {
      imu: { rotation, tiltSigma, headingSigma: Number.POSITIVE_INFINITY },
      imuHeading: hasRaw
        ? { why: "the base hardly accelerated, braked or nodded on a straight leg", add: start }
        : {
            why: "the base hardly nodded, and raw accelerations were not recorded",
            add: `${start}, and record raw inertial samples`,
          },
    };
  }
  const headingSigma = hypot2(lying.headingSigma, 2 * IMU_SIGMA);
  return {
    imu: { rotation: conjugate(lying.rotation), tiltSigma, headingSigma },
    imuHeading: { value: headingOf(lying.rotation, levelFromLens), sigma: headingSigma },
  };
}

function latenessOf(timed: ImuMount | null): Finding {
  if (timed !== null && timed.latenessSigma <= MOST_TIME_SIGMA) {
    return { value: timed.lateness, sigma: hypot2(timed.latenessSigma, TIME_SIGMA) };
  }
  return {
    why: timed === null ? "the head hardly turned or nodded" : "its turn rate hardly changed",
    add: "begin and end turns briskly, and brake: only a change of rate shows a delay",
  };
}

function gravityTiltOf(imu: FoundImu | NotSeen, gravity: Vec3 | null, upInLens: Vec3): number | null {
  if ("why" in imu || gravity === null) return null;
  return angleBetweenAxes(turn(imu.rotation, gravity), upInLens);
}

/** Heading of the imu's x axis (or of its y, when x stands upright) against the lens's, radians. */
function headingOf(imuFromLens: Quat, levelFromLens: Quat): number {
  const levelFromImu = multiply(levelFromLens, conjugate(imuFromLens));
  const [x, y, z] = turn(levelFromImu, [1, 0, 0]);
  if (Math.abs(z) < 0.9) return atan2Of(y, x);
  const [a, b] = turn(levelFromImu, [0, 1, 0]);
  return atan2Of(b, a);
}
