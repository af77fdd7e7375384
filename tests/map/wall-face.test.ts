import { readFileSync } from "node:fs";
import { expect, test } from "vitest";
import { Head } from "../../src/head/head.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { COLUMN } from "../../src/map/layers.ts";
import { wallFace } from "../../src/map/wall-face.ts";
import { HIT_CELL } from "../../src/map/wall-hits.ts";
import { answer } from "../../src/service/sensing/questions.ts";
import { Trail } from "../../src/service/sensing/trail.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { Random } from "../../src/simulate/random.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { sideNear } from "../../src/viewer/side-near.ts";

const VOXEL = 0.05;
const { base, head, imu, sensors, inertial, orientation, odometry } = JSON.parse(
  readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8"),
);

type Point = readonly [number, number];

/** The median of the absolute errors, and the largest. */
function errorsOf(sizes: readonly number[], truth: number): { median: number; worst: number } {
  const errors = sizes.map((size) => Math.abs(size - truth)).sort((a, b) => a - b);
  return { median: errors[errors.length >> 1]!, worst: errors.at(-1)! };
}

test("the face of a wall is found to a fraction of a voxel at any angle, from a peak, a step, or both", () => {
  const random = new Random(11);
  const between = (low: number, high: number): number => low + (high - low) * random.uniform();
  const errors: number[] = [];
  for (let n = 0; n < 300; n++) {
    const angle = between(0, 2 * Math.PI);
    const [cos, sin] = [Math.cos(angle), Math.sin(angle)];
    const [x0, y0] = [between(-3, 3), between(-3, 3)];
    const noise = between(0.003, 0.015);
    // Hits on the face of the wall's end, and on its front, which begins there.
    const kind = n % 3;
    const [onFace, onFront] = [kind === 1 ? 0 : 600, kind === 0 ? 0 : 5000];
    const cells = new Map<string, number>();
    const hit = (along: number, aside: number): void => {
      const [a, b] = [along + noise * random.gauss(), aside + noise * random.gauss()];
      const [x, y] = [x0 + cos * a - sin * b, y0 + sin * a + cos * b];
      const key = `${Math.floor(x / HIT_CELL)},${Math.floor(y / HIT_CELL)}`;
      cells.set(key, (cells.get(key) ?? 0) + 1);
    };
    for (let k = 0; k < onFace; k++) hit(0, between(-0.05, 0.05));
    for (let k = 0; k < onFront; k++) hit(between(0, 0.5), -0.04);
    // The side of the voxels is up to a voxel in front of the face, or half of one behind it.
    const off = between(-0.05, 0.025);
    const found = wallFace(
      [x0 + off * cos, y0 + off * sin],
      [cos, sin],
      (col, row) => cells.get(`${col},${row}`) ?? 0,
    );
    errors.push(off + found!.offset);
  }
  const { median, worst } = errorsOf(errors, 0);
  console.log(
    `face of 300 drawn walls: median ${(1000 * median).toFixed(1)}, worst ${(1000 * worst).toFixed(1)} mm`,
  );
  expect(median).toBeLessThan(0.002);
  expect(errors.filter((error) => Math.abs(error) > 0.01).length).toBeLessThanOrEqual(3);
  expect(worst).toBeLessThan(0.025);
});

test("without enough hits there is no face", () => {
  expect(wallFace([0, 0], [1, 0], () => 0)).toBeNull();
});

/** A room with a doorway of 1.00 m in a wall of 10 cm, turned and moved against the grid. `at` gives places of it in the world. */
function doorway(seed: number, angle: number, [dx, dy]: Point) {
  const [cos, sin] = [Math.cos((angle * Math.PI) / 180), Math.sin((angle * Math.PI) / 180)];
  const at = (x: number, y: number): Point => [dx + cos * x - sin * y, dy + sin * x + cos * y];
  const wall = ([x, y]: Point, size: readonly number[]) => ({
    shape: "box",
    material: "wall",
    at: at(x, y),
    size,
    yaw: angle,
  });
  const scenario = loadScenario({
    ...{ name: "doorway", seed, base, head, imu, sensors, inertial, orientation, odometry },
    materials: { boards: { reflectance: 0.4 }, wall: { reflectance: 0.75 } },
    scene: [
      { shape: "floor", material: "boards", rect: [-6, -6, 6, 6] },
      wall([3.95, 0], [0.1, 4, 1]),
      wall([1.5, 1.95], [5, 0.1, 1]),
      wall([1.5, -1.95], [5, 0.1, 1]),
      wall([2.05, 1.25], [0.1, 1.5, 1]),
      wall([2.05, -1.25], [0.1, 1.5, 1]),
    ],
    drive: {
      points: [
        { at: at(0, 0), look: [angle + 30, angle - 30] },
        { at: at(0.3, 0), speed: 0.4 },
      ],
    },
  });
  return { scenario, at };
}

/** The doorway's width as a person measures it on the map: by the sides of voxels, and by the faces of its walls. */
function measure(
  seed: number,
  angle: number,
  offset: Point,
  source: string,
): { voxels: number; faces: number } {
  const { scenario, at } = doorway(seed, angle, offset);
  const mapped = new Head(scenario.setup, resolveSettings({ "pose.source": source }), { hasWalls: true });
  for (const event of simulateEvents(scenario)) mapped.take(event);
  mapped.finish();
  const { layers, floor, walls, grid, footing } = mapped;
  const isBlocked = (x: number, y: number): boolean =>
    layers.kindAt(Math.floor(x / VOXEL), Math.floor(y / VOXEL)) === COLUMN.blocked;
  // Clicks beside the frame of the doorway, by a hand's accuracy.
  const ends = [
    sideNear(at(2.05, 0.44), 0.14, VOXEL, isBlocked),
    sideNear(at(2.05, -0.45), 0.14, VOXEL, isBlocked),
  ];
  const [a, b] = ends as [Point, Point];
  const along = Math.atan2(b[1] - a[1], b[0] - a[0]);
  const faces = ends.map((point) => {
    const question = { about: "wall", point: [...point] as [number, number], along, frame: "world" } as const;
    const found = answer(question, {
      ...{ layers, floor, walls, grid, footing, columnSize: VOXEL, clearanceLimit: 2, worldFromBase: null },
      ...{ trail: new Trail(), time: 0 },
    });
    return (found as { readonly point: Point }).point;
  });
  const apart = ([p, q]: readonly Point[]): number => Math.hypot(p![0] - q![0], p![1] - q![1]);
  return { voxels: apart(ends), faces: apart(faces) };
}

test("a doorway of 1.00 m in noisy renders measures 1.00 m to 3 cm, at any angle and offset to the grid", () => {
  const sizes = [0, 0, 90, 7, 20, 33, 45, 61].map((angle, n) =>
    measure(
      100 + n,
      angle,
      [(0.0137 * n) % VOXEL, (0.0231 * n) % VOXEL],
      n % 4 === 3 ? "tracked" : "reference",
    ),
  );
  const by = (which: "voxels" | "faces") => {
    const { median, worst } = errorsOf(
      sizes.map((size) => size[which]),
      1,
    );
    return {
      median,
      worst,
      text: `median ${(100 * median).toFixed(1)}, worst ${(100 * worst).toFixed(1)} cm`,
    };
  };
  console.log(`doorway of 1.00 m: ${by("faces").text}; by sides of voxels ${by("voxels").text}`);
  expect(by("faces").median).toBeLessThan(0.01);
  expect(by("faces").worst).toBeLessThan(0.03);
}, 120_000);
