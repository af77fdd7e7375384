import type { Pose } from "../geometry/optics.ts";
import { planarOf } from "../geometry/rigid.ts";
import type { MotionKnown, Planar } from "./local-frame.ts";
import type { TrackState } from "./outputs.ts";
import type { PoseSources } from "./pose-sources.ts";
import type { Placed } from "./tracking.ts";

/**
 * Collects the known motion of the base at the time of a frame with a pose.
 * @param isGiven whether poses are given, and not tracked
 */
export function motionAt(
  time: number,
  { worldFromBase, state }: Placed,
  poses: PoseSources,
  isGiven: boolean,
): MotionKnown {
  return {
    time,
    wheels: isGiven ? null : poses.wheelsAt(time),
    heading: isGiven ? null : poses.headingAt(time),
    world: planar(worldFromBase),
    isHeld: state?.hold === "held",
    worldSigma: state === null ? 0 : placeSigma(state),
  };
}

function planar(pose: Pose): Planar {
  const [x, y, yaw] = planarOf(pose);
  return { x, y, yaw };
}

/** Metres, 1 sigma, of a point one metre from the base: errors of position and heading. */
const placeSigma = ({ covariance: [xx = 0, , , , yy = 0], yawSigma }: TrackState): number =>
  Math.sqrt(xx + yy + yawSigma * yawSigma);
