import type { Pose, Quat, Vec3 } from "../../src/geometry/optics.ts";
import type { Setup } from "../../src/sense/events.ts";

export const RADIANS = Math.PI / 180;

/** bodyFromOptical: optical x, y, z (right, down, forward) become body -y, -z, +x (ISO 8855 axes). */
const BODY_FROM_OPTICAL: Quat = [0.5, -0.5, 0.5, -0.5];

/** Hamilton product: `multiply(a, b)` applies b first. */
export function multiply(a: Quat, b: Quat): Quat {
  return [
    a[3] * b[0] + a[0] * b[3] + a[1] * b[2] - a[2] * b[1],
    a[3] * b[1] - a[0] * b[2] + a[1] * b[3] + a[2] * b[0],
    a[3] * b[2] + a[0] * b[1] - a[1] * b[0] + a[2] * b[3],
    a[3] * b[3] - a[0] * b[0] - a[1] * b[1] - a[2] * b[2],
  ];
}

export function rotate(q: Quat, v: Vec3): Vec3 {
  const [x, y, z] = multiply(multiply(q, [v[0], v[1], v[2], 0]), inverse(q));
  return [x, y, z];
}

export const inverse = (q: Quat): Quat => [-q[0], -q[1], -q[2], q[3]];

/** targetFromInner = targetFromMiddle * middleFromInner. */
export function compose(outer: Pose, inner: Pose): Pose {
  const [x, y, z] = rotate(outer.rotation, inner.position);
  const [px, py, pz] = outer.position;
  return { rotation: multiply(outer.rotation, inner.rotation), position: [x + px, y + py, z + pz] };
}

/** Yaw about z, then pitch about the new y (positive is nose down), then roll about the new x; radians. ISO 8855. */
export function fromAngles(yaw: number, pitch: number, roll: number): Quat {
  const about = (x: number, y: number, z: number, angle: number): Quat => {
    const s = Math.sin(angle / 2);
    return [x * s, y * s, z * s, Math.cos(angle / 2)];
  };
  return multiply(multiply(about(0, 0, 1, yaw), about(0, 1, 0, pitch)), about(1, 0, 0, roll));
}

/** The rotation of a lens frame whose optical axis is the x axis of a body turned by these angles. */
export const lensFromAngles = (yaw: number, pitch: number, roll: number): Quat =>
  multiply(fromAngles(yaw, pitch, roll), BODY_FROM_OPTICAL);

/** The quaternion of a rotation vector (axis times angle, radians). */
export function fromRotationVector(x: number, y: number, z: number): Quat {
  const angle = Math.hypot(x, y, z);
  const scale = angle < 1e-12 ? 0.5 : Math.sin(angle / 2) / angle;
  return [x * scale, y * scale, z * scale, Math.cos(angle / 2)];
}

/** The rotation vector of a unit quaternion, by the short way round. */
export function toRotationVector(q: Quat): Vec3 {
  const sign = q[3] < 0 ? -1 : 1;
  const sine = Math.hypot(q[0], q[1], q[2]);
  const scale = sine < 1e-12 ? 2 * sign : (sign * 2 * Math.atan2(sine, Math.abs(q[3]))) / sine;
  return [q[0] * scale, q[1] * scale, q[2] * scale];
}

/** worldFromLens of a sensor, for a base at `worldFromBase`. */
export function lensPose(setup: Setup, sensor: number, worldFromBase: Pose): Pose {
  const { mount } = setup.sensors[sensor]!;
  const worldFromMount = mount.on === "base" ? worldFromBase : compose(worldFromBase, setup.baseFromHead);
  return compose(worldFromMount, mount.pose);
}
