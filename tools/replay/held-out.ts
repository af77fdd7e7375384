import type { Pose, Vec3 } from "../../src/geometry/optics.ts";
import { turn } from "../../src/geometry/rigid.ts";
import type { Head } from "../../src/head/head.ts";
import { OCCUPIED_FROM } from "../../src/map/grid.ts";
import { traverse } from "../../src/map/ray.ts";
import type { Recording } from "../../src/record/file.ts";
import { DEFAULT_MASK_SETTINGS, DepthMask } from "../../src/sense/mask.ts";

/** How well a map predicts frames it has not seen. */
export interface HeldOutScore {
  readonly frames: number;
  /** Pixels with a return that were cast. */
  readonly pixels: number;
  /** Share of them for which the map had a surface on the ray at all. */
  readonly answered: number;
  /** Median absolute difference of predicted and measured depth over the answered ones, metres. */
  readonly medianError: number;
  /** Share of all cast pixels predicted within 5 cm along the ray. */
  readonly within5cm: number;
}

const WITHIN = 0.05;

/**
 * Casts the rays of held-out frames through the map (grid and floor heights, see `predict`). Needs no truth, and a
 * blurred or thickened map scores worse.
 *
 * @param poses worldFromLens of the held-out frames, by sequence
 */
export function scoreHeldOut(
  recording: Recording,
  head: Head,
  poses: ReadonlyMap<number, Pose>,
  onProgress?: (share: number) => void,
): HeldOutScore {
  const farthest = Math.max(...recording.header.setup.sensors.map(({ optics }) => optics.maxRange));
  const path = new Int32Array(3 * 3 * (Math.ceil((2 * farthest + 1) / head.grid.voxelSize) + 4));
  const masks = recording.header.setup.sensors.map(({ optics }) => {
    const maxRange =
      optics.model === "scan" ? optics.maxRange : Math.min(optics.maxRange, head.settings["map.maxRange"]);
    return {
      mask: new DepthMask({ ...optics, maxRange }, DEFAULT_MASK_SETTINGS),
      stride: optics.height === 1 ? 1 : 4,
    };
  });
  const errors: number[] = [];
  let frames = 0;
  let pixels = 0;
  let within = 0;
  for (const event of recording.events()) {
    if (event.kind !== "depth") continue;
    const pose = poses.get(event.sequence);
    if (pose === undefined) continue;
    frames++;
    if (frames % 16 === 0) onProgress?.(recording.position.offset / recording.size);
    const { mask, stride } = masks[event.sensor]!;
    const { depth, unitsPerMetre } = mask.apply(event.counts, event.amplitude);
    const { width, height, x, y, z } = mask.rays;
    const [ox, oy, oz] = pose.position;
    for (let v = stride >> 1; v < height; v += stride) {
      for (let u = stride >> 1; u < width; u += stride) {
        const i = v * width + u;
        const d = depth[i]! / unitsPerMetre;
        if (d === 0) continue;
        const length = Math.hypot(x[i]!, y[i]!, z[i]!);
        const [dx, dy, dz] = turn(pose.rotation, [x[i]! / length, y[i]! / length, z[i]! / length]);
        const range = d * length;
        const norm = Math.hypot(dx, dy, dz);
        const unit = [dx / norm, dy / norm, dz / norm] as const;
        pixels++;
        const predicted = predict(head, path, ox, oy, oz, unit, range + 1);
        if (predicted === Number.POSITIVE_INFINITY) continue;
        const error = Math.abs(predicted - range);
        errors.push(error / length);
        if (error <= WITHIN) within++;
      }
    }
  }
  errors.sort((a, b) => a - b);
  return {
    frames,
    pixels,
    answered: errors.length / pixels,
    medianError: errors[errors.length >> 1] ?? Number.NaN,
    within5cm: within / pixels,
  };
}

/**
 * Where along a ray the map has its first surface, metres, or Infinity: the middle of the ray's way through the first
 * occupied voxel, or, where that voxel is the column's own floor, the place where the ray meets the floor's height.
 */
function predict(
  head: Head,
  path: Int32Array,
  ox: number,
  oy: number,
  oz: number,
  d: Vec3,
  reach: number,
): number {
  const { grid, floor } = head;
  const size = grid.voxelSize;
  const [ax, ay, az] = [ox / size, oy / size, oz / size];
  const [dx, dy, dz] = [d[0] / size, d[1] / size, d[2] / size];
  const count = traverse(path, ax, ay, az, ax + dx * reach, ay + dy * reach, az + dz * reach);
  let entry = 0;
  for (let n = 0; n < 3 * count; n += 3) {
    const i = path[n]!;
    const j = path[n + 1]!;
    const k = path[n + 2]!;
    const exit = Math.min(leaving(i, ax, dx), leaving(j, ay, dy), leaving(k, az, dz));
    const height = floor.heightAt(i, j) / size;
    // The floor's own voxels: its layer and, as it may lie at a boundary of layers, the nearer of its neighbours.
    const isFloor = k > height - 1.5 && k < height + 0.5;
    if (isFloor) {
      // In the column at hand the floor is a level patch, here only from above.
      const meets = dz < 0 ? (height - az) / dz : Number.POSITIVE_INFINITY;
      if (meets >= entry - 1e-9 && meets <= exit + 1e-9) return meets;
      if (dz < 0 && meets < entry) return entry;
    } else if (grid.valueAt(i, j, k) >= OCCUPIED_FROM) {
      return (entry + Math.min(exit, reach)) / 2;
    }
    entry = exit;
  }
  return Number.POSITIVE_INFINITY;
}

/** Where along the ray it leaves cell `cell` of one axis. */
function leaving(cell: number, start: number, step: number): number {
  if (step === 0) return Number.POSITIVE_INFINITY;
  return ((step > 0 ? cell + 1 : cell) - start) / step;
}
