import type { Frame, LastFrame, TrackerSettings, TrackInput } from "./frame.ts";
import { InertialStep } from "./inertial-step.ts";

/** Share of the yaw's noise that remains where a gyro steadies the attitude. Chosen by hand. */
const STEADY_SHARE = 0.3;

/** The first frame, without a motion since an earlier one. */
export const firstFrame = (input: TrackInput, settings: TrackerSettings): Frame => ({
  input,
  settings,
  dt: 0,
  hasOdometry: false,
  isWheeled: false,
  isInertial: false,
  isSteadied: false,
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
  return {
    input,
    settings,
    dt,
    hasOdometry,
    isWheeled: hasOdometry && inertial !== null && !isLost,
    isInertial: settings.inertial === "used" && isCovered && !hasOdometry,
    isSteadied,
    yawNoise: isSteadied ? STEADY_SHARE * settings.yawSigma : settings.yawSigma,
    notes: [],
    turned: null,
  };
}
