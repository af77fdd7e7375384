import type { Answer } from "../wire/messages.ts";
import type { Measured } from "./measuring.ts";

// Distances and areas between walls, to less than a voxel: the head is asked where the faces of the walls are.

type Point = readonly [number, number];
/** The face of a wall near a point, across a direction; null where it is not known to less than a voxel. */
export type FindFace = (
  point: Point,
  along: number,
) => Promise<{ readonly point: Point; readonly spread: number } | null>;

/** Metres: nearer ends have no direction along the floor. */
const LEVEL = 0.05;
/** Shares of the length of a side at which its wall is sought. The ends are left out: another wall meets there. */
const SOUGHT = [0.25, 0.5, 0.75] as const;
/** Metres: least error of a face. Faces of simulated walls were found to 0.3 cm (tests/map/wall-face). */
const LEAST = 0.005;
/** Least sine of the angle between two sides whose corner is moved to their intersection. */
const ANGLE = 0.35;

/** The answer of a head as a face. */
export const faceOf = (answer: Extract<Answer, { about: "wall" }>): Awaited<ReturnType<FindFace>> =>
  answer.point === null || answer.spread === null ? null : { point: answer.point, spread: answer.spread };

/**
 * What was measured, with its ends or sides on the faces of walls, and its error.
 * @param voxel metres: error of an end that is not found
 */
export function finer(measured: Measured, find: FindFace, voxel: number): Promise<Measured> {
  return measured.what === "distance"
    ? finerDistance(measured, find, voxel)
    : finerArea(measured, find, voxel);
}

/** Both ends lie on the faces that the line between them meets. */
async function finerDistance(measured: Measured, find: FindFace, voxel: number): Promise<Measured> {
  const [a, b] = measured.places as readonly [readonly number[], readonly number[]];
  const [dx, dy] = [b[0]! - a[0]!, b[1]! - a[1]!];
  if (Math.hypot(dx, dy) < LEVEL) return { ...measured, error: voxel * Math.SQRT2 };
  const along = Math.atan2(dy, dx);
  const faces = await Promise.all(
    measured.places.map((place, n) =>
      measured.onSide[n] ? find([place[0]!, place[1]!], along) : Promise.resolve(null),
    ),
  );
  return {
    ...measured,
    places: measured.places.map((place, n) => [...(faces[n]?.point ?? [place[0]!, place[1]!]), place[2]!]),
    error: Math.hypot(...faces.map((face) => (face === null ? voxel : Math.max(LEAST, face.spread)))),
  };
}

/** A line a x + b y = c with a unit normal, its length and its error, metres. */
interface Side {
  readonly a: number;
  readonly b: number;
  readonly c: number;
  readonly length: number;
  readonly error: number;
}

/** Each side moves onto the wall along it; corners are where sides meet. */
async function finerArea(measured: Measured, find: FindFace, voxel: number): Promise<Measured> {
  const { places, onSide } = measured;
  const count = places.length;
  const sides = await Promise.all(
    places.map((from, n) => {
      const to = places[(n + 1) % count]!;
      const isWall = onSide[n]! && onSide[(n + 1) % count]!;
      return finerSide([from, to], isWall ? find : null, voxel);
    }),
  );
  const corners = places.map((place, n) => {
    const [p, q] = [sides[(n + count - 1) % count]!, sides[n]!];
    const sine = p.a * q.b - p.b * q.a;
    const z = place[2]!;
    if (Math.abs(sine) >= ANGLE) return [(p.c * q.b - p.b * q.c) / sine, (p.a * q.c - p.c * q.a) / sine, z];
    const [x, y] = [place[0]!, place[1]!];
    const [offP, offQ] = [p, q].map(({ a, b, c }) => c - a * x - b * y) as [number, number];
    return [x + (offP * p.a + offQ * q.a) / 2, y + (offP * p.b + offQ * q.b) / 2, z];
  });
  // A side that is off by its error changes the area by that times its length.
  return {
    ...measured,
    places: corners,
    error: Math.hypot(...sides.map((side) => side.length * side.error)),
  };
}

/** @param find null: the side is not along a wall */
async function finerSide(
  [from, to]: readonly [readonly number[], readonly number[]],
  find: FindFace | null,
  voxel: number,
): Promise<Side> {
  const [x, y] = [from[0]!, from[1]!];
  const [dx, dy] = [to[0]! - x, to[1]! - y];
  const length = Math.hypot(dx, dy);
  const [a, b] = [-dy / length, dx / length];
  const still = a * x + b * y;
  if (find === null) return { a, b, c: still, length, error: voxel };
  const across = Math.atan2(b, a);
  const sought = SOUGHT.map((share) => find([x + share * dx, y + share * dy], across));
  const faces = (await Promise.all(sought)).filter((face) => face !== null);
  if (faces.length === 0) return { a, b, c: still, length, error: voxel };
  const ordered = faces
    .map(({ point, spread }) => ({ c: a * point[0] + b * point[1], error: Math.max(LEAST, spread) }))
    .sort((one, other) => one.c - other.c);
  return { a, b, length, ...ordered[ordered.length >> 1]! };
}
