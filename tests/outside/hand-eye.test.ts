import { expect } from "vitest";
import type { Quat, Vec3 } from "../../src/geometry/optics.ts";
import { conjugate, multiply, toRotationVector } from "../../src/geometry/rigid.ts";
import { AttitudePath, bringTo, solveImu, turningAxis } from "../../src/mount/imu-mount.ts";
import { type LensFrame, levelOf } from "../../src/mount/lens-path.ts";
import { solvePlanar, WheelPath } from "../../src/mount/wheels.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

interface Drive {
  readonly times: number[];
  readonly heading: number[];
  readonly x: number[];
  readonly y: number[];
  readonly wheels: readonly (readonly [number, number, number, number])[];
  /** yaw, x, y: by scipy.optimize.least_squares on motions over a second. */
  readonly solved: readonly [number, number, number];
}

const frameOf = (time: number, heading: number, rotation: Quat, position: Vec3): LensFrame => ({
  time,
  heading,
  pose: { rotation, position },
  floor: null,
  stretch: 0,
  isHeld: true,
  doubt: 0,
  wall: null,
});

const DRIVE = `
import json, sys
import numpy as np
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation
noise, seed = float(sys.argv[1]), int(sys.argv[2])
rng = np.random.default_rng(seed)
dt = 0.01
t = np.arange(0, 24, dt)
# Straight legs, turns on the spot both ways, curves.
speed = np.where((t % 8 > 1) & (t % 8 < 3.5), 0.4, 0.0) + np.where((t % 8 > 6) & (t % 8 < 7.5), 0.3, 0.0)
rate = np.where((t % 8 > 4) & (t % 8 < 5.5), np.where(t < 8, 0.9, -0.8), 0.0) + np.where((t % 8 > 6) & (t % 8 < 7.5), 0.5, 0.0)
yaw = np.cumsum(rate) * dt
mid = yaw - rate * dt / 2
x = np.cumsum(speed * np.cos(mid)) * dt
y = np.cumsum(speed * np.sin(mid)) * dt
psi, tx, ty = 0.07, 0.21, -0.04
lx = x + tx * np.cos(yaw) - ty * np.sin(yaw)
ly = y + tx * np.sin(yaw) + ty * np.cos(yaw)
k = np.arange(0, len(t), 10)
lens = np.stack([lx[k], ly[k], yaw[k] + psi], 1)
lens[:, :2] += noise * rng.standard_normal((len(k), 2))
lens[:, 2] += noise * 0.2 * rng.standard_normal(len(k))
# The lens's own world: where it starts, heading along x.
c, s = np.cos(-lens[0, 2]), np.sin(-lens[0, 2])
p = lens[:, :2] - lens[0, :2]
own = np.stack([c * p[:, 0] - s * p[:, 1], s * p[:, 0] + c * p[:, 1], lens[:, 2] - lens[0, 2]], 1)
def motions(path, step):
    a, b = path[:-step], path[step:]
    c, s = np.cos(a[:, 2]), np.sin(a[:, 2])
    d = b[:, :2] - a[:, :2]
    return np.stack([c * d[:, 0] + s * d[:, 1], -s * d[:, 0] + c * d[:, 1], b[:, 2] - a[:, 2]], 1)
base = np.stack([x[k], y[k], yaw[k]], 1)
A, B = motions(base, 10), motions(own, 10)
def residual(v):
    psi, tx, ty = v
    th = B[:, 2]
    ex = np.cos(psi) * B[:, 0] - np.sin(psi) * B[:, 1] + tx - np.cos(th) * tx + np.sin(th) * ty - A[:, 0]
    ey = np.sin(psi) * B[:, 0] + np.cos(psi) * B[:, 1] + ty - np.sin(th) * tx - np.cos(th) * ty - A[:, 1]
    return np.concatenate([ex, ey])
best = least_squares(residual, [0, 0, 0])
print(json.dumps(dict(times=(t[k] * 1e6).round().tolist(), heading=own[:, 2].tolist(), x=own[:, 0].tolist(), y=own[:, 1].tolist(),
    wheels=np.stack([np.round(t[::5] * 1e6), x[::5], y[::5], yaw[::5]], 1).tolist(), solved=best.x.tolist())))`;

function solve({ times, heading, x, y, wheels }: Drive) {
  const path = new WheelPath();
  for (const [time, a, b, yaw] of wheels) path.push(time, [a, b, yaw]);
  const frames = times.map((time, i) => frameOf(time, heading[i]!, [0, 0, 0, 1], [x[i]!, y[i]!, 0.3]));
  return solvePlanar(
    frames,
    times.map((_, i) => ({ x: x[i]!, y: y[i]! })),
    path,
  )!;
}

testWith(
  "python",
  "hand-eye calibration on the plane: exact motions give the mount that produced them",
  () => {
    const drive = JSON.parse(runPython(DRIVE, ["0", "1"])) as Drive;
    const { yaw, x, y, lateness } = solve(drive);
    expect(Math.abs(yaw - 0.07)).toBeLessThan(2e-4);
    expect(Math.hypot(x - 0.21, y + 0.04)).toBeLessThan(2e-4);
    expect(Math.abs(lateness)).toBeLessThan(5e-4);
  },
);

testWith(
  "python",
  "hand-eye calibration on the plane: noisy motions give the result of scipy.optimize.least_squares",
  () => {
    for (const seed of [2, 3, 4]) {
      const drive = JSON.parse(runPython(DRIVE, ["0.002", String(seed)])) as Drive;
      const { yaw, yawSigma, x, xSigma, y, ySigma } = solve(drive);
      const [yawThere, xThere, yThere] = drive.solved;
      // The two solvers weigh the data differently, so they may differ by less than their own standard deviation.
      expect(Math.abs(yaw - yawThere)).toBeLessThan(1.5 * yawSigma);
      expect(Math.abs(x - xThere)).toBeLessThan(1.5 * xSigma);
      expect(Math.abs(y - yThere)).toBeLessThan(1.5 * ySigma);
      expect(Math.abs(yaw - 0.07)).toBeLessThan(3 * yawSigma);
      expect(yawSigma).toBeLessThan(0.01);
    }
  },
);

interface Turns {
  readonly times: number[];
  /** worldFromLens and worldFromImu, x y z w. */
  readonly lens: Quat[];
  readonly imu: Quat[];
  readonly imuTimes: number[];
  readonly imuFromLens: Quat;
  readonly levelFromLens: Quat;
  readonly normal: Vec3;
  /** By Rotation.align_vectors on rotation vectors. */
  readonly aligned: Quat;
}

const TURNS = `
import json, sys
import numpy as np
from scipy.spatial.transform import Rotation as R
rng = np.random.default_rng(7)
t = np.arange(0, 20, 0.01)
yaw = 0.9 * np.sin(0.6 * t) + 0.5 * np.sin(1.7 * t)
pitch = 0.02 * np.sin(3.1 * t) * (np.sin(0.5 * t) > 0)
base = R.from_euler("ZYX", np.stack([yaw, pitch, 0 * t], 1))
optical = R.from_quat([0.5, -0.5, 0.5, -0.5])
level = R.from_euler("ZYX", [0, 0.4, 0.05]) * optical
imuFromLens = R.from_euler("ZYX", [1.4, -0.2, 3.0])
lens = base * level
imu = lens * imuFromLens.inv()
k = np.arange(0, len(t), 10)
late = 0.018
step = 50
a, b = lens[:-step], lens[step:]
va = (a.inv() * b).as_rotvec()
vb = (imu[:-step].inv() * imu[step:]).as_rotvec()
aligned, _ = R.align_vectors(vb, va)
print(json.dumps(dict(times=np.round(t[k] * 1e6).tolist(), lens=lens[k].as_quat().tolist(), imu=imu.as_quat().tolist(),
    imuTimes=np.round((t + late) * 1e6).tolist(), imuFromLens=imuFromLens.as_quat().tolist(), levelFromLens=level.as_quat().tolist(),
    normal=level.inv().apply([0, 0, 1]).tolist(), aligned=aligned.as_quat().tolist())))`;

testWith(
  "python",
  "hand-eye calibration in rotation: the imu's orientation is that of scipy's align_vectors, and its delay is found",
  () => {
    const turns = JSON.parse(runPython(TURNS)) as Turns;
    const attitudes = new AttitudePath();
    turns.imuTimes.forEach((time, i) => {
      attitudes.push(time, turns.imu[i]!);
    });
    const frames = turns.times.map((time, i) => frameOf(time, 0, turns.lens[i]!, [0, 0, 0.3]));
    const off = (a: Quat, b: Quat): number => Math.hypot(...toRotationVector(multiply(conjugate(a), b)));
    expect(off(turns.aligned, turns.imuFromLens)).toBeLessThan(1e-6);
    // `levelOf` gives pitch and roll of the lens and leaves its heading out.
    const level = levelOf(turns.normal);
    expect(off(level, turns.levelFromLens)).toBeLessThan(1e-9);
    const up = turningAxis(frames, level, attitudes)!;
    // The first guess knows only the imu's up axis.
    const rotation = bringTo([0, 0, 0, 1], turns.normal, up);
    expect(off(rotation, turns.aligned)).toBeGreaterThan(0.5);
    const found = solveImu(frames, level, attitudes, { rotation, headingSigma: 3, biasSigma: 1e-4 })!;
    expect(off(found.rotation, turns.aligned)).toBeLessThan(3e-3);
    expect(Math.abs(found.lateness - 0.018)).toBeLessThan(2e-4);
  },
);
