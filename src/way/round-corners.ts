import { cosOf, hypot2, sinOf, tanOf } from "../geometry/elementary.ts";
import { wrapAngle } from "../geometry/vec.ts";
import { CURVATURES } from "../terms/safety.ts";
import type { Piece, Stand } from "./pieces.ts";
import type { Room } from "./room.ts";
import { type Corners, legHeading } from "./shorten.ts";

/** Radii of rounded corners, metres, widest first. The last is the sharpest arc for which a head gives a pace. */
const RADII = [2, 1, 1 / Math.max(...CURVATURES)] as const;
/** Metres by which a corner may move outwards, so that its arc passes where the corner was. Chosen by hand. */
const MOST_PUSH = 0.05;
/** Turns of less than this, radians, are none. */
const NO_TURN = 1e-4;

interface Arc {
  readonly radius: number;
  /** Metres from the corner to where the arc begins and ends. */
  readonly tangent: number;
}

/**
 * Makes a way of straight legs and arcs; a corner without room for an arc becomes a turn on the spot. Corners may move a little.
 * @param yaw heading at the start; null where it is free to choose
 */
export function roundCorners(room: Room, sharp: Corners, yaw: number | null): Piece[] {
  const corners = pushed(room, [...sharp]);
  return piecesAlong(corners, yaw, (k, before) => arcAt(room, corners, k, before));
}

/** The same with a turn on the spot at each corner. */
export const turnAtCorners = (corners: Corners, yaw: number | null): Piece[] =>
  piecesAlong(corners, yaw, () => null);

function piecesAlong(
  corners: Corners,
  yaw: number | null,
  arcOf: (k: number, before: number) => Arc | null,
): Piece[] {
  const last = corners.length / 2 - 1;
  const pieces: Piece[] = [];
  let heading = yaw;
  let [x, y] = [corners[0]!, corners[1]!];
  for (let k = 1; k <= last; k++) {
    const next = legHeading(corners, k - 1);
    if (heading !== null) addTurn(pieces, { x, y, yaw: heading }, next);
    heading = next;
    const [bx, by] = [corners[2 * k]!, corners[2 * k + 1]!];
    const far = hypot2(bx - x, by - y);
    const arc = k < last ? arcOf(k, far) : null;
    const length = far - (arc?.tangent ?? 0);
    if (length > 1e-9) pieces.push({ x, y, yaw: heading, curvature: 0, length });
    [x, y] = [bx, by];
    if (arc === null) continue;
    const turn = wrapAngle(legHeading(corners, k) - heading);
    pieces.push(arcFrom({ bx, by, heading, turn }, arc));
    heading += turn;
    [x, y] = [bx + arc.tangent * cosOf(heading), by + arc.tangent * sinOf(heading)];
  }
  return pieces;
}

/** Adds a turn on the spot, the shorter way round. */
export function addTurn(pieces: Piece[], at: Stand, to: number): void {
  const length = wrapAngle(to - at.yaw);
  if (Math.abs(length) >= NO_TURN) pieces.push({ ...at, curvature: Number.POSITIVE_INFINITY, length });
}

interface Corner {
  readonly bx: number;
  readonly by: number;
  /** Radians: heading before the corner, and by how much it changes. */
  readonly heading: number;
  readonly turn: number;
}

const arcFrom = ({ bx, by, heading, turn }: Corner, { radius, tangent }: Arc): Piece => ({
  x: bx - tangent * cosOf(heading),
  y: by - tangent * sinOf(heading),
  yaw: heading,
  curvature: Math.sign(turn) / radius,
  length: Math.abs(turn) * radius,
});

function cornerAt(corners: Corners, k: number): Corner {
  const heading = legHeading(corners, k - 1);
  return {
    bx: corners[2 * k]!,
    by: corners[2 * k + 1]!,
    heading,
    turn: wrapAngle(legHeading(corners, k) - heading),
  };
}

/** The widest arc that has room at a corner. @param before metres of the leg that leads to the corner which are left */
function arcAt(room: Room, corners: Corners, k: number, before: number): Arc | null {
  const corner = cornerAt(corners, k);
  if (Math.abs(corner.turn) < NO_TURN || Math.abs(corner.turn) > 0.9 * Math.PI) return null;
  const leg = hypot2(corners[2 * k + 2]! - corner.bx, corners[2 * k + 3]! - corner.by);
  // The next corner needs its half of the leg between.
  const after = k + 1 === corners.length / 2 - 1 ? leg : leg / 2;
  for (const radius of RADII) {
    const tangent = radius * tanOf(Math.abs(corner.turn) / 2);
    if (tangent > Math.min(before, after)) continue;
    const arc = { radius, tangent };
    if (room.isPieceFree(arcFrom(corner, arc))) return arc;
  }
  return null;
}

/** Moves corners outwards a little where this makes room for an arc. */
function pushed(room: Room, corners: number[]): number[] {
  for (let k = 1; k < corners.length / 2 - 1; k++) {
    const before =
      hypot2(corners[2 * k]! - corners[2 * k - 2]!, corners[2 * k + 1]! - corners[2 * k - 1]!) / 2;
    if (arcAt(room, corners, k, before) !== null) continue;
    const { bx, by, heading, turn } = cornerAt(corners, k);
    const outward = heading + turn / 2 - (Math.sign(turn) * Math.PI) / 2;
    for (const radius of RADII) {
      const push = radius * (1 / cosOf(turn / 2) - 1);
      if (push > MOST_PUSH) continue;
      corners[2 * k] = bx + push * cosOf(outward);
      corners[2 * k + 1] = by + push * sinOf(outward);
      if (areLegsFree(room, corners, k) && arcAt(room, corners, k, before) !== null) break;
      corners[2 * k] = bx;
      corners[2 * k + 1] = by;
    }
  }
  return corners;
}

function areLegsFree(room: Room, corners: Corners, k: number): boolean {
  const [ax = 0, ay = 0, bx = 0, by = 0, cx = 0, cy = 0] = corners.slice(2 * k - 2, 2 * k + 4);
  return room.isLineFree(ax, ay, bx, by) && room.isLineFree(bx, by, cx, cy);
}
