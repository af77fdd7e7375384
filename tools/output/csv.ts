import type { Pose } from "../../src/geometry/optics.ts";

export interface StampedPose {
  /** Microseconds. */
  readonly time: number;
  readonly pose: Pose;
}

/**
 * A trajectory as CSV: time_us, position in metres, quaternion x, y, z, w; every digit that a double has.
 * @throws {RangeError} for a pose with a number that isn't finite
 */
export function encodeTrajectory(poses: Iterable<StampedPose>): string {
  const lines = ["time_us,x,y,z,qx,qy,qz,qw"];
  for (const { time, pose } of poses) {
    const numbers = [time, ...pose.position, ...pose.rotation];
    if (!numbers.every(Number.isFinite)) throw new RangeError(`pose at ${time} us: ${numbers.join(", ")}`);
    lines.push(numbers.join(","));
  }
  return `${lines.join("\n")}\n`;
}
