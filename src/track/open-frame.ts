import { wrapAngle } from "../geometry/vec.ts";
import type { Frame, LastFrame, TrackerSettings, TrackInput } from "./frame.ts";
import { yawBetween } from "./heading.ts";
import { InertialStep } from "./inertial-step.ts";

/** Share of the yaw's noise that remains where a gyro steadies the attitude. Chosen by hand. */
const STEADY_SHARE = 0.3;

/** Radians, and share of the turn: the most that the turns of one frame by wheels and by the orientation sensor differ. Chosen by hand. */
const SAME_TURN = (1 * Math.PI) / 180;
const SAME_TURN_SHARE = 0.2;

/**
 * Radians, and rad/s over the time between two frames: a larger difference between them is a jump of the sensor's yaw. Slip in a turn differs by
 * less, and a person who lifts a base seldom turns it so fast. Chosen by hand.
 */
const JUMP_APART = (12 * Math.PI) / 180;
const JUMP_RATE = 2;

/** The first frame, without a motion since an earlier one. */
export const firstFrame = (input: TrackInput, settings: TrackerSettings): Frame => ({
  input,
  settings,
  dt: 0,
  hasOdometry: false,
  isWheeled: false,
  isInertial: false,
  isSteadied: false,
  isTurnConfirmed: false,
  yawJump: 0,
  yawNoise: settings.yawSigma,
  notes: [],
  turned: null,
});

/** Any later frame. Decides which sensors measure the motion since the last frame. */
export function nextFrame(args: {
  readonly input: TrackInput;
  readonly settings: TrackerSettings;
  /** Seconds since the last frame. */
  readonly dt: number;
  readonly last: LastFrame;
  readonly isLost: boolean;
}): Frame {
  const { input, settings, dt, last, isLost } = args;
  const { odometry, inertial = null } = input;
  const hasOdometry = odometry !== null && last.odometry !== null;
  const isCovered = inertial !== null && InertialStep.covers(inertial, dt) && !isLost;
  const isSteadied = isCovered && inertial.isSteady;
  const sensed = last.attitude === null ? Number.NaN : yawBetween(last.attitude, input.attitude);
  const apart =
    hasOdometry && !isLost
      ? wrapAngle(sensed - yawBetween(last.odometry!.rotation, odometry.rotation))
      : Number.NaN;
  return {
    input,
    settings,
    dt,
    hasOdometry,
    isWheeled: hasOdometry && inertial !== null && !isLost,
    isInertial: settings.inertial === "used" && isCovered && !hasOdometry,
    isSteadied,
    isTurnConfirmed: isSteadied || Math.abs(apart) < SAME_TURN + SAME_TURN_SHARE * Math.abs(sensed),
    yawJump: !isSteadied && Math.abs(apart) > JUMP_APART + JUMP_RATE * dt ? apart : 0,
    yawNoise: isSteadied ? STEADY_SHARE * settings.yawSigma : settings.yawSigma,
    notes: [],
    turned: null,
  };
}
