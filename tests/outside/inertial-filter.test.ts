import { expect } from "vitest";
import { fromYawPitchRoll, toMatrix } from "../../src/geometry/rigid.ts";
import { emptySpan } from "../../src/sense/inertial-buffer.ts";
import { InertialFilter } from "../../src/track/inertial-filter.ts";
import { seeded } from "../helpers/compare.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

// The filter works sample by sample. The reference solves one dense linear system for the whole drive instead: the unknowns
// (first velocity, bias, every sample's noise, every step of the bias) have a prior, the steps are measured, and the posterior
// covariance is (A^T W A)^-1. Recursive and batch solution are the same (Maybeck 1979, Stochastic Models I, 5.7).
const BATCH = `
import json, sys
import numpy as np
c = json.load(sys.stdin)
n = len(c["seconds"])
dim = 6 + 9 * n
prior = np.zeros((dim, dim))
prior[0:3, 0:3] = np.eye(3) * c["speed"] ** 2
prior[3:6, 3:6] = np.eye(3) * c["bias"] ** 2
rows = {"sum": np.zeros((3, dim)), "step": np.zeros((3, dim)), "v": np.zeros((3, dim)), "b": np.zeros((3, dim))}
known = {"sum": np.zeros(3), "step": np.zeros(3), "v": np.zeros(3), "b": np.zeros(3)}
rows["v"][:, 0:3] = np.eye(3)
rows["b"][:, 3:6] = np.eye(3)
A, z, noise = [], [], []
for i in range(n):
    dt, R, f = c["seconds"][i], np.array(c["rotation"][i]), np.array(c["force"][i])
    at = 6 + 9 * i
    q = c["noise"] ** 2 + (9.80665 * c["tilt"]) ** 2 * dt
    pair = np.array([[q * dt ** 3 / 3, q * dt ** 2 / 2], [q * dt ** 2 / 2, q * dt]])
    prior[at:at + 6, at:at + 6] = np.kron(pair, np.eye(3))
    prior[at + 6:at + 9, at + 6:at + 9] = np.eye(3) * c["walk"] ** 2 * dt
    a = R @ f - np.array([0, 0, 9.80665])
    known["step"] = known["step"] + dt * known["v"] + dt * dt / 2 * a
    known["v"] = known["v"] + dt * a
    rows["step"] = rows["step"] + dt * rows["v"] - dt * dt / 2 * (R @ rows["b"])
    rows["v"] = rows["v"] - dt * (R @ rows["b"])
    rows["step"][:, at:at + 3] += np.eye(3)
    rows["v"][:, at + 3:at + 6] += np.eye(3)
    rows["b"][:, at + 6:at + 9] += np.eye(3)
    for axis, metres, variance in c["measured"].get(str(i), []):
        A.append(np.array(axis) @ rows["step"])
        z.append(metres - np.array(axis) @ known["step"])
        noise.append(variance)
    if i in c["marks"]:
        rows["sum"] = rows["sum"] + rows["step"]
        known["sum"] = known["sum"] + known["step"]
        rows["step"] = np.zeros((3, dim))
        known["step"] = np.zeros(3)
A, z, W = np.array(A), np.array(z), np.diag(1 / np.array(noise))
P = np.linalg.inv(np.linalg.inv(prior) + A.T @ W @ A)
mean = P @ (A.T @ (W @ z))
out = {}
for name in ("sum", "v", "b"):
    out[name] = (known[name] + rows[name] @ mean).tolist()
    out[name + "Spread"] = (rows[name] @ P @ rows[name].T).flatten().tolist()
print(json.dumps(out))`;

testWith(
  "python",
  "steps, velocity and bias by the filter are those of one dense least-squares solution",
  () => {
    const random = seeded(77);
    const settings = { noise: 0.004, tiltNoise: 0.005, bias: 0.1, biasWalk: 0.02, scale: 0 };
    const filter = new InertialFilter(settings.tiltNoise, settings);
    filter.start([0, 0, 0], 0.45);
    const [seconds, rotation, force]: [number[], number[][][], number[][]] = [[], [], []];
    const measured: Record<string, [number[], number, number][]> = {};
    const marks: number[] = [];
    for (let frame = 0; frame < 12; frame++) {
      const span = emptySpan(8);
      for (let n = 0; n < 7; n++) {
        const dt = 0.008 + 0.006 * random();
        const q = fromYawPitchRoll(6 * random(), random() - 0.5, random() - 0.5);
        const m = toMatrix({ rotation: q, position: [0, 0, 0] });
        const f = [2 * random() - 1, 2 * random() - 1, 9.8 + random()];
        seconds.push(dt);
        rotation.push([0, 1, 2].map((row) => [0, 1, 2].map((col) => m[4 * col + row]!)));
        force.push(f);
        span.seconds[n] = dt;
        span.rotation.set(q, 4 * n);
        span.force.set(f, 3 * n);
        span.count++;
      }
      filter.advance(span, 0);
      const last = seconds.length - 1;
      const axis = [Math.cos(frame), Math.sin(frame), 0] as const;
      // Close to the prediction: the filter would give an outlier less weight, the reference would not.
      const { step } = filter;
      const metres = axis[0] * step[0] + axis[1] * step[1] + 0.004 * (random() - 0.5);
      measured[last] = [[[...axis], metres, 4e-4]];
      filter.correctStep(axis, metres, 4e-4);
      marks.push(last);
      filter.mark();
    }
    const { noise, tiltNoise: tilt, bias, biasWalk: walk } = settings;
    const given = { seconds, rotation, force, measured, marks, speed: 0.45, noise, tilt, bias, walk };
    const answer = JSON.parse(runPython(BATCH, [], JSON.stringify(given))) as Record<string, number[]>;
    const same = (ours: ArrayLike<number>, theirs: number[], scale: number) =>
      theirs.forEach((value, k) => {
        expect(Math.abs(ours[k]! - value)).toBeLessThan(1e-7 * scale);
      });
    same(filter.sum, answer["sum"]!, 1);
    same(filter.velocity, answer["v"]!, 1);
    same(filter.bias, answer["b"]!, 1);
    same(filter.sumSpread, answer["sumSpread"]!, 1);
    same(filter.velocitySpread, answer["vSpread"]!, 1);
    same(filter.biasSpread, answer["bSpread"]!, 1);
  },
);
