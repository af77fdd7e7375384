import { describe, expect, test } from "vitest";
import { solveSymmetric } from "../../src/geometry/solve.ts";
import { emptyMatches, type Matches } from "../../src/track/matches.ts";
import {
  emptyStrength,
  emptySums,
  sumPlanes,
  translationStrength,
} from "../../src/track/normal-equations.ts";
import { rotationBetween, turnBy } from "../../src/track/placement.ts";
import { expectClose } from "../helpers/compare.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";
import { CORRIDOR_EIGENVALUES, WALLS_MOTION, WALLS_STEP } from "../reference/values.ts";

type Row = readonly number[];
interface Planes {
  readonly points: readonly Row[];
  readonly normals: readonly Row[];
}

/** On each axis a wall at 2 m, 25 points each, facing the origin. */
function threeWalls(): Planes {
  const points: number[][] = [];
  const normals: number[][] = [];
  for (let axis = 0; axis < 3; axis++) {
    for (const u of [-1, -0.5, 0, 0.5, 1]) {
      for (const v of [-1, -0.5, 0, 0.5, 1]) {
        const point = [0, 0, 0];
        point[axis] = 2;
        point[(axis + 1) % 3] = u;
        point[(axis + 2) % 3] = v;
        points.push(point);
        normals.push([0, 1, 2].map((k) => (k === axis ? -1 : 0)));
      }
    }
  }
  return { points, normals };
}

/** A floor and two walls along x. */
function corridor(parts: "all" | "floor"): Planes {
  const points: number[][] = [];
  const normals: number[][] = [];
  for (let u = -2; u <= 2; u += 0.5) {
    for (let v = -1; v <= 1; v += 0.5) {
      points.push([u, v, -0.5]);
      normals.push([0, 0, 1]);
      if (parts === "floor") continue;
      points.push([u, 1, v / 2], [u, -1, v / 2]);
      normals.push([0, -1, 0], [0, 1, 0]);
    }
  }
  return { points, normals };
}

/** Points `from`, each against the plane through the target point of the same number. */
function matchesOf(from: readonly Row[], { points, normals }: Planes): Matches {
  const matches = emptyMatches(from.length);
  matches.count = from.length;
  from.forEach((p, i) => {
    matches.point.set(p, 3 * i);
    matches.normal.set(normals[i]!, 3 * i);
    matches.residual[i] = [0, 1, 2].reduce((sum, k) => sum + normals[i]![k]! * (p[k]! - points[i]![k]!), 0);
    matches.weight[i] = 1;
  });
  return matches;
}

const { turned: W, moved: T } = WALLS_MOTION;

/** The three walls moved by the inverse of the motion (W, T). */
function moved(): readonly Row[] {
  const R = Float64Array.from([1, 0, 0, 0, 1, 0, 0, 0, 1]);
  turnBy(R, ...W);
  return threeWalls().points.map((p) =>
    [0, 1, 2].map((j) => [0, 1, 2].reduce((sum, i) => sum + R[3 * i + j]! * (p[i]! - T[i]!), 0)),
  );
}

describe("one point-to-plane step", () => {
  // Matches are held in single precision: 1e-7 of 2 m.
  test("three walls turned and shifted a little give the step that numpy computes", () => {
    const sums = emptySums();
    sumPlanes(sums, matchesOf(moved(), threeWalls()));
    const step = new Float64Array(6);
    expect(solveSymmetric(step, sums.information, sums.pull, 6)).toBe(true);
    expectClose(step, WALLS_STEP, 2e-7);
  });

  testWith("python", "the step is numpy's least-squares solution of the same rows", () => {
    const target = threeWalls();
    const from = moved();
    const input = JSON.stringify({ p: from, q: target.points, n: target.normals });
    const script = `
import json, sys, numpy as np
d = json.load(sys.stdin)
p, q, n = (np.array(d[k], float) for k in "pqn")
J = np.hstack([np.cross(p, n), n])
r = np.sum(n * (p - q), axis=1)
print(json.dumps(list(np.linalg.lstsq(J, -r, rcond=None)[0])))`;
    const expected = JSON.parse(runPython(script, [], input)) as number[];
    const sums = emptySums();
    sumPlanes(sums, matchesOf(from, target));
    const step = new Float64Array(6);
    solveSymmetric(step, sums.information, sums.pull, 6);
    expectClose(step, expected, 2e-7);
  });

  test("repeated, it arrives at the true motion", () => {
    const target = threeWalls();
    const R = Float64Array.from([1, 0, 0, 0, 1, 0, 0, 0, 1]);
    const t = [0, 0, 0];
    const sums = emptySums();
    const step = new Float64Array(6);
    for (let i = 0; i < 5; i++) {
      const now = moved().map((p) =>
        [0, 1, 2].map((k) => R[3 * k]! * p[0]! + R[3 * k + 1]! * p[1]! + R[3 * k + 2]! * p[2]! + t[k]!),
      );
      sumPlanes(sums, matchesOf(now, target));
      solveSymmetric(step, sums.information, sums.pull, 6);
      const before = Float64Array.from([1, 0, 0, 0, 1, 0, 0, 0, 1]);
      turnBy(before, step[0]!, step[1]!, step[2]!);
      const turned = [0, 1, 2].map(
        (k) => before[3 * k]! * t[0]! + before[3 * k + 1]! * t[1]! + before[3 * k + 2]! * t[2]!,
      );
      turned.forEach((value, k) => {
        t[k] = value + step[3 + k]!;
      });
      turnBy(R, step[0]!, step[1]!, step[2]!);
    }
    expectClose(t, T, 1e-6);
    const w = new Float64Array(3);
    rotationBetween(w, Float64Array.from([1, 0, 0, 0, 1, 0, 0, 0, 1]), R);
    expectClose(w, W, 1e-6);
    expect(Math.sqrt(sums.squares / sums.weight)).toBeLessThan(1e-6);
  });
});

describe("directions that geometry leaves free", () => {
  const strengthOf = (planes: Planes, known: Float64Array | null = null) => {
    const sums = emptySums();
    sumPlanes(sums, matchesOf(planes.points, planes));
    const strength = emptyStrength();
    translationStrength(strength, sums.information, known);
    return strength;
  };

  test("a corridor leaves its own direction free and no other", () => {
    const { values, axes } = strengthOf(corridor("all"));
    expect(values[0]).toBeLessThan(1e-6 * values[2]!);
    expect(values[1]).toBeGreaterThan(0.05 * values[2]!);
    expectClose(axes.slice(0, 3).map(Math.abs), [1, 0, 0], 1e-6);
  });

  test("a floor alone leaves two directions free, three walls none", () => {
    const floor = strengthOf(corridor("floor"));
    expect(floor.values[1]).toBeLessThan(1e-6 * floor.values[2]!);
    const walls = strengthOf(threeWalls());
    expect(walls.values[0]).toBeGreaterThan(0.01 * walls.values[2]!);
  });

  testWith(
    "python",
    "information, its Schur complement and the corridor's eigenvalues are those that numpy computes",
    () => {
      for (const planes of [corridor("all"), corridor("floor"), threeWalls()]) {
        const script = `
import json, sys, numpy as np
d = json.load(sys.stdin)
p, n = (np.array(d[k], float) for k in "pn")
J = np.hstack([np.cross(p, n), n]); H = J.T @ J
R, C, T = H[:3, :3] + np.eye(3), H[:3, 3:], H[3:, 3:]
print(json.dumps([H.ravel().tolist(), np.linalg.eigvalsh(H).tolist(), np.linalg.eigvalsh(T - C.T @ np.linalg.inv(R) @ C).tolist()]))`;
        const input = JSON.stringify({ p: planes.points, n: planes.normals });
        const [H, eigenvalues, schur] = JSON.parse(runPython(script, [], input)) as number[][];
        const sums = emptySums();
        sumPlanes(sums, matchesOf(planes.points, planes));
        expectClose(sums.information, H!, 1e-9);
        // With one unit of information on every rotation, as an orientation sensor gives it.
        const known = Float64Array.from([1, 0, 0, 0, 1, 0, 0, 0, 1]);
        expectClose(strengthOf(planes, known).values, schur!, 1e-6);
        // Zhang, Kaess & Singh 2016: a direction whose eigenvalue is 0 is free.
        if (planes.points.length === 135) expectClose(eigenvalues!, CORRIDOR_EIGENVALUES, 1e-9);
      }
    },
  );
});
