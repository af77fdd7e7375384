import { mat3, mat4, quat, vec3 } from "gl-matrix";
import { asinOf, atan2Of, cosOf, hypot2, hypot3, lengthOf, sinOf } from "./elementary.ts";
import type { Pose, Quat, Vec3 } from "./optics.ts";
import { nearestToIdentity } from "./solve.ts";

// Everything here returns fresh arrays of plain numbers: gl-matrix writes into any indexed `out`, so nothing
// passes through its default Float32Array. These are for a few calls a frame; loops over pixels write out their own.

export const IDENTITY: Pose = { rotation: [0, 0, 0, 1], position: [0, 0, 0] };

/** Body axes (x forward, y left, z up; ISO 8855) from the axes of a lens that looks forward (x right, y down, z forward). */
export const OPTICAL_IN_BODY: Quat = [0.5, -0.5, 0.5, -0.5];

type Four = [number, number, number, number];
type Three = [number, number, number];

/** `a * b`: applies b first. Renormalised, so that long chains do not drift. */
export function multiply(a: Quat, b: Quat): Quat {
  const out: Four = [0, 0, 0, 1];
  quat.multiply(out, a, b);
  quat.normalize(out, out);
  return out;
}

export function conjugate(q: Quat): Quat {
  return [-q[0], -q[1], -q[2], q[3]];
}

/** Turns a direction: no translation. */
export function turn(q: Quat, v: Vec3): Vec3 {
  const out: Three = [0, 0, 0];
  vec3.transformQuat(out, v, q);
  return out;
}

/** `aFromC = compose(aFromB, bFromC)`. */
export function compose(a: Pose, b: Pose): Pose {
  return { rotation: multiply(a.rotation, b.rotation), position: transformPoint(a, b.position) };
}

/** `bFromA = invert(aFromB)`. */
export function invert(pose: Pose): Pose {
  const rotation = conjugate(pose.rotation);
  const [x, y, z] = turn(rotation, pose.position);
  return { rotation, position: [-x, -y, -z] };
}

export function transformPoint(pose: Pose, point: Vec3): Vec3 {
  const out: Three = [0, 0, 0];
  vec3.transformQuat(out, point, pose.rotation);
  vec3.add(out, out, pose.position);
  return out;
}

/** (16) column-major, as gl-matrix and WebGL have it: element (row, col) is `m[4 * col + row]`. */
export function toMatrix(pose: Pose): Float64Array {
  const out = new Float64Array(16);
  mat4.fromRotationTranslation(out, pose.rotation, pose.position);
  return out;
}

/** Writes the (9) row-major matrix of a unit quaternion. */
export function matrixInto(out: Float64Array, x: number, y: number, z: number, w: number): void {
  out[0] = 1 - 2 * (y * y + z * z);
  out[1] = 2 * (x * y - w * z);
  out[2] = 2 * (x * z + w * y);
  out[3] = 2 * (x * y + w * z);
  out[4] = 1 - 2 * (x * x + z * z);
  out[5] = 2 * (y * z - w * x);
  out[6] = 2 * (x * z - w * y);
  out[7] = 2 * (y * z + w * x);
  out[8] = 1 - 2 * (x * x + y * y);
}

/**
 * @param m (16) column-major
 * @throws {RangeError} if it is not a rigid transform: its axes off unit length or square by more than 1e-3, a mirror
 *         image, a last row other than 0 0 0 1, or a value that is not finite
 */
export function fromMatrix(m: ArrayLike<number>): Pose {
  if (m.length !== 16) throw new RangeError(`a 4x4 matrix has 16 values, got ${m.length}`);
  const at = (row: number, col: number) => m[4 * col + row]!;
  for (let i = 0; i < 3; i++) {
    for (let j = i; j < 3; j++) {
      const dot = at(0, i) * at(0, j) + at(1, i) * at(1, j) + at(2, i) * at(2, j);
      if (!(Math.abs(dot - (i === j ? 1 : 0)) <= 1e-3)) {
        throw new RangeError(`not a rigid transform: axes ${i} and ${j} have the product ${dot}`);
      }
    }
  }
  const r = mat3.fromMat4(new Float64Array(9), m as unknown as mat4);
  if (mat3.determinant(r) < 0) throw new RangeError("not a rigid transform: it mirrors");
  if (at(3, 0) !== 0 || at(3, 1) !== 0 || at(3, 2) !== 0 || at(3, 3) !== 1) {
    throw new RangeError("not a rigid transform: the last row is not 0 0 0 1");
  }
  const position: Vec3 = [at(0, 3), at(1, 3), at(2, 3)];
  if (!position.every(Number.isFinite)) throw new RangeError(`not a rigid transform: position ${position}`);
  const rotation: Four = [0, 0, 0, 1];
  quat.fromMat3(rotation, r);
  return { rotation: normalizeRotation(rotation), position };
}

/**
 * A unit quaternion from one that came from outside.
 * @param tolerance how far its length may be from 1; by default only zero and what is not finite are refused
 * @throws {RangeError} naming the quaternion
 */
export function normalizeRotation(q: ArrayLike<number>, tolerance = 1): Quat {
  const [x, y, z, w] = [q[0] ?? Number.NaN, q[1] ?? Number.NaN, q[2] ?? Number.NaN, q[3] ?? Number.NaN];
  const norm = lengthOf([x, y, z, w]);
  if (!(norm > 1e-12 && Number.isFinite(norm) && (tolerance >= 1 || Math.abs(norm - 1) <= tolerance))) {
    throw new RangeError(`quaternion [${[x, y, z, w]}] has length ${norm}, not 1`);
  }
  return [x / norm, y / norm, z / norm, w / norm];
}

/** From a at t = 0 to b at t = 1 at constant rate, the short way round. Source: Shoemake 1985. */
export function slerp(a: Quat, b: Quat, t: number): Quat {
  const out: Four = [0, 0, 0, 1];
  slerpInto(out, [...a, ...b], 0, 4, t);
  return out;
}

/**
 * `slerp` without allocation, between the rotations at two places of an array.
 * @param out  (4) receives the rotation
 * @param q    quaternions one after the other
 * @param from where the one for t = 0 begins, and `to` that for t = 1
 */
export function slerpInto(
  out: Four | Float64Array,
  q: ArrayLike<number>,
  from: number,
  to: number,
  t: number,
): void {
  const [ax, ay, az, aw] = [q[from]!, q[from + 1]!, q[from + 2]!, q[from + 3]!];
  const [bx, by, bz, bw] = [q[to]!, q[to + 1]!, q[to + 2]!, q[to + 3]!];
  // Half the angle between them from sums and differences: exact for small angles, where acos of a dot is not.
  const sign = ax * bx + ay * by + az * bz + aw * bw < 0 ? -1 : 1;
  const apart = lengthOf([ax - sign * bx, ay - sign * by, az - sign * bz, aw - sign * bw]);
  const together = lengthOf([ax + sign * bx, ay + sign * by, az + sign * bz, aw + sign * bw]);
  const angle = 2 * atan2Of(apart, together);
  const sine = sinOf(angle);
  const u = sine < 1e-9 ? 1 - t : sinOf((1 - t) * angle) / sine;
  const v = sign * (sine < 1e-9 ? t : sinOf(t * angle) / sine);
  const [x, y, z, w] = [u * ax + v * bx, u * ay + v * by, u * az + v * bz, u * aw + v * bw];
  const norm = lengthOf([x, y, z, w]);
  if (!(norm > 1e-12 && norm < Number.POSITIVE_INFINITY)) {
    throw new RangeError(`no rotation lies between [${[ax, ay, az, aw]}] and [${[bx, by, bz, bw]}]`);
  }
  out[0] = x / norm;
  out[1] = y / norm;
  out[2] = z / norm;
  out[3] = w / norm;
}

/** Straight in position, `slerp` in rotation. */
export function interpolate(a: Pose, b: Pose, t: number): Pose {
  const [p, q] = [a.position, b.position];
  return {
    rotation: slerp(a.rotation, b.rotation, t),
    position: [p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1]), p[2] + t * (q[2] - p[2])],
  };
}

/** The rotation by |v| radians about v (exponential map). */
export function fromRotationVector(v: Vec3): Quat {
  const angle = hypot3(v[0], v[1], v[2]);
  const k = angle < 1e-6 ? 0.5 - (angle * angle) / 48 : sinOf(angle / 2) / angle;
  return normalizeRotation([k * v[0], k * v[1], k * v[2], cosOf(angle / 2)]);
}

/** Axis times angle, the angle 0 to pi (logarithm). */
export function toRotationVector(q: Quat): Vec3 {
  const sign = q[3] < 0 ? -1 : 1;
  const sine = hypot3(q[0], q[1], q[2]);
  const k = sine < 1e-12 ? 2 * sign : (2 * sign * atan2Of(sine, Math.abs(q[3]))) / sine;
  return [k * q[0], k * q[1], k * q[2]];
}

/** Yaw about z, then pitch about the new y, then roll about the new x (ISO 8855). With y left, positive pitch is nose down. */
export function fromYawPitchRoll(yaw: number, pitch: number, roll: number): Quat {
  const [cy, sy] = [cosOf(yaw / 2), sinOf(yaw / 2)];
  const [cp, sp] = [cosOf(pitch / 2), sinOf(pitch / 2)];
  const [cr, sr] = [cosOf(roll / 2), sinOf(roll / 2)];
  return [
    cy * cp * sr - sy * sp * cr,
    cy * sp * cr + sy * cp * sr,
    sy * cp * cr - cy * sp * sr,
    cy * cp * cr + sy * sp * sr,
  ];
}

/** [yaw, pitch, roll] of `fromYawPitchRoll`. Within 1e-6 of straight up or down, where yaw and roll turn alike, roll is 0. */
export function toYawPitchRoll([x, y, z, w]: Quat): Vec3 {
  const sine = Math.min(1, Math.max(-1, 2 * (w * y - x * z)));
  const level = hypot2(1 - 2 * (y * y + z * z), 2 * (x * y + w * z)); // cosine of pitch
  if (level < 1e-6) return [atan2Of(-2 * (x * y - w * z), 1 - 2 * (x * x + z * z)), asinOf(sine), 0];
  return [
    atan2Of(2 * (x * y + w * z), 1 - 2 * (y * y + z * z)),
    atan2Of(sine, level), // asin would lose half the digits near 90 degrees
    atan2Of(2 * (y * z + w * x), 1 - 2 * (x * x + y * y)),
  ];
}

/** x, y and heading of a pose. */
export function planarOf({ rotation, position }: Pose): readonly [x: number, y: number, yaw: number] {
  return [position[0], position[1], toYawPitchRoll(rotation)[0]];
}

/** Radians, 0 to pi; finite for quaternions that are a rounding error longer than 1. */
export function angleBetween(a: Quat, b: Quat): number {
  return lengthOf(toRotationVector(multiply(conjugate(a), b)));
}

/**
 * The rotation with the least sum of squared chordal distances to `rotations`.
 * @throws {RangeError} if there is none
 * Source: Markley, Cheng, Crassidis & Oshman 2007, Averaging quaternions.
 */
export function meanRotation(rotations: readonly Quat[]): Quat {
  if (rotations.length === 0) throw new RangeError("no rotations to average");
  const k = new Float64Array(16);
  for (const q of rotations) {
    for (let i = 0; i < 4; i++) for (let j = 0; j < 4; j++) k[4 * i + j]! += q[i]! * q[j]!;
  }
  return nearestToIdentity(k);
}
