import type { Pose, Quat } from "../geometry/optics.ts";
import { compose, fromYawPitchRoll, multiply, OPTICAL_IN_BODY } from "../geometry/rigid.ts";
import type { Setup } from "../sense/events.ts";

export const RADIANS = Math.PI / 180;

/** The rotation of a lens frame whose optical axis is the x axis of a body turned by these angles (radians). */
export const lensFromAngles = (yaw: number, pitch: number, roll: number): Quat =>
  multiply(fromYawPitchRoll(yaw, pitch, roll), OPTICAL_IN_BODY);

/** worldFromLens of a sensor, for a base at `worldFromBase`. */
export function lensPose(setup: Setup, sensor: number, worldFromBase: Pose): Pose {
  const { mount } = setup.sensors[sensor]!;
  const worldFromMount = mount.on === "base" ? worldFromBase : compose(worldFromBase, setup.baseFromHead);
  return compose(worldFromMount, mount.pose);
}
