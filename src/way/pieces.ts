import { atan2Of, cosOf, hypot2, sinOf } from "../geometry/elementary.ts";
import { wrapAngle } from "../geometry/vec.ts";

/** A place and heading on the floor, world: metres, radians. */
export interface Stand {
  readonly x: number;
  readonly y: number;
  readonly yaw: number;
}

/** A part of a way with one curvature, from a place. */
export interface Piece extends Stand {
  /** 1/m, positive to the left; Infinity turns on the spot. */
  readonly curvature: number;
  /** Metres, negative backwards; on the spot radians, positive to the left. */
  readonly length: number;
}

export const isSpot = ({ curvature }: Piece): boolean => curvature === Number.POSITIVE_INFINITY;

/** The place after `s` of a piece, in its unit and with its sign. */
export function standAfter({ x, y, yaw, curvature }: Piece, s: number): Stand {
  if (curvature === Number.POSITIVE_INFINITY) return { x, y, yaw: yaw + s };
  if (curvature === 0) return { x: x + s * cosOf(yaw), y: y + s * sinOf(yaw), yaw };
  const turned = curvature * s;
  const chord = (2 * sinOf(turned / 2)) / curvature;
  const mean = yaw + turned / 2;
  return { x: x + chord * cosOf(mean), y: y + chord * sinOf(mean), yaw: yaw + turned };
}

export const endOf = (piece: Piece): Stand => standAfter(piece, piece.length);

/** Metres of all pieces, without turns on the spot. */
export function lengthOf(pieces: readonly Piece[]): number {
  let sum = 0;
  for (const piece of pieces) if (!isSpot(piece)) sum += Math.abs(piece.length);
  return sum;
}

/** Beyond these errors, metres and radians, the base is off its way. Chosen by hand: little more than the margin beside the outline. */
export const OFF_PLACE = 0.1;
export const OFF_HEADING = 0.6;

export interface Errors {
  /** Done of the piece, in its unit. */
  readonly along: number;
  /** Metres to the left of the piece as it is driven, and radians of heading to the left of it. */
  readonly beside: number;
  readonly heading: number;
}

/** Where a base is against a piece. */
export function errorsAt(piece: Piece, { x, y, yaw }: Stand): Errors {
  const { curvature, length } = piece;
  const sign = length > 0 ? 1 : -1;
  if (curvature === Number.POSITIVE_INFINITY) {
    const left = wrapAngle(piece.yaw + length - yaw);
    return { along: Math.abs(length) - sign * left, beside: hypot2(x - piece.x, y - piece.y), heading: 0 };
  }
  const [cos, sin] = [cosOf(piece.yaw), sinOf(piece.yaw)];
  const [dx, dy] = [x - piece.x, y - piece.y];
  if (curvature === 0) {
    const along = sign * (cos * dx + sin * dy);
    return { along, beside: sign * (cos * dy - sin * dx), heading: wrapAngle(yaw - piece.yaw) };
  }
  // The arc's middle lies 1 / curvature to the left of its start.
  const radius = 1 / curvature;
  const [mx, my] = [dx + sin * radius, dy - cos * radius];
  const turned = wrapAngle(atan2Of(my, mx) - (piece.yaw - Math.sign(curvature) * (Math.PI / 2)));
  const along = sign * turned * radius;
  const beside = sign * Math.sign(curvature) * (Math.abs(radius) - hypot2(mx, my));
  return { along, beside, heading: wrapAngle(yaw - standAfter(piece, turned * radius).yaw) };
}
