import { atan2Of, cosOf, lengthOf, sinOf } from "../geometry/elementary.ts";
import type { Pose, Quat } from "../geometry/optics.ts";
import { matrixInto } from "../geometry/rigid.ts";

/** Where the lens is, worldFromLens, as the loops over samples need it. */
export interface Placement {
  /** (9) row-major. */
  readonly rotation: Float64Array;
  /** (3) metres. */
  readonly position: Float64Array;
}

/** A placement of zeros, to be set. */
export function placement(): Placement {
  return { rotation: new Float64Array(9), position: new Float64Array(3) };
}

/** Writes a pose as rotation matrix and position. */
export function setPlacement(out: Placement, { rotation: [x, y, z, w], position }: Pose): void {
  matrixInto(out.rotation, x, y, z, w);
  out.position.set(position);
}

/** The pose of a rotation matrix and position. Source: Shepperd 1978, the largest component first. */
export function poseOf({ rotation: R, position }: Placement): Pose {
  const [a, b, c] = [R[0]!, R[4]!, R[8]!];
  let q: Quat;
  if (a + b + c > 0) {
    const s = 2 * Math.sqrt(1 + a + b + c);
    q = [(R[7]! - R[5]!) / s, (R[2]! - R[6]!) / s, (R[3]! - R[1]!) / s, s / 4];
  } else if (a > b && a > c) {
    const s = 2 * Math.sqrt(1 + a - b - c);
    q = [s / 4, (R[1]! + R[3]!) / s, (R[2]! + R[6]!) / s, (R[7]! - R[5]!) / s];
  } else if (b > c) {
    const s = 2 * Math.sqrt(1 + b - a - c);
    q = [(R[1]! + R[3]!) / s, s / 4, (R[5]! + R[7]!) / s, (R[2]! - R[6]!) / s];
  } else {
    const s = 2 * Math.sqrt(1 + c - a - b);
    q = [(R[2]! + R[6]!) / s, (R[5]! + R[7]!) / s, s / 4, (R[3]! - R[1]!) / s];
  }
  const norm = lengthOf(q);
  return {
    rotation: [q[0] / norm, q[1] / norm, q[2] / norm, q[3] / norm],
    position: [position[0]!, position[1]!, position[2]!],
  };
}

/** The rotation vector w with `turned = exp(w) * from`, for rotations less than half a turn apart. */
export function rotationBetween(out: Float64Array, from: Float64Array, turned: Float64Array): void {
  // M = turned * from^T
  const at = (i: number, j: number) =>
    turned[3 * i]! * from[3 * j]! +
    turned[3 * i + 1]! * from[3 * j + 1]! +
    turned[3 * i + 2]! * from[3 * j + 2]!;
  const x = at(2, 1) - at(1, 2);
  const y = at(0, 2) - at(2, 0);
  const z = at(1, 0) - at(0, 1);
  const sine = Math.sqrt(x * x + y * y + z * z) / 2;
  const cosine = (at(0, 0) + at(1, 1) + at(2, 2) - 1) / 2;
  const angle = atan2Of(sine, cosine);
  const k = sine < 1e-9 ? 0.5 : angle / (2 * sine);
  out[0] = k * x;
  out[1] = k * y;
  out[2] = k * z;
}

const kept = new Float64Array(9);

/** rotation = exp([x, y, z]) * rotation, kept orthonormal. Source: Rodrigues' formula. */
export function turnBy(rotation: Float64Array, x: number, y: number, z: number): void {
  const angle = Math.sqrt(x * x + y * y + z * z);
  const s = angle < 1e-6 ? 1 : sinOf(angle) / angle;
  const c = angle < 1e-6 ? 0.5 : (1 - cosOf(angle)) / (angle * angle);
  kept.set(rotation);
  for (let j = 0; j < 3; j++) {
    const a = kept[j]!;
    const b = kept[3 + j]!;
    const d = kept[6 + j]!;
    rotation[j] = a + (c * x * y - s * z) * b + (c * x * z + s * y) * d - c * (y * y + z * z) * a;
    rotation[3 + j] = b + (c * x * y + s * z) * a + (c * y * z - s * x) * d - c * (x * x + z * z) * b;
    rotation[6 + j] = d + (c * x * z - s * y) * a + (c * y * z + s * x) * b - c * (x * x + y * y) * d;
  }
  orthonormalise(rotation);
}

/** Makes the rows orthonormal again (Gram-Schmidt): rounding errors would add up over many frames. */
function orthonormalise(R: Float64Array): void {
  let norm = 1 / Math.sqrt(R[0]! * R[0]! + R[1]! * R[1]! + R[2]! * R[2]!);
  R[0]! *= norm;
  R[1]! *= norm;
  R[2]! *= norm;
  const dot = R[0]! * R[3]! + R[1]! * R[4]! + R[2]! * R[5]!;
  R[3]! -= dot * R[0]!;
  R[4]! -= dot * R[1]!;
  R[5]! -= dot * R[2]!;
  norm = 1 / Math.sqrt(R[3]! * R[3]! + R[4]! * R[4]! + R[5]! * R[5]!);
  R[3]! *= norm;
  R[4]! *= norm;
  R[5]! *= norm;
  R[6] = R[1]! * R[5]! - R[2]! * R[4]!;
  R[7] = R[2]! * R[3]! - R[0]! * R[5]!;
  R[8] = R[0]! * R[4]! - R[1]! * R[3]!;
}
