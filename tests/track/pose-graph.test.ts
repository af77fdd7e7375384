import { describe, expect, test } from "vitest";
import type { Pose, Vec3 } from "../../src/geometry/optics.ts";
import { fromYawPitchRoll, toYawPitchRoll } from "../../src/geometry/rigid.ts";
import { Random } from "../../src/simulate/random.ts";
import { edgeBetween, misfit, optimise, type PoseEdge } from "../../src/track/pose-graph.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

/** Twice round a square of 6 m, and the same as odometry with errors of its own would have it. */
function round(count: number, seed: number): { truth: Pose[]; edges: PoseEdge[]; start: Pose[] } {
  const random = new Random(seed, 3);
  const truth = Array.from({ length: count }, (_, n): Pose => {
    const s = (8 * n) / (count - 1);
    const side = Math.floor(s) % 4;
    const along = 6 * (s - Math.floor(s));
    const corner = [
      [0, 0],
      [6, 0],
      [6, 6],
      [0, 6],
    ][side]!;
    const [c, d] = [
      [1, 0],
      [0, 1],
      [-1, 0],
      [0, -1],
    ][side]!;
    return {
      position: [corner[0]! + c! * along, corner[1]! + d! * along, 0.02 * Math.sin(s)],
      rotation: fromYawPitchRoll((side * Math.PI) / 2, 0.1 * Math.sin(3 * s), 0.05),
    };
  });
  const noisy = (edge: PoseEdge): PoseEdge => ({
    ...edge,
    move: edge.move.map((v) => v + edge.sigma * random.gauss()) as unknown as Vec3,
    turn: edge.turn + edge.yawSigma * random.gauss(),
  });
  const edges = truth
    .slice(1)
    .map((pose, n) =>
      noisy(edgeBetween(truth[n]!, pose, { from: n, to: n + 1, sigma: 0.02, yawSigma: 0.01 })),
    );
  const start: Pose[] = [truth[0]!];
  for (const { move, turn } of edges) {
    const last = start.at(-1)!;
    const [yaw] = toYawPitchRoll(last.rotation);
    const [c, s] = [Math.cos(yaw), Math.sin(yaw)];
    const [x, y, z] = last.position;
    const [, pitch, roll] = toYawPitchRoll(truth[start.length]!.rotation);
    start.push({
      position: [x + c * move[0] - s * move[1], y + s * move[0] + c * move[1], z + move[2]],
      rotation: fromYawPitchRoll(yaw + turn, pitch, roll),
    });
  }
  const half = Math.floor(count / 2);
  for (const [a, b] of [
    [2, half + 2],
    [half - 9, count - 10],
    [0, count - 1],
  ] as const) {
    edges.push(noisy(edgeBetween(truth[a]!, truth[b]!, { from: a, to: b, sigma: 0.01, yawSigma: 0.005 })));
  }
  return { truth, edges, start };
}

const farthest = (a: readonly Pose[], b: readonly Pose[]): number =>
  Math.max(...a.map((pose, n) => Math.hypot(...pose.position.map((v, i) => v - b[n]!.position[i]!))));

describe("a graph of poses", () => {
  testWith("python", "is optimised to the solution of SciPy's least_squares", () => {
    const { edges, start } = round(60, 4);
    const input = JSON.stringify({
      start: start.map(({ position, rotation }) => [...position, toYawPitchRoll(rotation)[0]]),
      edges: edges.map((e) => [e.from, e.to, ...e.move, e.turn, e.sigma, e.yawSigma]),
    });
    const script = `
import json, sys
import numpy as np
from scipy.optimize import least_squares
d = json.load(sys.stdin)
x0 = np.array(d["start"]); E = d["edges"]
def f(v):
    p = np.vstack([x0[:1], v.reshape(-1, 4)])
    out = []
    for i, j, mx, my, mz, turn, s, ys in E:
        a, b = p[int(i)], p[int(j)]
        c, q = np.cos(a[3]), np.sin(a[3])
        dx, dy = b[0] - a[0], b[1] - a[1]
        w = b[3] - a[3] - turn
        w -= 2 * np.pi * np.round(w / (2 * np.pi))
        out += [(c * dx + q * dy - mx) / s, (c * dy - q * dx - my) / s, (b[2] - a[2] - mz) / s, w / ys]
    return np.array(out)
r = least_squares(f, x0[1:].ravel(), method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14)
print(json.dumps({"cost": float(2 * r.cost), "x": np.vstack([x0[:1], r.x.reshape(-1, 4)]).tolist()}))`;
    const expected = JSON.parse(runPython(script, [], input)) as { cost: number; x: number[][] };
    const { poses, after, before } = optimise(start, edges);
    expect(before).toBeGreaterThan(10 * after);
    expect(after).toBeCloseTo(expected.cost, 5);
    poses.forEach(({ position, rotation }, n) => {
      const [x, y, z, yaw] = expected.x[n]!;
      expect(Math.hypot(position[0] - x!, position[1] - y!, position[2] - z!)).toBeLessThan(1e-5);
      const off = toYawPitchRoll(rotation)[0] - yaw!;
      expect(Math.abs(off - 2 * Math.PI * Math.round(off / (2 * Math.PI)))).toBeLessThan(1e-6);
    });
  });

  test("comes near the truth, keeps its first pose and every roll and pitch, and its cost is within chi-squared", () => {
    const { truth, edges, start } = round(400, 7);
    const { poses, after } = optimise(start, edges);
    expect(farthest(start, truth)).toBeGreaterThan(0.5);
    expect(farthest(poses, truth)).toBeLessThan(0.4 * farthest(start, truth));
    expect(poses[0]!.position).toEqual(start[0]!.position);
    poses.forEach(({ rotation }, n) => {
      const [, pitch, roll] = toYawPitchRoll(rotation);
      expect(pitch).toBeCloseTo(toYawPitchRoll(truth[n]!.rotation)[1], 9);
      expect(roll).toBeCloseTo(toYawPitchRoll(truth[n]!.rotation)[2], 9);
    });
    // Degrees of freedom: four for each of the three edges more than a chain needs. Chi-squared(12), 99.9 %: 32.9.
    expect(after).toBeLessThan(32.9);
  });

  test("a wrong edge has a misfit beyond chi-squared", () => {
    const { truth, edges, start } = round(100, 2);
    const wrong = {
      ...edgeBetween(truth[10]!, truth[70]!, { from: 10, to: 70, sigma: 0.01, yawSigma: 0.005 }),
      turn: 1,
    };
    const { poses } = optimise(start, [...edges, wrong]);
    const right = edges.at(-1)!;
    const sound = optimise(start, edges).poses;
    // Chi-squared with four degrees of freedom, 99.9 %: 18.5.
    expect(misfit(right, sound[right.from]!, sound[right.to]!)).toBeLessThan(18.5);
    expect(misfit(wrong, poses[10]!, poses[70]!)).toBeGreaterThan(18.5);
  });

  test("edges to missing poses and sigmas of 0 are refused", () => {
    const { edges, start } = round(40, 1);
    expect(() => optimise(start, [{ ...edges[0]!, to: 40 }])).toThrow(/edge 0 -> 40.*of 40 poses/);
    expect(() => optimise(start, [{ ...edges[0]!, sigma: 0 }])).toThrow(RangeError);
  });
});
