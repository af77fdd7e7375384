import { hypot3, lengthOf } from "./elementary.ts";
import type { Vec3 } from "./optics.ts";

export const add = (a: Vec3, b: Vec3): Vec3 => [a[0] + b[0], a[1] + b[1], a[2] + b[2]];

export const subtract = (a: Vec3, b: Vec3): Vec3 => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];

/** a + k b. */
export const scaleAndAdd = (a: Vec3, b: Vec3, k: number): Vec3 => [
  a[0] + k * b[0],
  a[1] + k * b[1],
  a[2] + k * b[2],
];

export const scaled = (a: Vec3, k: number): Vec3 => [k * a[0], k * a[1], k * a[2]];

/** a + k (b - a). */
export const mix = (a: Vec3, b: Vec3, k: number): Vec3 => [
  a[0] + k * (b[0] - a[0]),
  a[1] + k * (b[1] - a[1]),
  a[2] + k * (b[2] - a[2]),
];

/** The largest of the three absolute values. */
export const largest = (a: Vec3): number => Math.max(Math.abs(a[0]), Math.abs(a[1]), Math.abs(a[2]));

export const dot = (a: Vec3, b: Vec3): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];

export const cross = (a: Vec3, b: Vec3): Vec3 => [
  a[1] * b[2] - a[2] * b[1],
  a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0],
];

export const distance = (a: Vec3, b: Vec3): number => hypot3(a[0] - b[0], a[1] - b[1], a[2] - b[2]);

/** Of length 1; null for what has no direction. */
export function unit(v: Vec3): Vec3 | null {
  const norm = lengthOf(v);
  return norm > 1e-9 ? scaled(v, 1 / norm) : null;
}

/** The same angle within half a turn of 0, radians. */
export const wrapAngle = (angle: number): number => angle - 2 * Math.PI * Math.round(angle / (2 * Math.PI));
