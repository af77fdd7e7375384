import { cosOf, sinOf, square } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { compose, invert, slerp, toYawPitchRoll, turn } from "../geometry/rigid.ts";
import { scaleAndAdd, scaled, subtract, wrapAngle } from "../geometry/vec.ts";

/**
 * 1 sigma, as shares of the step: its error ahead beyond the scale error, sideways, and upwards. Chosen by hand. With 2 % instead of 5 % ahead,
 * accelerations had too little weight along a corridor (0.21 m of error after 10 m instead of 0.09).
 */
const AHEAD = 0.05;
const ASIDE = 0.015;
const UP = 0.02;
/** The sideways error keeps its sign for about a second. Its variance is multiplied by this number of frames. Chosen by hand. */
const ASIDE_FRAMES = 12;
/** Metres per radian, 1 sigma: offset of the centre of turns from the base's origin. Chosen by hand. */
const PIVOT = 0.01;
/** Metres, 1 sigma: floor for any step; for a step in which the wheels stand but the imu is not quiet; for a step at rest. Chosen by hand. */
const LEAST = 0.0005;
const UNQUIET = 0.001;
const REST = 0.0001;
/** Metres, 1 sigma, upwards: unevenness of the floor. */
const UNEVEN = 0.001;
/** Metres and radians: a smaller step counts as zero. */
const STILL = 1e-4;
const STILL_TURN = 1e-3;
/** Seconds: a longer step may contain bends that its ends do not show; and their sideways error, metres per metre and radian. Chosen by hand. */
const LONG_STEP = 0.2;
const BENDS = 0.1;

/** The step of the imu's position by the wheels. */
export interface WheelStep {
  /** Unit vectors, world: the base's axes at half of the turn. */
  readonly ahead: Vec3;
  readonly aside: Vec3;
  readonly up: Vec3;
  /** Metres along the first two. */
  readonly metres: number;
  readonly sideways: number;
  /** Metres, world: motion of the imu's position relative to the base, because the base turns. */
  readonly swing: Vec3;
  /** Radians: the base's turn by the wheels, and by the attitudes. */
  readonly turned: number;
  readonly sensedTurn: number;
  /** Whether the wheels stood still; and whether the imu was quiet, too. */
  readonly isStill: boolean;
  readonly isCalm: boolean;
  /** m^2. */
  readonly aheadVariance: number;
  readonly asideVariance: number;
  readonly upVariance: number;
}

export interface WheelInput {
  /** Odometry at the last frame and at this one. */
  readonly before: Pose;
  readonly now: Pose;
  /** worldFromBase's rotation at both, by the attitudes. */
  readonly from: Quat;
  readonly to: Quat;
  /** Lever arm of the imu: metres, in the base's axes. */
  readonly lever: Vec3;
  readonly dt: number;
  /** Whether the imu is quiet. */
  readonly isQuiet: boolean;
}

export function wheelStep({ before, now, from, to, lever, dt, isQuiet }: WheelInput): WheelStep {
  const moved = compose(invert(before), now);
  const turned = toYawPitchRoll(moved.rotation)[0];
  const sensedTurn = wrapAngle(toYawPitchRoll(to)[0] - toYawPitchRoll(from)[0]);
  // The chord of an arc has the heading at half of its turn.
  const [c, s] = [cosOf(turned / 2), sinOf(turned / 2)];
  const [x, y] = moved.position;
  const [metres, sideways] = [c * x + s * y, c * y - s * x];
  const half = slerp(from, to, 0.5);
  const isStill = Math.abs(metres) < STILL && Math.abs(turned) < STILL_TURN;
  const isCalm = isStill && isQuiet;
  const least = square(isCalm ? REST : isStill ? UNQUIET : LEAST);
  const bends = dt > LONG_STEP ? square(BENDS * metres * sensedTurn) : 0;
  return {
    ahead: turn(half, [1, 0, 0]),
    aside: turn(half, [0, 1, 0]),
    up: turn(half, [0, 0, 1]),
    metres,
    sideways,
    swing: subtract(turn(to, lever), turn(from, lever)),
    turned,
    sensedTurn,
    isStill,
    isCalm,
    aheadVariance: square(AHEAD * metres) + least + bends,
    asideVariance: ASIDE_FRAMES * square(ASIDE * metres) + square(PIVOT * turned) + least + bends,
    upVariance: square(UP * metres) + least + (isCalm ? 0 : square(UNEVEN)),
  };
}

/** The step of the base by the wheels, metres, world. */
export const stepOf = ({ ahead, aside, metres, sideways }: WheelStep): Vec3 =>
  scaleAndAdd(scaled(ahead, metres), aside, sideways);
