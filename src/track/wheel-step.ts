import { cosOf, sinOf, square } from "../geometry/elementary.ts";
import type { Pose, Quat, Vec3 } from "../geometry/optics.ts";
import { compose, invert, slerp, toYawPitchRoll, turn } from "../geometry/rigid.ts";
import { scaleAndAdd, scaled, subtract, wrapAngle } from "../geometry/vec.ts";

/**
 * 1 sigma, as shares of the way: of its length beyond the error of scale, of what goes sideways, and of what goes up. Chosen by hand; with
 * 2 % in place of 5 % accelerations had too little say along a corridor (0.21 m off after 10 m in place of 0.09).
 */
const AHEAD = 0.05;
const ASIDE = 0.015;
const UP = 0.02;
/** What goes sideways does so alike for about a second, in frames: so its variance counts that often. Chosen by hand. */
const ASIDE_FRAMES = 12;
/** Metres per radian, 1 sigma: how far beside the base's origin it may turn about. Chosen by hand. */
const PIVOT = 0.01;
/** Metres, 1 sigma: of any step; of one in which the wheels stand though something is felt; of one at rest. Chosen by hand. */
const LEAST = 0.0005;
const UNQUIET = 0.001;
const REST = 0.0001;
/** Metres, 1 sigma, up: the floor is uneven. */
const UNEVEN = 0.001;
/** A step below this, metres and radians, is none. */
const STILL = 1e-4;
const STILL_TURN = 1e-3;
/** A longer step, seconds, may have had bends that its ends do not show: metres aside per metre and radian. Chosen by hand. */
const LONG_STEP = 0.2;
const BENDS = 0.1;

/** What the wheels say of a step of the imu's point. */
export interface WheelStep {
  /** Unit, world: the base's axes half way. */
  readonly ahead: Vec3;
  readonly aside: Vec3;
  readonly up: Vec3;
  /** Metres along the first two. */
  readonly metres: number;
  readonly sideways: number;
  /** Metres, world: by how much more the imu's point moves than the base, since that turns. */
  readonly swing: Vec3;
  /** Radians by which the wheels turned the base, and by which the attitudes say that it turned. */
  readonly turned: number;
  readonly felt: number;
  /** Whether the wheels stood, and whether nothing was felt besides. */
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
  /** Metres, base: where the imu sits. */
  readonly lever: Vec3;
  readonly dt: number;
  /** Whether the imu is quiet. */
  readonly isQuiet: boolean;
}

export function wheelStep({ before, now, from, to, lever, dt, isQuiet }: WheelInput): WheelStep {
  const moved = compose(invert(before), now);
  const turned = toYawPitchRoll(moved.rotation)[0];
  const felt = wrapAngle(toYawPitchRoll(to)[0] - toYawPitchRoll(from)[0]);
  // An arc's chord lies along the heading half way.
  const [c, s] = [cosOf(turned / 2), sinOf(turned / 2)];
  const [x, y] = moved.position;
  const [metres, sideways] = [c * x + s * y, c * y - s * x];
  const half = slerp(from, to, 0.5);
  const isStill = Math.abs(metres) < STILL && Math.abs(turned) < STILL_TURN;
  const isCalm = isStill && isQuiet;
  const least = square(isCalm ? REST : isStill ? UNQUIET : LEAST);
  const bends = dt > LONG_STEP ? square(BENDS * metres * felt) : 0;
  return {
    ahead: turn(half, [1, 0, 0]),
    aside: turn(half, [0, 1, 0]),
    up: turn(half, [0, 0, 1]),
    metres,
    sideways,
    swing: subtract(turn(to, lever), turn(from, lever)),
    turned,
    felt,
    isStill,
    isCalm,
    aheadVariance: square(AHEAD * metres) + least + bends,
    asideVariance: ASIDE_FRAMES * square(ASIDE * metres) + square(PIVOT * turned) + least + bends,
    upVariance: square(UP * metres) + least + (isCalm ? 0 : square(UNEVEN)),
  };
}

/** The step of the base that wheels say, metres, world. */
export const stepOf = ({ ahead, aside, metres, sideways }: WheelStep): Vec3 =>
  scaleAndAdd(scaled(ahead, metres), aside, sideways);
