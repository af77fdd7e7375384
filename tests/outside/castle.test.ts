import { expect } from "vitest";
import { toMatrix } from "../../src/geometry/rigid.ts";
import { Head } from "../../src/head/head.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { BLOCK_VOXELS, classOf, keyX, keyY, keyZ } from "../../src/map/grid.ts";
import { castleFrames, castleNeed, castleTriangles, distanceToModel } from "../helpers/castle.ts";
import { testWith } from "../helpers/needs.ts";

const VOXEL = 0.003;
/** Metres: the castle reaches to x = -0.1449, the object beside it begins at -0.1502. */
const LEFT_END = -0.1475;

// Debian package visp-images-data (GPL-2), mbt-depth/Castle-simu: 40 rendered depth frames of a model castle with exact
// poses, and the model itself.
testWith(castleNeed, "a rendered castle, fused at 3 mm, has the surface of its exact model", () => {
  const source = castleFrames();
  const settings = resolveSettings({
    "map.voxelSize": VOXEL,
    "map.maxRange": 0.99,
    "map.carveEvery": 1,
    "evidence.sigma0": 0.0005,
    "evidence.sigma2": 0,
    "floor.band": 0.02,
  });
  const head = new Head(source.header.setup, settings);
  const triangles = castleTriangles();
  expect(triangles.length / 9).toBeGreaterThan(20);

  // Samples of the model, 3 mm apart. A frame sees one when its depth at that pixel is the sample's within 1 mm.
  const samples = sampleTriangles(triangles, 0.003);
  const isSeen = new Uint8Array(samples.length / 3);
  let frames = 0;
  for (const event of source.events()) {
    for (const output of head.take(event)) {
      if (output.kind !== "frame" || event.kind !== "depth") continue;
      frames++;
      const m = toMatrix(output.worldFromLens);
      for (let s = 0; s < isSeen.length; s++) {
        const [x, y, z] = [0, 1, 2].map((k) => samples[3 * s + k]! - m[12 + k]!) as [number, number, number];
        const depth = m[8]! * x + m[9]! * y + m[10]! * z;
        if (depth <= 0) continue;
        const u = Math.round((700 * (m[0]! * x + m[1]! * y + m[2]! * z)) / depth + 320);
        const v = Math.round((700 * (m[4]! * x + m[5]! * y + m[6]! * z)) / depth + 240);
        if (u < 0 || v < 0 || u >= 640 || v >= 480) continue;
        if (Math.abs(event.counts[v * 640 + u]! / 32767 - depth) < 0.001) isSeen[s] = 1;
      }
    }
  }
  expect(frames).toBe(40);

  // Accuracy: distance to the model of each occupied voxel that has a free neighbour.
  const { grid } = head;
  const values = new Uint8Array(BLOCK_VOXELS);
  const errors: number[] = [];
  for (let id = 0; id < grid.count; id++) {
    grid.copyBlock(id, values);
    const key = grid.keyOf(id);
    for (let n = 0; n < BLOCK_VOXELS; n++) {
      if (classOf(values[n]!) !== "occupied") continue;
      const [i, j, k] = [8 * keyX(key) + (n & 7), 8 * keyY(key) + ((n >> 3) & 7), 8 * keyZ(key) + (n >> 6)];
      const near = [
        grid.valueAt(i - 1, j, k),
        grid.valueAt(i + 1, j, k),
        grid.valueAt(i, j - 1, k),
        grid.valueAt(i, j + 1, k),
        grid.valueAt(i, j, k - 1),
        grid.valueAt(i, j, k + 1),
      ];
      if (!near.some((value) => classOf(value) === "free")) continue;
      const centre = [(i + 0.5) * VOXEL, (j + 0.5) * VOXEL, (k + 0.5) * VOXEL] as const;
      // The renderings hold a second object to the left of the castle that the model lacks.
      if (centre[0] > LEFT_END) errors.push(distanceToModel(triangles, centre));
    }
  }
  errors.sort((a, b) => a - b);
  const median = errors[errors.length >> 1]!;
  const p95 = errors[Math.floor(errors.length * 0.95)]!;

  // Completeness: share of the seen samples that have an occupied voxel within one voxel.
  let seen = 0;
  let found = 0;
  for (let s = 0; s < isSeen.length; s++) {
    if (isSeen[s] === 0) continue;
    seen++;
    const cell = [0, 1, 2].map((k) => Math.floor(samples[3 * s + k]! / VOXEL)) as [number, number, number];
    for (let near = 0; near < 27; near++) {
      const [di, dj, dk] = [(near % 3) - 1, (Math.floor(near / 3) % 3) - 1, Math.floor(near / 9) - 1];
      if (classOf(grid.valueAt(cell[0] + di, cell[1] + dj, cell[2] + dk)) !== "occupied") continue;
      found++;
      break;
    }
  }
  console.log(
    `castle (ViSP images data set, GPL-2), 3 mm voxels: ${errors.length} surface voxels, error median ` +
      `${(1000 * median).toFixed(2)} mm, 95 % within ${(1000 * p95).toFixed(2)} mm; ${seen} model samples seen, ` +
      `${((100 * found) / seen).toFixed(2)} % of them mapped`,
  );
  expect(errors.length).toBeGreaterThan(3000);
  expect(seen).toBeGreaterThan(1500);
  // A voxel holds the surface anywhere within it: its centre is up to half a diagonal, 2.6 mm, away.
  expect(median).toBeLessThan(VOXEL / 2);
  expect(p95).toBeLessThan(0.0026);
  expect(found / seen).toBeGreaterThan(0.99);
});

/** Points on the triangles, about `step` apart, x, y, z triples. */
function sampleTriangles(triangles: Float64Array, step: number): number[] {
  const out: number[] = [];
  for (let at = 0; at < triangles.length; at += 9) {
    const corner = (k: number) => [0, 1, 2].map((axis) => triangles[at + 3 * k + axis]!);
    const [a, b, c] = [corner(0), corner(1), corner(2)];
    const longest = Math.max(
      ...[0, 1, 2].map((k) => Math.hypot(...corner(k).map((v, n) => v - corner((k + 1) % 3)[n]!))),
    );
    const steps = Math.ceil(longest / step);
    for (let u = 0; u <= steps; u++) {
      for (let v = 0; v <= steps - u; v++) {
        for (let axis = 0; axis < 3; axis++) {
          out.push(a[axis]! + (u / steps) * (b[axis]! - a[axis]!) + (v / steps) * (c[axis]! - a[axis]!));
        }
      }
    }
  }
  return out;
}
