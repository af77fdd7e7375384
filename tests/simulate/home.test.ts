import { expect, test } from "vitest";
import { type Edge, generateHome, ReachableGround } from "../../src/simulate/home.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import type { Scene } from "../../src/simulate/scene.ts";

const SEEDS = Array.from({ length: 24 }, (_, n) => 7000 + n);
const HOMES = SEEDS.map(generateHome);

/** The scene without people. */
const sceneOf = ({ json }: (typeof HOMES)[number]): Scene => loadScenario({ ...json, moving: [] }).scene;

/** Heights of the floor 2 cm to both sides of an edge, the lower first. */
function besides(scene: Scene, { from, to }: Edge, share: number): [low: number, high: number] {
  const [dx, dy] = [to[0] - from[0], to[1] - from[1]];
  const length = Math.hypot(dx, dy);
  const heights = [0.02, -0.02].map((out) => {
    const x = from[0] + share * dx - (out * dy) / length;
    const y = from[1] + share * dy + (out * dx) / length;
    return 0.06 - scene.cast(x, y, 0.06, 0, 0, -1, 0);
  });
  return [Math.min(...heights), Math.max(...heights)];
}

test("the same seed gives the same home, another seed another", () => {
  expect(generateHome(7003)).toEqual(HOMES[3]);
  expect(generateHome(7004).json).not.toEqual(HOMES[3]!.json);
});

test("every home has floor to drive on around its first start, and room to turn there", () => {
  for (const home of HOMES) {
    const ground = new ReachableGround(sceneOf(home), [0, 0]);
    expect(ground.area).toBeGreaterThan(5);
    const [first] = home.starts;
    expect([first!.x, first!.y]).toEqual([0, 0]);
    expect(Math.cos(first!.yaw)).toBeCloseTo(1, 12);
    for (const start of home.starts) {
      const cell = ground.at(start.x, start.y);
      // Starts have 0.5 m; this grid of 5 cm lies otherwise than the one that they were chosen on.
      expect(Math.min(cell!.toBlocked, cell!.toGone)).toBeGreaterThan(0.4);
    }
  }
});

test("most homes have an edge that nothing guards, and a start that looks at one", () => {
  const isOpen = (home: (typeof HOMES)[number]) => home.edges.some(({ isGuarded }) => !isGuarded);
  expect(HOMES.filter(isOpen).length).toBeGreaterThan(0.8 * HOMES.length);
  const looking = HOMES.filter(({ starts }) => starts.some(({ looksAtEdge }) => looksAtEdge));
  expect(looking.length).toBeGreaterThan(0.75 * HOMES.length);
});

test("at every edge the floor ends, by at least the listed drop", () => {
  for (const home of HOMES) {
    const scene = sceneOf(home);
    for (const edge of home.edges) {
      for (const share of [0.15, 0.5, 0.85]) {
        const [low, high] = besides(scene, edge, share);
        expect(low).toBeLessThan(-edge.drop + 1e-6);
        // Floor, or a mat or rug on it; a rail stands beside a guarded edge.
        if (!edge.isGuarded) expect(Math.abs(high - 0.006)).toBeLessThan(0.0065);
      }
    }
  }
});

test("a home's own drive runs over its floor without touching anything", () => {
  for (const home of HOMES.slice(0, 8)) {
    // A wheel that met a drop or a step would be an error.
    const { drive, setup } = loadScenario({ ...home.json, moving: [] });
    expect(setup.sensors).toHaveLength(1);
    const scene = sceneOf(home);
    for (let time = 0; time < drive.duration; time += 0.1) {
      const { position, rotation } = drive.poseAt(time);
      const [qx, qy, qz, qw] = rotation;
      const yaw = Math.atan2(2 * (qx * qy + qz * qw), 1 - 2 * (qy * qy + qz * qz));
      for (const x of [-0.2, 0.22]) {
        for (const y of [-0.17, 0.17]) {
          const px = position[0] + x * Math.cos(yaw) - y * Math.sin(yaw);
          const py = position[1] + x * Math.sin(yaw) + y * Math.cos(yaw);
          expect(scene.solidAt(px, py, position[2] + 0.1, 0)).toBe(false);
        }
      }
    }
  }
});
