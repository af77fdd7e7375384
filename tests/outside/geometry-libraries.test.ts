import { expect } from "vitest";
import type { FisheyeOptics, PinholeOptics, Quat, Vec3 } from "../../src/geometry/optics.ts";
import { project, rayTable } from "../../src/geometry/rays.ts";
import {
  angleBetween,
  fromRotationVector,
  fromYawPitchRoll,
  meanRotation,
  multiply,
  slerp,
  toRotationVector,
  toYawPitchRoll,
} from "../../src/geometry/rigid.ts";
import { alignRigid, eigenSymmetric, fitPlane } from "../../src/geometry/solve.ts";
import { expectClose, seededNormal } from "../helpers/compare.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

/** Sends `input` to the script as JSON and reads its JSON answer. */
const ask = (script: string, input: unknown) =>
  JSON.parse(
    runPython(
      `import json, sys\nimport numpy as np\nd = json.load(sys.stdin)\n${script}`,
      [],
      JSON.stringify(input),
    ),
  );

testWith("python", "rotations agree with scipy on 200 random pairs", () => {
  const normal = seededNormal(11);
  const vectors = Array.from({ length: 200 }, (): Vec3 => [normal(), normal(), normal()]);
  const q = vectors.map(fromRotationVector);
  const answer = ask(
    `
from scipy.spatial.transform import Rotation as R, Slerp
r = R.from_rotvec(d)
n = len(d)
print(json.dumps({
  "quat": r.as_quat().tolist(),
  "product": (r[:-1] * r[1:]).as_quat().tolist(),
  "slerp": [Slerp([0, 1], r[[i, i + 1]])([0.3]).as_quat()[0].tolist() for i in range(n - 1)],
  "vector": r.as_rotvec().tolist(),
  "euler": r.as_euler("ZYX").tolist(),
  "mean": r.mean().as_quat().tolist()}))`,
    vectors,
  );
  const same = (a: Quat, b: Quat) => expect(angleBetween(a, b)).toBeLessThan(1e-12);
  q.forEach((rotation, i) => {
    same(rotation, answer.quat[i]);
    expectClose(toRotationVector(rotation), answer.vector[i], 1e-12);
    expectClose(toYawPitchRoll(rotation), answer.euler[i], 1e-9);
    same(fromYawPitchRoll(...(answer.euler[i] as [number, number, number])), answer.quat[i]);
    if (i + 1 < q.length) {
      same(multiply(rotation, q[i + 1]!), answer.product[i]);
      same(slerp(rotation, q[i + 1]!, 0.3), answer.slerp[i]);
    }
  });
  same(meanRotation(q), answer.mean);
});

testWith("python", "eigenvalues, planes and alignments agree with numpy on random input", () => {
  const normal = seededNormal(5);
  const cases = Array.from({ length: 50 }, () => Array.from({ length: 60 }, () => normal()));
  const answer = ask(
    `
out = []
for c in d:
  p = np.array(c).reshape(20, 3); q = np.roll(p, 1, axis=1) * [1, 1, 0.7] + 0.1 * np.sin(p)
  m = (p.T @ p)
  w, v = np.linalg.eigh(np.cov(p.T, bias=True))
  a, b = p - p.mean(0), q - q.mean(0)
  u, s, vt = np.linalg.svd(a.T @ b)
  r = vt.T @ np.diag([1, 1, np.linalg.det(vt.T @ u.T)]) @ u.T
  big = np.array(c[:36]).reshape(6, 6); big = big + big.T
  out.append({"q": q.ravel().tolist(), "normal": v[:, 0].tolist(), "rms": float(np.sqrt(w[0])),
    "turned": (a @ r.T + q.mean(0)).ravel().tolist(), "big": big.ravel().tolist(), "eig": np.linalg.eigvalsh(big).tolist()})
print(json.dumps(out))`,
    cases,
  );
  const values = new Float64Array(6);
  const vectors = new Float64Array(36);
  cases.forEach((points, k) => {
    const expected = answer[k];
    const plane = fitPlane(points)!;
    const along = plane.normal.reduce((sum, c, i) => sum + c * expected.normal[i], 0);
    expectClose([Math.abs(along), plane.rms], [1, expected.rms], 1e-12);
    const { rms } = alignRigid(points, expected.q);
    const best = Math.sqrt(
      (expected.turned as number[]).reduce((sum, c, i) => sum + (c - expected.q[i]) ** 2, 0) / 20,
    );
    expectClose([rms], [best], 1e-12);
    eigenSymmetric(values, vectors, expected.big, 6);
    expectClose(values, expected.eig, 1e-12);
  });
});

const image = {
  width: 96,
  height: 72,
  fx: 54,
  fy: 55,
  cx: 47.2,
  cy: 36.1,
  unit: 0.001,
  minRange: 0.1,
  maxRange: 5,
};
const brown: PinholeOptics = {
  ...image,
  model: "pinhole",
  measures: "z",
  distortion: [-0.2, 0.05, 0.001, -0.002, 0.01],
};
const fisheye: FisheyeOptics = {
  ...image,
  model: "fisheye",
  measures: "z",
  distortion: [0.05, -0.01, 0.002, -0.0005],
};

testWith(
  "python",
  "both lens models agree with OpenCV: projection of random points, and the ray of every pixel",
  () => {
    const normal = seededNormal(23);
    const points = Array.from({ length: 300 }, (): Vec3 => {
      const z = 0.5 + Math.abs(normal());
      return [0.4 * z * normal(), 0.4 * z * normal(), z];
    });
    const answer = ask(
      `
import cv2
K = np.array([[54.0, 0, 47.2], [0, 55.0, 36.1], [0, 0, 1]])
b = np.array([-0.2, 0.05, 0.001, -0.002, 0.01]); f = np.array([0.05, -0.01, 0.002, -0.0005])
p = np.array(d)[:, None, :]; zero = np.zeros(3)
v, u = np.mgrid[0:72, 0:96]; pixels = np.stack([u, v], -1).reshape(-1, 1, 2).astype(float)
# The default of five iterations leaves an error of 2e-5 in the corners.
rays = cv2.undistortPointsIter(pixels, K, b, np.eye(3), np.eye(3), (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 300, 1e-15))
# OpenCV 4.6 stops its fisheye inverse at 1e-8 rad.
bent = cv2.fisheye.undistortPoints(pixels, K, f)
print(json.dumps({"brown": cv2.projectPoints(p, zero, zero, K, b)[0].reshape(-1, 2).tolist(),
  "fisheye": cv2.fisheye.projectPoints(p, zero, zero, K, f)[0].reshape(-1, 2).tolist(),
  "rays": rays.reshape(-1, 2).tolist(), "bent": bent.reshape(-1, 2).tolist()}))`,
      points,
    );
    const pixel = new Float64Array(2);
    points.forEach((p, i) => {
      expect(project(brown, ...p, pixel)).toBe(true);
      expectClose(pixel, answer.brown[i], 1e-9);
      expect(project(fisheye, ...p, pixel)).toBe(true);
      expectClose(pixel, answer.fisheye[i], 1e-9);
    });
    for (const [optics, rays, tolerance] of [
      [brown, answer.rays, 1e-7], // the table holds 32-bit numbers
      [fisheye, answer.bent, 3e-7],
    ] as const) {
      const table = rayTable(optics);
      rays.forEach((ray: number[], i: number) => {
        expectClose([table.x[i]!, table.y[i]!], ray, tolerance);
      });
    }
  },
);
