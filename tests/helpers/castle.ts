import { existsSync, readFileSync } from "node:fs";
import { openDepthFolder } from "../../tools/import/depth.ts";
import type { ImportSource } from "../../tools/import/source.ts";

/** Where Debian's visp-images-data (GPL-2) puts a rendered model castle; read there, never copied. */
const FOLDER = "/usr/share/visp-images-data/ViSP-images/mbt-depth/Castle-simu";

/** For `testWith`. */
export const castleNeed = (): string | null =>
  existsSync(FOLDER) ? null : "the castle data set; apt-get install visp-images-data";

/** The 40 depth frames with poses of the depth camera, in the model's own frame (metres). */
export function castleFrames(): ImportSource {
  return openDepthFolder({
    folder: `${FOLDER}/Depth`,
    format: { kind: "raw" },
    pattern: "Depth_{n}.bin",
    // Config/chateau_depth.xml of the data set.
    lens: { fx: 700, fy: 700, cx: 320, cy: 240 },
    unit: 1 / 32767,
    maxRange: 0.99,
    poses: {
      path: `${FOLDER}/CameraPose/Camera_{n}.txt`,
      direction: "world-to-camera",
      // The poses are the colour camera's; the depth camera sits 50 mm to its right.
      lensShift: [0.05, 0, 0],
      up: "z",
    },
  });
}

/**
 * Corners of all triangles of the model, 9 numbers each. They are the face sets of Models/chateau.wrl, whose coordinates
 * are the model's own frame already.
 */
export function castleTriangles(): Float64Array {
  // A line that begins with # is a comment; some hold faces that the model leaves out.
  const text = readFileSync(`${FOLDER}/Models/chateau.wrl`, "utf8").replace(/#.*$/gm, "");
  const out: number[] = [];
  for (const [, points, faces] of text.matchAll(/point\s*\[([^\]]*)\][\s\S]*?coordIndex\s*\[([^\]]*)\]/g)) {
    const corners = points!.match(/-?[\d.]+(?:e-?\d+)?/g)!.map(Number);
    for (const face of faces!.split("-1")) {
      const ids = face.match(/\d+/g)?.map(Number) ?? [];
      for (let k = 2; k < ids.length; k++) {
        for (const id of [ids[0]!, ids[k - 1]!, ids[k]!]) out.push(...corners.slice(3 * id, 3 * id + 3));
      }
    }
  }
  return Float64Array.from(out);
}

type Point = readonly [number, number, number];
const from = (a: Point, b: Point): Point => [b[0] - a[0], b[1] - a[1], b[2] - a[2]];
const dot = (a: Point, b: Point): number => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const cross = (a: Point, b: Point): Point => [
  a[1] * b[2] - a[2] * b[1],
  a[2] * b[0] - a[0] * b[2],
  a[0] * b[1] - a[1] * b[0],
];

/** Distance from `p` to the segment from `a` to `b`: the foot of the perpendicular, kept between the ends. */
function distanceToSegment(p: Point, a: Point, b: Point): number {
  const edge = from(a, b);
  const length2 = dot(edge, edge);
  const share = length2 > 0 ? Math.min(1, Math.max(0, dot(from(a, p), edge) / length2)) : 0;
  return Math.hypot(
    p[0] - a[0] - share * edge[0],
    p[1] - a[1] - share * edge[1],
    p[2] - a[2] - share * edge[2],
  );
}

/**
 * Distance from `p` to a triangle. Seen from the side that its normal points to, the corners go round
 * counter-clockwise and the inside lies to the left of every edge, so the sign of (edge x way from its start to p) . normal says on which side of an edge p's projection on
 * the plane lies. Inside all three, the distance is that to the plane. Otherwise the nearest point is on an edge.
 */
export function distanceToTriangle(p: Point, corners: readonly [Point, Point, Point]): number {
  const [a, b, c] = corners;
  const normal = cross(from(a, b), from(a, c));
  const area2 = Math.hypot(...normal);
  const isLeftOf = (start: Point, end: Point) => dot(cross(from(start, end), from(start, p)), normal) >= 0;
  if (area2 > 0 && isLeftOf(a, b) && isLeftOf(b, c) && isLeftOf(c, a)) {
    return Math.abs(dot(from(a, p), normal)) / area2;
  }
  return Math.min(distanceToSegment(p, a, b), distanceToSegment(p, b, c), distanceToSegment(p, c, a));
}

/** Distance from a point of the model's frame to its surface, metres. */
export function distanceToModel(triangles: Float64Array, p: Point): number {
  let nearest = Number.POSITIVE_INFINITY;
  for (let at = 0; at < triangles.length; at += 9) {
    const corner = (k: number): Point => [
      triangles[at + 3 * k]!,
      triangles[at + 3 * k + 1]!,
      triangles[at + 3 * k + 2]!,
    ];
    nearest = Math.min(nearest, distanceToTriangle(p, [corner(0), corner(1), corner(2)]));
  }
  return nearest;
}
