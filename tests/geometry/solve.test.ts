import { describe, expect, test } from "vitest";
import type { Vec3 } from "../../src/geometry/optics.ts";
import {
  angleBetween,
  fromRotationVector,
  fromYawPitchRoll,
  invert,
  transformPoint,
} from "../../src/geometry/rigid.ts";
import {
  alignPlanar,
  alignRigid,
  eigenSymmetric,
  fitPlane,
  solveSymmetric,
} from "../../src/geometry/solve.ts";
import { degrees, expectClose, seeded } from "../helpers/compare.ts";
import { CORRIDOR_EIGENVALUES, WALLS_MOTION, WALLS_STEP } from "../reference/values.ts";

type Facet = readonly [point: Vec3, normal: Vec3];

/** Normal matrix and right side of one linear point-to-plane step (Low 2004): rows [p x n, n], residual (q - p) . n. */
function pointToPlane(facets: readonly Facet[], sources: readonly Vec3[]) {
  const h = new Float64Array(36);
  const g = new Float64Array(6);
  facets.forEach(([q, n], k) => {
    const p = sources[k]!;
    const row = [p[1] * n[2] - p[2] * n[1], p[2] * n[0] - p[0] * n[2], p[0] * n[1] - p[1] * n[0], ...n];
    const r = (q[0] - p[0]) * n[0] + (q[1] - p[1]) * n[1] + (q[2] - p[2]) * n[2];
    for (let i = 0; i < 6; i++) {
      g[i]! += row[i]! * r;
      for (let j = 0; j < 6; j++) h[6 * i + j]! += row[i]! * row[j]!;
    }
  });
  return { h, g };
}

/** Three walls 2 m away on the three axes, 25 points each, facing the origin. */
const corner: Facet[] = [];
for (let axis = 0; axis < 3; axis++) {
  for (let u = -1; u <= 1; u += 0.5) {
    for (let v = -1; v <= 1; v += 0.5) {
      const p = [0, 0, 0];
      const n = [0, 0, 0];
      p[axis] = 2;
      p[(axis + 1) % 3] = u;
      p[(axis + 2) % 3] = v;
      n[axis] = -1;
      corner.push([p as unknown as Vec3, n as unknown as Vec3]);
    }
  }
}

const eigenvalues = (facets: readonly Facet[]) => {
  const values = new Float64Array(6);
  const vectors = new Float64Array(36);
  eigenSymmetric(
    values,
    vectors,
    pointToPlane(
      facets,
      facets.map(([p]) => p),
    ).h,
    6,
  );
  return { values, vectors };
};

describe("linear systems", () => {
  test("one point-to-plane step in a room corner is the one that numpy computes, and five steps arrive", () => {
    const motion = {
      rotation: fromRotationVector(WALLS_MOTION.turned),
      position: WALLS_MOTION.moved,
    };
    let sources = corner.map(([p]) => transformPoint(invert(motion), p));
    for (let step = 0; step < 5; step++) {
      const { h, g } = pointToPlane(corner, sources);
      const x = new Float64Array(6);
      expect(solveSymmetric(x, h, g, 6)).toBe(true);
      if (step === 0) {
        expectClose(x, WALLS_STEP, 1e-8);
      }
      const turned = {
        rotation: fromRotationVector([x[0]!, x[1]!, x[2]!]),
        position: [x[3]!, x[4]!, x[5]!],
      } as const;
      sources = sources.map((p) => transformPoint(turned, p));
    }
    corner.forEach(([q], k) => {
      expectClose(sources[k]!, q, 1e-12);
    });
  });

  test("equations that leave a direction open are reported, and x is left alone", () => {
    const floor = corner.filter(([, n]) => n[2] === -1);
    const { h, g } = pointToPlane(
      floor,
      floor.map(([p]) => p),
    );
    const x = new Float64Array(6).fill(7);
    expect(solveSymmetric(x, h, g, 6)).toBe(false);
    expect([...x]).toEqual(Array(6).fill(7));
    expect(solveSymmetric(x, Float64Array.of(1, 2, 2, 1), x, 2)).toBe(false); // indefinite
    expect(solveSymmetric(x, Float64Array.of(Number.NaN), x, 1)).toBe(false);
  });

  test("a solution fulfils its equations", () => {
    const random = seeded(3);
    for (let n = 1; n <= 8; n++) {
      const rows = Array.from({ length: n + 2 }, () =>
        Float64Array.from({ length: n }, () => random() - 0.5),
      );
      const a = new Float64Array(n * n);
      for (const r of rows)
        for (let i = 0; i < n; i++) for (let j = 0; j < n; j++) a[i * n + j]! += r[i]! * r[j]!;
      const truth = Float64Array.from({ length: n }, () => random());
      const b = truth.map((_, i) => truth.reduce((sum, t, j) => sum + a[i * n + j]! * t, 0));
      expect(solveSymmetric(b, a, b, n)).toBe(true); // in place
      expectClose(b, truth, 1e-9);
    }
  });

  test("a size that is not supported or an array too short is a caller's mistake", () => {
    const x = new Float64Array(81);
    expect(() => solveSymmetric(x, x, x, 9)).toThrow(/9 unknowns/);
    expect(() => solveSymmetric(x, new Float64Array(3), x, 2)).toThrow(/need 4/);
    expect(() => solveSymmetric(new Float64Array(1), x, x, 2)).toThrow(/need 2/);
    expect(() => eigenSymmetric(new Float64Array(1), x, x, 2)).toThrow(/need 2/);
    expect(() => eigenSymmetric(x, new Float64Array(81), [1, Number.NaN, 0, 1], 2)).toThrow(/\(0, 1\)/);
  });
});

describe("degeneracy", () => {
  test("eigenvalues name the motions that a scene leaves open", () => {
    // Zhang, Kaess & Singh 2016: a direction whose eigenvalue is 0 is free.
    expectClose(eigenvalues(corner).values, Array(6).fill(25), 1e-9);

    const corridor: Facet[] = [];
    for (let u = -2; u <= 2; u += 0.5) {
      for (let v = -1; v <= 1; v += 0.5) {
        corridor.push(
          [
            [u, v, -0.5],
            [0, 0, 1],
          ],
          [
            [u, 1, v / 2],
            [0, -1, 0],
          ],
          [
            [u, -1, v / 2],
            [0, 1, 0],
          ],
        );
      }
    }
    const { values, vectors } = eigenvalues(corridor);
    expectClose(values, CORRIDOR_EIGENVALUES, 1e-9);
    expectClose(vectors.subarray(0, 6).map(Math.abs), [0, 0, 0, 1, 0, 0], 1e-9); // along the corridor

    const floor: Facet[] = [];
    for (let u = -1; u <= 1; u += 0.5)
      for (let v = -1; v <= 1; v += 0.5)
        floor.push([
          [u, v, 0],
          [0, 0, 1],
        ]);
    const open = [...eigenvalues(floor).values].filter((value) => Math.abs(value) < 1e-9);
    expect(open.length).toBe(3); // x, y and yaw
  });
});

describe("planes", () => {
  test("four corners of a ramp have its normal and tilt", () => {
    // Total least squares by hand: z = 0.1 x, normal (-0.1, 0, 1) / sqrt(1.01).
    const plane = fitPlane([0, 0, 0, 1, 0, 0.1, 0, 1, 0, 1, 1, 0.1])!;
    expectClose(plane.normal, [-0.099503719, 0, 0.99503719], 1e-9);
    expect(Math.abs((Math.acos(plane.normal[2]) * 180) / Math.PI - 5.710593)).toBeLessThan(1e-6);
    expectClose([plane.offset, plane.rms], [0, 0], 1e-12);
  });

  test("points off the plane show in its rms", () => {
    const plane = fitPlane([1, 1, 5.1, -1, 1, 4.9, 1, -1, 4.9, -1, -1, 5.1])!;
    expectClose([...plane.normal, plane.offset, plane.rms], [0, 0, 1, 5, 0.1], 1e-12);
  });

  test("points on a line, or too few, have no plane", () => {
    expect(fitPlane([0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3])).toBe(null);
    expect(fitPlane([1, 2, 3, 1, 2, 3, 1, 2, 3])).toBe(null);
    expect(fitPlane([0, 0, 0, 1, 0, 0])).toBe(null);
    expect(() => fitPlane([0, 0, 0], 2)).toThrow(RangeError);
  });
});

describe("alignment", () => {
  test("a rigid motion is recovered exactly", () => {
    // Horn 1987.
    const motion = {
      rotation: fromYawPitchRoll(degrees(30), degrees(20), degrees(10)),
      position: [0.5, -0.25, 1],
    } as const;
    const points: Vec3[] = [
      [0, 0, 0],
      [1, 0, 0],
      [0, 2, 0],
      [0, 0, 3],
    ];
    const { pose, rms } = alignRigid(
      points.flat(),
      points.flatMap((p) => transformPoint(motion, p)),
    );
    expect(angleBetween(pose.rotation, motion.rotation)).toBeLessThan(1e-12);
    expectClose(pose.position, motion.position, 1e-12);
    expect(rms).toBeLessThan(1e-12);
  });

  test("points whose best fit is a mirror image still get a rotation", () => {
    // Umeyama 1991: naive V U^T has determinant -1 here; the right answer is no rotation, rms 0.02.
    const flat = [
      [0, 0],
      [1, 0],
      [0, 2],
      [1, 2],
    ] as const;
    const bump = [-0.01, 0.01, 0.01, -0.01];
    const up = flat.flatMap((p, i) => [...p, bump[i]!]);
    const down = flat.flatMap((p, i) => [...p, -bump[i]!]);
    const { pose, rms } = alignRigid(up, down);
    expect(angleBetween(pose.rotation, [0, 0, 0, 1])).toBeLessThan(1e-12);
    expect(Math.abs(rms - 0.02)).toBeLessThan(1e-12);
  });

  test("where points leave a turn free, no needless turn is made; a half turn is found", () => {
    const line = alignRigid([0, 0, 0, 1, 0, 0, 2, 0, 0], [0, 0, 0, 0, 1, 0, 0, 2, 0]).pose.rotation;
    expectClose(line, fromYawPitchRoll(Math.PI / 2, 0, 0), 1e-9);
    expect(alignRigid([1, 2, 3], [4, 4, 4]).pose).toEqual({ rotation: [0, 0, 0, 1], position: [3, 2, 1] });
    const half = alignRigid([1, 0, 0, -2, 1, 0, 0, 0, 5], [-1, 0, 0, 2, -1, 0, 0, 0, 5]);
    expect(half.rms).toBeLessThan(1e-12);
  });

  test("the planar similarity of three points, one of them mirrored", () => {
    // Umeyama 1991, section IV (from memory), worked by hand. Covariances of the centred points are
    // [[-2, 2], [-2, 8]] / 9, so tan(yaw) = (-2 - 2) / (8 - 2) = -2/3 and the trace of the turned matrix is 2 sqrt(13) / 9.
    // The first points' variance is 10/9: scale sqrt(13) / 5, mean square 10/9 - (2 sqrt(13) / 9)^2 / (10/9) = 8/15.
    const { scale, yaw, x, y, meanSquare } = alignPlanar([0, 0, 1, 0, 0, 2], [0, 0, -1, 0, 0, 2], true);
    expectClose([scale, x, y, meanSquare], [Math.sqrt(13) / 5, -0.8, 0.4, 8 / 15], 1e-12);
    expectClose([yaw], [Math.atan2(-2, 3)], 1e-12);
  });

  test("a planar motion without scale keeps lengths", () => {
    const c = Math.cos(0.3);
    const s = Math.sin(0.3);
    const moved = [0, 0, 1, 0, 0, 2].flatMap((_, i, p) =>
      i % 2 ? [] : [c * p[i]! - s * p[i + 1]! + 4, s * p[i]! + c * p[i + 1]! - 5],
    );
    const found = alignPlanar([0, 0, 1, 0, 0, 2], moved);
    expectClose([found.scale, found.yaw, found.x, found.y, found.meanSquare], [1, 0.3, 4, -5, 0], 1e-12);
  });

  test("lists of different length are a caller's mistake", () => {
    expect(() => alignRigid([0, 0, 0], [0, 0, 0, 1, 1, 1])).toThrow(RangeError);
    expect(() => alignRigid([], [])).toThrow(RangeError);
    expect(() => alignPlanar([0, 0, 0], [0, 0, 0])).toThrow(RangeError);
  });
});
