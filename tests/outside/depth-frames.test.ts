import { existsSync, readFileSync } from "node:fs";
import { join } from "node:path";
import { decode } from "fast-png";
import { expect } from "vitest";
import type { PinholeOptics, Pose, Vec3 } from "../../src/geometry/optics.ts";
import { project } from "../../src/geometry/rays.ts";
import {
  compose,
  fromMatrix,
  invert,
  normalizeRotation,
  transformPoint,
  turn,
} from "../../src/geometry/rigid.ts";
import { DepthMask } from "../../src/sense/mask.ts";
import { NormalEstimator } from "../../src/sense/normals.ts";
import { sharedData, testWith } from "../helpers/needs.ts";

const image = { model: "pinhole", width: 640, height: 480, measures: "z" } as const;
const median = (values: number[]) => values.sort((a, b) => a - b)[values.length >> 1]!;
const degrees = (cosine: number) => (Math.acos(Math.min(1, cosine)) * 180) / Math.PI;
const dot = (a: Vec3, b: Vec3) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];

/** Samples of a frame with their normals, moved to the world by the frame's pose. */
function surfaces(mask: DepthMask, estimator: NormalEstimator, counts: Uint16Array, worldFromLens: Pose) {
  const { depth, unitsPerMetre } = mask.apply(counts, null);
  const { count, point, normal } = estimator.estimate(depth, unitsPerMetre, 6);
  return Array.from({ length: count }, (_, k) => ({
    point: transformPoint(worldFromLens, [point[3 * k]!, point[3 * k + 1]!, point[3 * k + 2]!]),
    normal: turn(worldFromLens.rotation, [normal[3 * k]!, normal[3 * k + 1]!, normal[3 * k + 2]!]),
  }));
}

// Debian package visp-images-data: rendered depth of a small model castle (metres = value / 32767, so not millimetres),
// exact poses (4x4 row-major, camera from world) and the castle's own corners in metres.
const CASTLE = "/usr/share/visp-images-data/ViSP-images/mbt-depth/Castle-simu";
const castle: PinholeOptics = {
  ...image,
  fx: 700,
  fy: 700,
  cx: 320,
  cy: 240,
  unit: 1 / 32767,
  minRange: 0.1,
  maxRange: 0.99,
};
// The poses are those of a colour camera, and the depth camera sits 50 mm to its right. The data set does not say so. With
// this offset the castle's faces keep their place in all 40 frames; without it they move by centimetres.
const colourFromDepth: Pose = { rotation: [0, 0, 0, 1], position: [0.05, 0, 0] };
const needsCastle = () =>
  existsSync(CASTLE) ? null : "the Debian package visp-images-data; apt-get install visp-images-data";

function castleFrame(index: number): { counts: Uint16Array; worldFromLens: Pose } {
  const bytes = readFileSync(join(CASTLE, `Depth/Depth_${String(index).padStart(4, "0")}.bin`));
  expect([bytes.readUInt32LE(0), bytes.readUInt32LE(4)]).toEqual([480, 640]);
  const counts = Uint16Array.from({ length: 640 * 480 }, (_, i) => bytes.readUInt16LE(8 + 2 * i));
  const text = readFileSync(join(CASTLE, `CameraPose/Camera_${String(index).padStart(3, "0")}.txt`), "utf8");
  const m = text.trim().split(/\s+/).map(Number);
  const columns = Array.from({ length: 16 }, (_, i) => m[4 * (i % 4) + Math.floor(i / 4)]!);
  return { counts, worldFromLens: compose(invert(fromMatrix(columns)), colourFromDepth) };
}

testWith(needsCastle, "points and normals of the castle's depth frames lie on the castle's own faces", () => {
  // From chateau_parts/*.cao: the two faces that are flat and seen, each as outward normal, a point on it, and the box in
  // which samples count, metres.
  const faces: [name: string, normal: Vec3, on: Vec3, low: Vec3, high: Vec3][] = [
    ["tower front", [0, 0, 1], [0, 0.1, 0.039], [-0.035, 0.085, 0], [0.036, 0.174, 1]],
    ["courtyard floor", [0, 1, 0], [0, 0.08076, 0], [-0.14, 0, -0.033], [-0.045, 1, 0.025]],
  ];
  const mask = new DepthMask(castle);
  expect(mask.apply(new Uint16Array(640 * 480).fill(32000), null).unitsPerMetre).toBeCloseTo(32767, 6);
  const estimator = new NormalEstimator(mask.rays, 10_000);
  const found = faces.map(() => ({ off: [] as number[], angle: [] as number[] }));
  for (const index of [1, 6, 12, 20, 30, 40]) {
    const { counts, worldFromLens } = castleFrame(index);
    for (const { point, normal } of surfaces(mask, estimator, counts, worldFromLens)) {
      faces.forEach(([, out, on, low, high], f) => {
        const off = dot(out, point) - dot(out, on);
        const isInside = point.every((c, i) => c > low[i]! && c < high[i]!);
        if (!isInside || Math.abs(off) > 0.01) return;
        found[f]!.off.push(Math.abs(off));
        found[f]!.angle.push(degrees(dot(out, normal)));
      });
    }
  }
  faces.forEach(([name], f) => {
    const { off, angle } = found[f]!;
    expect(off.length, name).toBeGreaterThan(500);
    console.log(
      `${name}: ${off.length} samples, median ${(1000 * median(off)).toFixed(2)} mm, ${median(angle).toFixed(2)} deg`,
    );
    expect(median(off), name).toBeLessThan(0.0005);
    expect(median(angle), name).toBeLessThan(0.5);
  });
});

testWith(
  needsCastle,
  "a frame of the castle moved into another by their exact poses predicts its depth",
  () => {
    const mask = new DepthMask(castle);
    const first = castleFrame(1);
    const pixel = new Float64Array(2);
    for (const index of [2, 6, 20]) {
      const other = castleFrame(index);
      const depth = mask.apply(first.counts, null).depth.slice();
      const there = mask.apply(other.counts, null);
      const move = compose(invert(other.worldFromLens), first.worldFromLens);
      const errors: number[] = [];
      for (let i = 0; i < depth.length; i += 17) {
        if (depth[i] === 0) continue;
        const z = depth[i]! / there.unitsPerMetre;
        const p = transformPoint(move, [mask.rays.x[i]! * z, mask.rays.y[i]! * z, z]);
        if (!project(castle, ...p, pixel)) continue;
        const [u, v] = [Math.round(pixel[0]!), Math.round(pixel[1]!)];
        if (u < 0 || u >= 640 || v < 0 || v >= 480) continue;
        const seen = there.depth[640 * v + u]! / there.unitsPerMetre;
        if (seen > 0) errors.push(Math.abs(seen - p[2]));
      }
      expect(errors.length).toBeGreaterThan(1000);
      console.log(
        `castle, frame 1 seen from frame ${index}: median depth error ${(1000 * median(errors)).toFixed(3)} mm`,
      );
      expect(median(errors)).toBeLessThan(0.0003);
    }
  },
);

testWith("open-data", "the living room's floor points up and lies at one height in every frame", () => {
  // Living room of Handa et al. 2014 and Choi, Zhou & Koltun 2015: z-depth in millimetres, camera-to-world poses with z up.
  // Its description says that the floor holds its tilt to 0.1 degrees and its height to 1 mm under them.
  const folder = join(sharedData()!, "depth-living-room");
  const optics: PinholeOptics = {
    ...image,
    fx: 525,
    fy: 525,
    cx: 319.5,
    cy: 239.5,
    unit: 0.001,
    minRange: 0.3,
    maxRange: 5,
  };
  const mask = new DepthMask(optics);
  const estimator = new NormalEstimator(mask.rays, 10_000);
  const poses = readFileSync(join(folder, "poses_refined_zup.csv"), "utf8").trim().split("\n").slice(1);
  const heights: number[] = [];
  for (let frame = 0; frame < poses.length; frame += 30) {
    const [, x, y, z, ...q] = poses[frame]!.split(",").map(Number);
    const worldFromLens: Pose = { position: [x!, y!, z!], rotation: normalizeRotation(q, 1e-3) };
    const png = decode(readFileSync(join(folder, "depth", `${String(frame).padStart(5, "0")}.png`)));
    const all = surfaces(mask, estimator, Uint16Array.from(png.data), worldFromLens);
    // Level samples near the floor's height. A frame with few of them does not show the floor.
    const level = all.filter(({ normal, point }) => normal[2] > 0.98 && point[2] < 0.2);
    if (level.length < 200) continue;
    heights.push(median(level.map(({ point }) => point[2])));
    expect(degrees(median(level.map(({ normal }) => normal[2])))).toBeLessThan(0.5);
  }
  console.log(`living room floor heights: ${heights.map((h) => `${(1000 * h).toFixed(1)} mm`).join(", ")}`);
  expect(heights.length).toBeGreaterThan(3);
  expect(Math.max(...heights) - Math.min(...heights)).toBeLessThan(0.004);
});
