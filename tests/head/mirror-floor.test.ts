import { describe, expect, test } from "vitest";
import { rayTable } from "../../src/geometry/rays.ts";
import { compose, turn } from "../../src/geometry/rigid.ts";
import { Head } from "../../src/head/head.ts";
import { resolveSettings } from "../../src/head/settings.ts";
import { BLOCK_SIDE, BLOCK_VOXELS, classOf, keyZ } from "../../src/map/grid.ts";
import type { DepthEvent } from "../../src/sense/events.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { Random } from "../../src/simulate/random.ts";
import { loadScenario, type Scenario } from "../../src/simulate/scenario.ts";
import { END, FOOTING } from "../../src/terms/safety.ts";

/** A room of 7 x 4 m from x = -1 on, with a table, a shelf and a box; its floor is given. */
function room(floor: readonly object[], base = 0): object[] {
  const wall = (at: readonly number[], size: readonly number[]) => ({
    shape: "box",
    material: "plaster",
    at,
    base,
    size: [...size, 2.5 - base],
  });
  return [
    ...floor,
    wall([2.5, 2.05], [7.2, 0.1]),
    wall([2.5, -2.05], [7.2, 0.1]),
    wall([6.05, 0], [0.1, 4.2]),
    wall([-1.05, 0], [0.1, 4.2]),
    { shape: "box", material: "oak", at: [4.6, 1.5], base: 0.7, size: [1.2, 0.7, 0.04] },
    { shape: "box", material: "oak", at: [4.5, -1.75], size: [1.6, 0.4, 1.8] },
    { shape: "box", material: "oak", at: [2.2, -1.6], size: [0.4, 0.5, 0.5] },
  ];
}

const STRIP = [1.4, -2, 2.8, 2] as const;
const mirrorStrip = [
  {
    shape: "floor",
    material: "oak",
    rect: [-1.2, -2.2, 6.2, 2.2],
    inlays: [{ rect: STRIP, material: "sealed" }],
  },
];
/** Where the floor ends in the scenes below. */
const EDGE = 2;
const lowerBy = (drop: number) => [
  { shape: "floor", material: "oak", rect: [-1.2, -2.2, EDGE, 2.2], thickness: 0.05 },
  { shape: "floor", material: "oak", rect: [EDGE, -2.2, 6.2, 2.2], top: -drop },
];

/** A head 0.42 m up that looks 22 degrees down drives from x = 0 to `to`. */
const scenario = (scene: readonly object[], to: number, seed: number): Scenario =>
  loadScenario({
    name: "mirror floor",
    seed,
    materials: {
      oak: { reflectance: 0.32 },
      plaster: { reflectance: 0.72 },
      sealed: { reflectance: 0.04, mirror: 0.8, glint: 4 },
    },
    scene,
    base: { width: 0.35, bumper: 0.22, dip: { gain: 1 } },
    head: { position: [0.12, 0, 0.4] },
    imu: {},
    sensors: [
      {
        name: "front",
        rate: 8,
        mount: { on: "head", position: [0.03, 0, 0.02], pitch: 22 },
        optics: {
          model: "pinhole",
          width: 160,
          height: 120,
          fieldOfView: [75, 60],
          measures: "z",
          minRange: 0.15,
          maxRange: 6,
        },
        noise: {
          gate: 150,
          seen: { reflectance: 0.8, range: 5 },
          frequency: 6e7,
          dark: 200,
          contrast: 0.8,
          saturation: 60000,
          amplitudeUnit: 8,
          subRays: 2,
        },
      },
    ],
    inertial: null,
    orientation: { rate: 100, noise: 0.04 },
    odometry: { rate: 20, scale: 0.005, noise: 0.003 },
    drive: { points: [{ at: [0, 0] }, { at: [to, 0.1], speed: 0.45 }] },
  });

/** Takes away a share of the returns whose rays cross the floor within the strip. */
function lose(plan: Scenario, event: DepthEvent, share: number, random: Random): void {
  const { setup, drive } = plan;
  const { mount, optics } = setup.sensors[0]!;
  const rays = rayTable(optics);
  const lens = compose(drive.poseAt(event.time / 1e6), compose(setup.baseFromHead, mount.pose));
  for (let i = 0; i < event.counts.length; i++) {
    const [dx, dy, dz] = turn(lens.rotation, [rays.x[i]!, rays.y[i]!, rays.z[i]!]);
    if (dz > -0.02) continue;
    const t = -lens.position[2] / dz;
    const x = lens.position[0] + t * dx;
    const y = lens.position[1] + t * dy;
    const isThere = x > STRIP[0] && x < STRIP[2] && y > STRIP[1] && y < STRIP[3];
    if (isThere && random.uniform() < share) event.counts[i] = 0;
  }
}

/** Drives; `brinks` is the share of strips that end in a brink, frame by frame. */
function ride(plan: Scenario, change: (event: DepthEvent) => void = () => {}) {
  const head = new Head(plan.setup, resolveSettings({ "pose.source": "odometry", "body.height": 1.2 }));
  const brinks: number[] = [];
  for (const event of simulateEvents(plan)) {
    if (event.kind === "depth") change(event);
    for (const out of head.take(event)) {
      if (out.kind === "glance") {
        brinks.push(out.ends.filter((end) => end === END.brink).length / out.ends.length);
      }
    }
  }
  return { head, brinks };
}

/** Occupied voxels more than a voxel below the floor. */
function voxelsBelow({ grid }: Head): number {
  const voxels = new Uint8Array(BLOCK_VOXELS);
  let count = 0;
  for (let id = 0; id < grid.count; id++) {
    grid.copyBlock(id, voxels);
    const bottom = keyZ(grid.keyOf(id)) * BLOCK_SIDE;
    for (let n = 0; n < BLOCK_VOXELS; n++) {
      const top = (bottom + Math.floor(n / BLOCK_SIDE ** 2) + 1) * grid.voxelSize;
      if (top < -grid.voxelSize && classOf(voxels[n]!) === "occupied") count++;
    }
  }
  return count;
}

/** Cells of a footing within a rectangle. */
function cellsOf(
  { footing }: Head,
  what: number,
  [x0, y0, x1, y1]: readonly [number, number, number, number],
): number {
  let count = 0;
  footing.visit((i, j, is) => {
    const [x, y] = [(i + 0.5) * footing.cellSize, (j + 0.5) * footing.cellSize];
    if (is === what && x > x0 && x < x1 && y > y0 && y < y1) count++;
  });
  return count;
}

describe("a floor that shows images of the room", () => {
  test.each([
    ["70 % of its returns lost", 1, 0.7],
    ["70 % of its returns lost, other noise", 2, 0.7],
    ["40 % of its returns lost", 3, 0.4],
    ["15 % of its returns lost", 4, 0.15],
  ])(
    "%s: hardly a cell is gone, hardly a frame shows a brink, no more than 50 voxels lie below it",
    (_, seed, share) => {
      const plan = scenario(room(mirrorStrip), 4, seed);
      const random = new Random(seed, 99);
      const { head, brinks } = ride(plan, (event) => lose(plan, event, share, random));
      expect(brinks.length).toBeGreaterThan(80);
      expect(brinks.filter((part) => part > 0).length).toBeLessThanOrEqual(share === 0.7 ? 0 : 4);
      // Three strips of twenty.
      expect(Math.max(...brinks)).toBeLessThanOrEqual(0.15);
      // The strip has 2240 cells.
      expect(cellsOf(head, FOOTING.gone, [-1, -2, 6, 2])).toBeLessThanOrEqual(share === 0.7 ? 0 : 10);
      expect(voxelsBelow(head)).toBeLessThanOrEqual(50);
      // Only returns from the floor itself made any of it firm, and near the base there are some.
      expect(cellsOf(head, FOOTING.firm, STRIP)).toBeGreaterThan(100);
    },
  );
});

describe("a real drop in a room with as many things in view", () => {
  test.each([
    ["40 mm", 0.04, 5],
    ["170 mm", 0.17, 6],
    ["450 mm, the room's walls go on down to it", 0.45, 7],
  ])("%s: every strip shows the brink from near, no cell beyond it is firm", (_, drop, seed) => {
    const { head, brinks } = ride(scenario(room(lowerBy(drop), -0.6), EDGE - 0.3, seed));
    expect(Math.min(...brinks.slice(-8))).toBeGreaterThan(0.9);
    expect(cellsOf(head, FOOTING.firm, [EDGE + 0.1, -1.2, 5.8, 1.8])).toBe(0);
    expect(cellsOf(head, FOOTING.gone, [EDGE + 0.1, -0.5, EDGE + 0.6, 0.5])).toBeGreaterThan(180);
  });

  test("the copy of the room upside down below it, as an image would show it, but as bright as a real one: a drop", () => {
    // Level 0.5 m lower, with a copy of the shelf and the box hanging from it, and walls that go on down.
    const copies = [
      { shape: "box", material: "oak", at: [4.5, -1.75], base: -1.8, size: [1.6, 0.4, 1.8] },
      { shape: "box", material: "oak", at: [4.6, 1.5], base: -0.74, size: [1.2, 0.7, 0.04] },
      { shape: "box", material: "oak", at: [2.4, -1.6], base: -0.5, size: [0.4, 0.5, 0.5] },
    ];
    const floor = [{ shape: "floor", material: "oak", rect: [-1.2, -2.2, EDGE, 2.2], thickness: 0.05 }];
    const { head, brinks } = ride(scenario([...room(floor, -2.5), ...copies], EDGE - 0.3, 8));

    expect(brinks.slice(-16).every((part) => part > 0)).toBe(true);
    expect(cellsOf(head, FOOTING.firm, [EDGE + 0.1, -1.2, 5.8, 1.2])).toBe(0);
    expect(cellsOf(head, FOOTING.gone, [EDGE, -1.9, 5.8, 1.9])).toBeGreaterThan(100);
  });
});
