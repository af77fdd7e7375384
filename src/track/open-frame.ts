import type { Frame, LastFrame, TrackerSettings, TrackInput } from "./frame.ts";
import { InertialStep } from "./inertial-step.ts";

/** Share of the yaw's noise that is left where a gyro steadies the attitude. Chosen by hand. */
const STEADY_SHARE = 0.3;

/** The first frame: nothing is known of a motion since the frame before. */
export const firstFrame = (input: TrackInput, settings: TrackerSettings): Frame => ({
  input,
  settings,
  dt: 0,
  hasOdometry: false,
  isWheeled: false,
  isFelt: false,
  isSteadied: false,
  yawNoise: settings.yawSigma,
  notes: [],
  turned: null,
});

/** Any later frame: decides which sensors may say how the base moved since the frame before. */
export function nextFrame(args: {
  readonly input: TrackInput;
  readonly settings: TrackerSettings;
  /** Seconds since the frame before. */
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
    isFelt: settings.inertial === "used" && isCovered && !hasOdometry,
    isSteadied,
    yawNoise: isSteadied ? STEADY_SHARE * settings.yawSigma : settings.yawSigma,
    notes: [],
    turned: null,
  };
}
