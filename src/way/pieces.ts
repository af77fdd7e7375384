import { cosOf, sinOf } from "../geometry/elementary.ts";

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
