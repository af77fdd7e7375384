import { existsSync, readFileSync } from "node:fs";
import { openDepthFolder } from "../../tools/import/depth.ts";
import type { ImportSource } from "../../tools/import/source.ts";

/** Where Debian's visp-images-data (GPL-2) puts a rendered model castle; read there, never copied. */
const FOLDER = "/usr/share/visp-images-data/ViSP-images/mbt-depth/Castle-simu";

/** A need for `testWith`. */
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

/** Corners of all triangles of the model, 9 numbers each: the face sets of Models/chateau.wrl, which need no transform. */
export function castleTriangles(): Float64Array {
  // Lines that begin with # are comments: faces taken out, too.
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

/** Distance from a point to a triangle. Source: Ericson 2005, Real-Time Collision Detection, 5.1.5. */
function distanceToTriangle(p: readonly number[], t: Float64Array, at: number): number {
  const a = [t[at]!, t[at + 1]!, t[at + 2]!];
  const b = [t[at + 3]!, t[at + 4]!, t[at + 5]!];
  const c = [t[at + 6]!, t[at + 7]!, t[at + 8]!];
  const sub = (x: readonly number[], y: readonly number[]) => x.map((v, k) => v - y[k]!);
  const dot = (x: readonly number[], y: readonly number[]) => x[0]! * y[0]! + x[1]! * y[1]! + x[2]! * y[2]!;
  const to = (x: readonly number[], y: readonly number[], s: number) => x.map((v, k) => v + s * (y[k]! - v));
  const away = (q: readonly number[]) => Math.hypot(...sub(p, q));
  const [ab, ac, ap, bp, cp] = [sub(b, a), sub(c, a), sub(p, a), sub(p, b), sub(p, c)];
  const [d1, d2, d3, d4, d5, d6] = [
    dot(ab, ap),
    dot(ac, ap),
    dot(ab, bp),
    dot(ac, bp),
    dot(ab, cp),
    dot(ac, cp),
  ];
  if (d1 <= 0 && d2 <= 0) return away(a);
  if (d3 >= 0 && d4 <= d3) return away(b);
  const vc = d1 * d4 - d3 * d2;
  if (vc <= 0 && d1 >= 0 && d3 <= 0) return away(to(a, b, d1 / (d1 - d3)));
  if (d6 >= 0 && d5 <= d6) return away(c);
  const vb = d5 * d2 - d1 * d6;
  if (vb <= 0 && d2 >= 0 && d6 <= 0) return away(to(a, c, d2 / (d2 - d6)));
  const va = d3 * d6 - d5 * d4;
  if (va <= 0 && d4 - d3 >= 0 && d5 - d6 >= 0) return away(to(b, c, (d4 - d3) / (d4 - d3 + d5 - d6)));
  const sum = va + vb + vc;
  return away(a.map((v, k) => v + (vb / sum) * ab[k]! + (vc / sum) * ac[k]!));
}

/** Distance from a point of the model's frame to its surface, metres. */
export function distanceToModel(triangles: Float64Array, p: readonly number[]): number {
  let nearest = Number.POSITIVE_INFINITY;
  for (let at = 0; at < triangles.length; at += 9)
    nearest = Math.min(nearest, distanceToTriangle(p, triangles, at));
  return nearest;
}
