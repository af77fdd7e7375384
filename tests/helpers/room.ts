import { seeded, seededNormal } from "./compare.ts";
import type { PerRayCamera, PerRayFrame } from "./per-ray.ts";

/** An upright box: two corners, metres, and its kind. */
export interface RoomBox {
  readonly low: readonly [number, number, number];
  readonly high: readonly [number, number, number];
  readonly kind: "floor" | "wall" | "leg" | "box";
}

export const ROOM_CAMERA: PerRayCamera = { width: 240, height: 180, fx: 171, fy: 193, cx: 119.5, cy: 89.5 };
const VOXEL = 0.05;
const MAX_RANGE = 4;

/** A room of 5 x 4 m with a chair on 25 mm legs, a pole of 25 mm, and a box. Nothing lies on a voxel's face. */
export const ROOM: readonly RoomBox[] = [
  { low: [-0.2, -0.2, -0.3], high: [5.2, 4.2, 0], kind: "floor" },
  { low: [-0.2, -0.2, 0], high: [0.013, 4.2, 2.6], kind: "wall" },
  { low: [5.013, -0.2, 0], high: [5.2, 4.2, 2.6], kind: "wall" },
  { low: [-0.2, -0.2, 0], high: [5.2, 0.021, 2.6], kind: "wall" },
  { low: [-0.2, 4.021, 0], high: [5.2, 4.2, 2.6], kind: "wall" },
  ...[2.02, 2.42].flatMap((x) =>
    [1.51, 1.93].map((y): RoomBox => ({ low: [x, y, 0], high: [x + 0.025, y + 0.025, 0.43], kind: "leg" })),
  ),
  { low: [2.0, 1.5, 0.43], high: [2.46, 1.97, 0.46], kind: "box" },
  { low: [3.21, 3.01, 0], high: [3.235, 3.035, 1.5], kind: "leg" },
  { low: [3.6, 0.9, 0], high: [4.1, 1.4, 0.5], kind: "box" },
];

export interface RoomFrame extends PerRayFrame {
  /** The voxel where each ray ends without noise, "i,j,k", and the box that it hits. */
  readonly ends: ReadonlyMap<string, RoomBox>;
}

export const voxelName = (i: number, j: number, k: number): string => `${i},${j},${k}`;

/**
 * Renders frame `n` of a drive through the room: 10 mm range noise, 5 % of returns missing, seeded by the frame's number.
 * @param offset metres that the whole world is moved up by
 * @param pose  x, y and yaw; default the drive's
 */
export function renderRoom(
  boxes: readonly RoomBox[],
  n: number,
  offset = 0,
  pose: readonly [number, number, number] = drive(n),
): RoomFrame {
  const { width, height, fx, fy, cx, cy } = ROOM_CAMERA;
  const [x0, y0, yaw] = pose;
  const pitch = 0.26 + 0.02 * Math.sin(0.7 * n);
  const position = Float64Array.from([x0, y0, 0.35 + offset]);
  const [cyaw, syaw, cp, sp] = [Math.cos(yaw), Math.sin(yaw), Math.cos(pitch), Math.sin(pitch)];
  // Columns: the lens's right, down and forward in the world.
  const rotation = Float64Array.from([
    syaw,
    -cyaw * sp,
    cyaw * cp,
    -cyaw,
    -syaw * sp,
    syaw * cp,
    0,
    -cp,
    -sp,
  ]);
  const depth = new Uint16Array(width * height);
  const ends = new Map<string, RoomBox>();
  const uniform = seeded(1000 + n);
  const normal = seededNormal(2000 + n);
  for (let v = 0, i = 0; v < height; v++) {
    for (let u = 0; u < width; u++, i++) {
      const [a, b] = [(u - cx) / fx, (v - cy) / fy];
      const d = [0, 1, 2].map((r) => rotation[3 * r]! * a + rotation[3 * r + 1]! * b + rotation[3 * r + 2]!);
      let z = Number.POSITIVE_INFINITY;
      let hit: RoomBox | null = null;
      for (const box of boxes) {
        let t0 = 1e-6;
        let t1 = z;
        for (let axis = 0; axis < 3 && t0 <= t1; axis++) {
          const o = position[axis]! - (axis === 2 ? offset : 0);
          const p = (box.low[axis]! - o) / d[axis]!;
          const q = (box.high[axis]! - o) / d[axis]!;
          t0 = Math.max(t0, Math.min(p, q));
          t1 = Math.min(t1, Math.max(p, q));
        }
        if (t0 < t1) {
          z = t0;
          hit = box;
        }
      }
      const length = Math.hypot(a, b, 1);
      const noise = 0.01 * normal();
      const isMissing = uniform() < 0.05;
      if (hit === null || z * length > MAX_RANGE) continue;
      // A micrometre beyond the surface, so that rounding does not decide the voxel.
      const end = [0, 1, 2].map((r) => Math.floor((position[r]! + (z + 1e-6) * d[r]!) / VOXEL));
      ends.set(voxelName(end[0]!, end[1]!, end[2]!), hit);
      if (!isMissing) depth[i] = Math.round(1000 * (z + noise / length));
    }
  }
  return { rotation, position, depth, ends };
}

/** x, y and yaw on a way through the room, looking left and right. */
function drive(n: number): [number, number, number] {
  const s = n / 100;
  return [0.7 + 2.4 * s, 0.7 + 1.8 * s, 0.5 + 0.9 * Math.sin(n * 0.08)];
}
