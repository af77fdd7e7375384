import { cosOf, hypot2, sinOf, tanOf } from "../geometry/elementary.ts";
import { wrapAngle } from "../geometry/vec.ts";
import { endOf, type Piece, type Stand } from "./pieces.ts";

/** Largest turn of one bend, radians: sharper ones need long tangents. Chosen by hand. */
const SHARPEST_BEND = 1.2;
/** Lengths below this, metres, are none. */
const NOTHING = 1e-9;

/**
 * The drive ahead from one place to another by a straight leg, an arc of at least the radius, and a straight leg; null where there is none.
 * The arc is as wide as the legs permit. It touches both legs at the same distance from where they meet.
 */
export function bend(from: Stand, to: Stand, radius: number): Piece[] | null {
  const turn = wrapAngle(to.yaw - from.yaw);
  const [dx, dy] = [to.x - from.x, to.y - from.y];
  const [ux, uy] = [cosOf(from.yaw), sinOf(from.yaw)];
  if (Math.abs(turn) < 1e-6) {
    const along = ux * dx + uy * dy;
    const beside = ux * dy - uy * dx;
    if (along < 0 || Math.abs(beside) > 1e-6) return null;
    return along < NOTHING ? [] : [{ ...from, curvature: 0, length: along }];
  }
  if (Math.abs(turn) > SHARPEST_BEND) return null;
  const [vx, vy] = [cosOf(to.yaw), sinOf(to.yaw)];
  const across = ux * vy - uy * vx;
  const first = (dx * vy - dy * vx) / across;
  const second = (ux * dy - uy * dx) / across;
  const half = tanOf(Math.abs(turn) / 2);
  const tangent = Math.min(first, second);
  if (tangent < radius * half - NOTHING) return null;
  const wide = tangent / half;
  const pieces: Piece[] = [];
  let at: Stand = from;
  const add = (curvature: number, length: number): void => {
    if (length < NOTHING) return;
    const piece = { ...at, curvature, length };
    pieces.push(piece);
    at = endOf(piece);
  };
  add(0, first - tangent);
  add(Math.sign(turn) / wide, Math.abs(turn) * wide);
  add(0, second - tangent);
  return pieces;
}

/** The same drive backwards: from its end to its start. */
export const drivenBack = (pieces: readonly Piece[]): Piece[] =>
  pieces.toReversed().map((piece) => ({ ...piece, ...endOf(piece), length: -piece.length }));

/** The same curve with the other end of the body ahead. */
export const turnedAbout = (pieces: readonly Piece[]): Piece[] =>
  pieces.map((piece) => ({
    ...piece,
    yaw: piece.yaw + Math.PI,
    curvature: piece.curvature === 0 ? 0 : -piece.curvature,
    length: -piece.length,
  }));

/** Metres of the legs of a bend up to where they meet: more than its length, and what a way of straight steps would take. */
export function legsOf(from: Stand, to: Stand, pieces: readonly Piece[]): number {
  const arc = pieces.find(({ curvature }) => curvature !== 0);
  const straight = pieces.reduce((sum, { curvature, length }) => sum + (curvature === 0 ? length : 0), 0);
  if (arc === undefined) return hypot2(to.x - from.x, to.y - from.y);
  return straight + (2 / Math.abs(arc.curvature)) * tanOf((arc.length * Math.abs(arc.curvature)) / 2);
}
