import { describe, expect, test } from "vitest";
import type { PinholeOptics } from "../../src/geometry/optics.ts";
import { rayTable } from "../../src/geometry/rays.ts";
import { emptyMatches } from "../../src/track/matches.ts";
import type { Placement } from "../../src/track/placement.ts";
import { FrameSampler } from "../../src/track/sampler.ts";
import { emptySamples, type Samples } from "../../src/track/samples.ts";
import { SurfelMap } from "../../src/track/surfels.ts";
import { seededNormal } from "../helpers/compare.ts";

const still = (z = 0): Placement => ({
  rotation: Float64Array.from([1, 0, 0, 0, 1, 0, 0, 0, 1]),
  position: Float64Array.from([0, 0, z]),
});

/** Samples of a level plane at height z, 2 cm apart over 1 m2, with noise along the normal. */
function plane(z: number, noise: number, seed: number): Samples {
  const samples = emptySamples(2500);
  const normal = seededNormal(seed);
  for (let i = 0; i < 50; i++) {
    for (let j = 0; j < 50; j++) {
      const n = samples.count++;
      samples.point.set([0.005 + 0.02 * i, 0.005 + 0.02 * j, z + noise * normal()], 3 * n);
      samples.normal.set([0, 0, 1], 3 * n);
      samples.weight[n] = 1e4;
    }
  }
  return samples;
}

describe("the surfel map", () => {
  test("a surface on a boundary of voxels is one surface, and holds a frame that is off by 5 mm", () => {
    // At z = 0.12, two voxels of 6 cm, half of the noisy samples are above and half below the boundary.
    const map = new SurfelMap(0.06, 1e9);
    for (let seed = 1; seed <= 5; seed++) map.fuse(plane(0.12, 0.01, seed), still());
    const matches = emptyMatches(2500);
    const frame = plane(0.12, 0.01, 99);
    map.match(matches, frame, still(0.005), { gate: 0.06, stride: 1 });
    expect(matches.count).toBeGreaterThan(2400);
    const mean = matches.residual.slice(0, matches.count).reduce((sum, r) => sum + r, 0) / matches.count;
    // Had the noise split it, each half would follow its own samples and the mean would be near 0.
    expect(Math.abs(mean - 0.005)).toBeLessThan(0.0015);
  });

  test("the two sides of a thin board are two surfaces", () => {
    const map = new SurfelMap(0.06, 1e9);
    const board = plane(0.03, 0, 1);
    map.fuse(board, still());
    for (let k = 2; k < 3 * board.count; k += 3) {
      board.normal[k] = -1;
      board.point[k] = 0.012;
    }
    map.fuse(board, still());
    const heights = new Set<string>();
    map.forEach((surfel) => {
      heights.add(`${surfel[2]!.toFixed(3)} ${surfel[5]}`);
    });
    expect([...heights].sort()).toEqual(["0.012 -1", "0.030 1"]);
  });

  test("a map turned by a quarter matches samples turned by a quarter", () => {
    const map = new SurfelMap(0.06, 1e9);
    map.fuse(plane(0.1, 0, 1), still());
    const quarter = Float64Array.from([0, -1, 0, 1, 0, 0, 0, 0, 1]);
    map.turn(quarter, [0, 0, 0]);
    const matches = emptyMatches(2500);
    const turned = { rotation: quarter, position: new Float64Array(3) };
    map.match(matches, plane(0.1, 0, 1), turned, { gate: 0.01, stride: 1 });
    expect(matches.count).toBe(2500);
  });

  test("along an unsure axis only surfaces parallel to it are added", () => {
    const map = new SurfelMap(0.06, 1e9);
    map.fuse(plane(0.1, 0, 1), still(), { free: Float64Array.from([0, 0, 1]) });
    expect(map.count).toBe(0);
    map.fuse(plane(0.1, 0, 1), still(), { free: Float64Array.from([1, 0, 0]) });
    expect(map.count).toBeGreaterThan(200);
  });
});

describe("the sampler", () => {
  const optics: PinholeOptics = {
    model: "pinhole",
    width: 120,
    height: 90,
    fx: 90,
    fy: 90,
    cx: 59.5,
    cy: 44.5,
    measures: "z",
    unit: 0.001,
    minRange: 0.1,
    maxRange: 6,
  };

  test("gives a small side wall more than its share beside a large floor", () => {
    // A floor 0.5 m below a level lens, and a side wall 1.2 m to the left that ends at 2 m.
    const depth = new Uint16Array(120 * 90);
    for (let v = 0; v < 90; v++) {
      for (let u = 0; u < 120; u++) {
        const [x, y] = [(u - 59.5) / 90, (v - 44.5) / 90];
        const floor = y > 0 ? 0.5 / y : Number.POSITIVE_INFINITY;
        const wall = x < 0 ? -1.2 / x : Number.POSITIVE_INFINITY;
        const z = Math.min(floor, wall < 2.3 ? wall : Number.POSITIVE_INFINITY);
        if (z < 6) depth[v * 120 + u] = Math.round(1000 * z);
      }
    }
    const sampler = new FrameSampler(rayTable(optics), { wanted: 300 });
    sampler.sample(depth, 1000);
    const shareOfWall = ({ count, normal }: Samples) => {
      let wall = 0;
      for (let i = 0; i < count; i++) if (normal[3 * i]! > 0.8) wall++;
      return wall / count;
    };
    expect(sampler.chosen.count).toBeGreaterThan(250);
    expect(shareOfWall(sampler.all)).toBeLessThan(0.3);
    expect(shareOfWall(sampler.chosen)).toBeGreaterThan(1.3 * shareOfWall(sampler.all));
  });
});
