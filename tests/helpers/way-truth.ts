import type { Footprint } from "../../src/guard/body.ts";
import { isSpot, type Piece, standAfter } from "../../src/way/pieces.ts";
import type { CellFloor } from "../../tools/lab/way/floor-plan.ts";

type Point = readonly [x: number, y: number];

/** Distance of a point from the segment a to b. */
function toSegment([px, py]: Point, [ax, ay]: Point, [bx, by]: Point): number {
  const [ex, ey] = [bx - ax, by - ay];
  const share = Math.min(1, Math.max(0, ((px - ax) * ex + (py - ay) * ey) / (ex * ex + ey * ey)));
  return Math.hypot(px - ax - share * ex, py - ay - share * ey);
}

const isInside = (polygon: readonly Point[], [x, y]: Point): boolean => {
  let sides = 0;
  polygon.forEach(([ax, ay], k) => {
    const [bx, by] = polygon[(k + 1) % polygon.length]!;
    sides += Math.sign((bx - ax) * (y - ay) - (by - ay) * (x - ax));
  });
  return Math.abs(sides) === polygon.length;
};

/** Distance between two convex polygons, 0 where they overlap: the least from a corner of one to a side of the other. */
function apart(a: readonly Point[], b: readonly Point[]): number {
  if (a.some((point) => isInside(b, point)) || b.some((point) => isInside(a, point))) return 0;
  const corners = (from: readonly Point[], to: readonly Point[]): number =>
    Math.min(
      ...from.flatMap((point) => to.map((side, k) => toSegment(point, side, to[(k + 1) % to.length]!))),
    );
  return Math.min(corners(a, b), corners(b, a));
}

/**
 * The least distance, metres up to `most`, between an outline that moves along pieces and the cells of a floor that are not firm, looked at
 * every centimetre and every two degrees.
 */
export function leastRoom(
  floor: CellFloor,
  footprint: Footprint,
  pieces: readonly Piece[],
  most: number,
): number {
  const { cellSize, cols, rows, firm } = floor;
  const radius = Math.max(...footprint.map(([x, y]) => Math.hypot(x, y))) + most;
  let least = most;
  for (const piece of pieces) {
    const step = isSpot(piece) ? 0.035 : 0.01;
    const count = Math.max(1, Math.ceil(Math.abs(piece.length) / step));
    for (let n = 0; n <= count; n++) {
      const { x, y, yaw } = standAfter(piece, (piece.length * n) / count);
      const [cos, sin] = [Math.cos(yaw), Math.sin(yaw)];
      const outline = footprint.map(([u, v]): Point => [x + u * cos - v * sin, y + u * sin + v * cos]);
      for (let r = Math.floor((y - radius) / cellSize); r <= (y + radius) / cellSize; r++) {
        for (let c = Math.floor((x - radius) / cellSize); c <= (x + radius) / cellSize; c++) {
          const isFirm = c >= 0 && r >= 0 && c < cols && r < rows && firm[r * cols + c] === 1;
          if (isFirm) continue;
          const [x0, y0, x1, y1] = [c, r, c + 1, r + 1].map((k) => k * cellSize) as [
            number,
            number,
            number,
            number,
          ];
          const nearX = Math.max(x0 - x, 0, x - x1);
          const nearY = Math.max(y0 - y, 0, y - y1);
          if (Math.hypot(nearX, nearY) >= radius - most + least) continue;
          least = Math.min(
            least,
            apart(outline, [
              [x0, y0],
              [x1, y0],
              [x1, y1],
              [x0, y1],
            ]),
          );
        }
      }
    }
  }
  return least;
}

/** Largest jump between the end of a piece and the start of the next: metres, and radians. */
export function largestJump(pieces: readonly Piece[]): { metres: number; radians: number } {
  let metres = 0;
  let radians = 0;
  for (let k = 1; k < pieces.length; k++) {
    const end = standAfter(pieces[k - 1]!, pieces[k - 1]!.length);
    const next = pieces[k]!;
    metres = Math.max(metres, Math.hypot(next.x - end.x, next.y - end.y));
    const turn = next.yaw - end.yaw;
    radians = Math.max(radians, Math.abs(Math.atan2(Math.sin(turn), Math.cos(turn))));
  }
  return { metres, radians };
}
