import { createHash } from "node:crypto";
import { existsSync } from "node:fs";
import { join } from "node:path";
import { expect } from "vitest";
import type { PinholeOptics, Pose } from "../../src/geometry/optics.ts";
import { project, rayTable } from "../../src/geometry/rays.ts";
import { compose, invert, transformPoint } from "../../src/geometry/rigid.ts";
import type { HeadEvent } from "../../src/sense/events.ts";
import { type DepthFolderOptions, importDepthFolder, openDepthFolder } from "../../tools/import/depth.ts";
import { importInertialFile } from "../../tools/import/inertial.ts";
import { importScanFile } from "../../tools/import/scans.ts";
import { expectClose } from "../helpers/compare.ts";
import { sharedData, testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";
import { depthEvents, readRecording, temporaryFolder } from "./files.ts";

const folder = temporaryFolder();
const data = (path: string) => join(sharedData()!, path);
const median = (values: number[]) => values.sort((a, b) => a - b)[values.length >> 1]!;

interface Seen {
  readonly counts: Uint16Array;
  readonly pose: Pose;
  readonly time: number;
}

/** Depth frames with the reference pose before each. */
function framesOf(events: Iterable<HeadEvent>): Seen[] {
  const frames: Seen[] = [];
  let pose: Pose | null = null;
  for (const event of events) {
    if (event.kind === "reference") pose = event.pose;
    else if (event.kind === "depth")
      frames.push({ counts: event.counts.slice(), pose: pose!, time: event.time });
  }
  return frames;
}

/** SHA-256 of the counts of all frames, little-endian. */
function hashOf(frames: readonly { readonly counts: Uint16Array }[]): string {
  const hash = createHash("sha256");
  for (const { counts } of frames)
    hash.update(new Uint8Array(counts.buffer, counts.byteOffset, counts.byteLength));
  return hash.digest("hex");
}

/** Median |z predicted - z seen|, metres, of `from` moved into `to`, at every fourth pixel both ways. */
function reprojection(optics: PinholeOptics, from: Seen, to: Seen): number {
  const rays = rayTable(optics);
  const toFromFrom = compose(invert(to.pose), from.pose);
  const at = new Float64Array(2);
  const errors: number[] = [];
  for (let v = 0; v < optics.height; v += 4) {
    for (let u = 0; u < optics.width; u += 4) {
      const i = v * optics.width + u;
      const z = from.counts[i]! * optics.unit;
      if (z === 0) continue;
      const [x, y, depth] = transformPoint(toFromFrom, [rays.x[i]! * z, rays.y[i]! * z, z]);
      if (!project(optics, x, y, depth, at)) continue;
      const [col, row] = [Math.round(at[0]!), Math.round(at[1]!)];
      if (col < 0 || row < 0 || col >= optics.width || row >= optics.height) continue;
      const count = to.counts[row * optics.width + col]!;
      if (count > 0) errors.push(Math.abs(count * optics.unit - depth));
    }
  }
  expect(errors.length).toBeGreaterThan(1000);
  return median(errors);
}

/** The median of `reprojection` over pairs `gap` apart. */
function reprojections(options: DepthFolderOptions, gap: number, step: number): number {
  const source = openDepthFolder(options);
  const frames = framesOf(source.events());
  const optics = source.header.setup.sensors[0]!.optics as PinholeOptics;
  const errors: number[] = [];
  for (let i = 0; i + gap < frames.length; i += step)
    errors.push(reprojection(optics, frames[i]!, frames[i + gap]!));
  return median(errors);
}

/** Height of the fullest 1 cm layer of world points, metres: the floor, where it is most of what is seen. */
function fullestLayer(optics: PinholeOptics, frames: readonly Seen[]): number {
  const rays = rayTable(optics);
  const layers = new Map<number, number>();
  for (const { counts, pose } of frames) {
    for (let i = 0; i < counts.length; i += 7) {
      const depth = counts[i]! * optics.unit;
      if (depth === 0) continue;
      const [, , z] = transformPoint(pose, [rays.x[i]! * depth, rays.y[i]! * depth, depth]);
      const layer = Math.round(z * 100);
      layers.set(layer, (layers.get(layer) ?? 0) + 1);
    }
  }
  const [fullest] = [...layers].sort((a, b) => b[1] - a[1]);
  return fullest![0] / 100;
}

// Python's own reading of a depth folder: PIL or numpy for the images, numpy and scipy for the poses. Prints the count,
// the hash of all images and the first and last pose as x, y, z, qx, qy, qz, qw in the world of the recording.
const PYTHON_DEPTH = `
import sys, json, glob, hashlib, numpy as np
from PIL import Image
from scipy.spatial.transform import Rotation
images, poses, inverse, up, floor, shift = json.loads(sys.argv[1])
names = sorted(glob.glob(images))
digest = hashlib.sha256()
for name in names:
    if name.endswith('.bin'):
        raw = open(name, 'rb').read()
        h, w = np.frombuffer(raw, '<u4', 2)
        a = np.frombuffer(raw, '<u2', -1, 8).reshape(h, w)
    else:
        a = np.asarray(Image.open(name))
    digest.update(a.astype('<u2').tobytes())
def matrices():
    if poses.endswith('.csv'):
        for row in np.loadtxt(poses, delimiter=',', skiprows=1):
            m = np.eye(4)
            m[:3, :3] = Rotation.from_quat(row[4:8]).as_matrix()
            m[:3, 3] = row[1:4]
            yield m
    elif poses.endswith('.log'):
        rows = [line.split() for line in open(poses) if line.strip()]
        for i in range(0, len(rows), 5):
            yield np.array(rows[i + 1:i + 5], float)
    else:
        for name in sorted(glob.glob(poses)):
            yield np.loadtxt(name)
all = list(matrices())
W = np.eye(4)
if up == 'y':
    W[:3, :3] = [[1, 0, 0], [0, 0, -1], [0, 1, 0]]
W[2, 3] = -floor
S = np.eye(4)
S[:3, 3] = shift
out = []
for m in (all[0], all[-1]):
    m = W @ (np.linalg.inv(m) if inverse else m) @ S
    out.append(list(m[:3, 3]) + list(Rotation.from_matrix(m[:3, :3]).as_quat()))
print(json.dumps([len(names), len(all), digest.hexdigest(), out]))
`;

interface PythonReading {
  readonly images: string;
  readonly poses: string;
  readonly inverse?: boolean;
  readonly up?: "y" | "z";
  readonly floor?: number;
  readonly shift?: readonly number[];
}

/** Imports into a recording, reads that again and compares with Python's reading. */
async function importedLikePython(options: DepthFolderOptions, reading: PythonReading, frameCount: number) {
  const out = join(folder, "set.brk");
  const { images, poses, inverse = false, up = "z", floor = 0, shift = [0, 0, 0] } = reading;
  const result = await importDepthFolder({ ...options, out, overwrite: true });
  const { header, events } = await readRecording(out);
  const frames = framesOf(events);
  const argument = JSON.stringify([images, poses, inverse, up, floor, shift]);
  const [imageCount, poseCount, hash, ends] = JSON.parse(runPython(PYTHON_DEPTH, [argument]));
  expect([frames.length, result.count, result.references, imageCount, poseCount]).toEqual(
    Array(5).fill(frameCount),
  );
  expect(hashOf(frames)).toBe(hash);
  for (const [frame, expected] of [
    [frames[0]!, ends[0]],
    [frames.at(-1)!, ends[1]],
  ] as [Seen, number[]][]) {
    const { position, rotation } = frame.pose;
    expectClose(position, expected.slice(0, 3), 1e-6);
    const sign = rotation.reduce((sum, c, i) => sum + c * expected[3 + i]!, 0) < 0 ? -1 : 1;
    expectClose(
      rotation.map((c) => sign * c),
      expected.slice(3),
      1e-6,
    );
  }
  return { frames, optics: header.setup.sensors[0]!.optics as PinholeOptics };
}

// Augmented ICL-NUIM living room: Handa et al. 2014; Choi, Zhou & Koltun 2015. What its description says was measured
// on the files by another program: reprojecting frame i into i+1 with the poses of trajectory.log gives a median depth
// error of 0.6 mm (14 mm with the poses turned round); the floor is at y = 0.130 m of the gravity-aligned world.
const livingRoom = (poses: DepthFolderOptions["poses"]): DepthFolderOptions => ({
  folder: data("depth-living-room/depth"),
  format: { kind: "png" },
  lens: { fx: 525, fy: 525, cx: 319.5, cy: 239.5 },
  unit: 0.001,
  poses,
});

testWith(
  "open-data",
  "the living room is read as Python reads it, and its floor lies at 0",
  async () => {
    const path = data("depth-living-room/poses_world_yup.csv");
    const { frames, optics } = await importedLikePython(
      livingRoom({ path, up: "y", floor: 0.13 }),
      { images: data("depth-living-room/depth/*.png"), poses: path, up: "y", floor: 0.13 },
      211,
    );
    expect(frames.at(-1)!.time).toBe(7_000_000); // 210 frames at the nominal 30 Hz
    const floors = [0, 60, 120, 180].map((i) => fullestLayer(optics, [frames[i]!]));
    console.log(`living room, fullest 1 cm layer of frames 0, 60, 120, 180: ${floors.join(", ")} m`);
    for (const floor of floors) expect(Math.abs(floor)).toBeLessThanOrEqual(0.01);
  },
  60_000,
);

testWith(
  "open-data",
  "the living room's frames predict each other by their trajectory log, not when it is turned round",
  () => {
    const path = data("depth-living-room/trajectory.log");
    const right = reprojections({ ...livingRoom({ path }), to: 105 }, 1, 15);
    const wrong = reprojections({ ...livingRoom({ path, direction: "world-to-camera" }), to: 105 }, 1, 15);
    console.log(
      `living room, frame i seen from i+1: ${(1000 * right).toFixed(2)} mm (turned round ${(1000 * wrong).toFixed(1)})`,
    );
    expect(right).toBeLessThan(0.001);
    expect(wrong).toBeGreaterThan(0.008);
  },
  60_000,
);

testWith("open-data", "the living room's five noisy frames are read with their exact poses", async () => {
  const poses = data("depth-living-room/noisy5/trajectory.log");
  const noisy = data("depth-living-room/noisy5/depth");
  const options = { ...livingRoom({ path: poses, up: "y", floor: 0.13 }), folder: noisy };
  const reading = { images: join(noisy, "*.png"), poses, up: "y", floor: 0.13 } as const;
  const { frames, optics } = await importedLikePython(options, reading, 5);
  expect(Math.abs(fullestLayer(optics, frames))).toBeLessThanOrEqual(0.01);
});

// A real structured-light camera held by hand (3dmatch-toolbox, depth-fusion-demo). Its description: frame i into i+1
// 1.5 cm (turned round 2.1 cm), into i+20 4.2 cm (12.1 cm); floor at y = -0.38 to -0.40 m.
const office = (poses: Partial<DepthFolderOptions["poses"]> = {}): DepthFolderOptions => ({
  folder: data("depth-office/frames"),
  format: { kind: "png" },
  pattern: "frame-{n}.depth.png",
  lens: { fx: 570.342205, fy: 570.342205, cx: 320, cy: 240 },
  unit: 0.001,
  poses: { path: data("depth-office/frames/frame-{n}.pose.txt"), up: "y", floor: -0.39, ...poses },
});

testWith(
  "open-data",
  "the office is read as Python reads it, floor at 0, and its poses predict other frames",
  async () => {
    const { frames, optics } = await importedLikePython(
      office(),
      {
        images: data("depth-office/frames/*.png"),
        poses: data("depth-office/frames/*.txt"),
        up: "y",
        floor: -0.39,
      },
      50,
    );
    const floor = fullestLayer(optics, frames);
    const [near, far, farWrong] = [
      reprojections(office(), 1, 5),
      reprojections(office(), 20, 5),
      reprojections(office({ direction: "world-to-camera" }), 20, 5),
    ];
    console.log(
      `office: floor at ${floor} m; i seen from i+1 ${(100 * near).toFixed(2)} cm, from i+20 ${(100 * far).toFixed(2)} cm (turned round ${(100 * farWrong).toFixed(2)})`,
    );
    expect(Math.abs(floor)).toBeLessThanOrEqual(0.03);
    expect(near).toBeLessThan(0.02);
    expect(far).toBeLessThan(0.055);
    expect(farWrong).toBeGreaterThan(0.08);
  },
  60_000,
);

// Debian package visp-images-data: a rendered model castle, metres = value / 32767, world to camera. The poses are those
// of a colour camera 50 mm to the left of the depth camera.
const CASTLE = "/usr/share/visp-images-data/ViSP-images/mbt-depth/Castle-simu";
const needsCastle = () =>
  existsSync(CASTLE) ? null : "the Debian package visp-images-data; apt-get install visp-images-data";
const castle = (poses: Partial<DepthFolderOptions["poses"]> = {}): DepthFolderOptions => ({
  folder: join(CASTLE, "Depth"),
  format: { kind: "raw" },
  pattern: "Depth_{n}.bin",
  lens: { fx: 700, fy: 700, cx: 320, cy: 240 },
  unit: 1 / 32767,
  poses: {
    path: join(CASTLE, "CameraPose/Camera_{n}.txt"),
    direction: "world-to-camera",
    up: "y",
    lensShift: [0.05, 0, 0],
    ...poses,
  },
});

testWith(
  needsCastle,
  "the castle is read as Python reads it, and its poses predict other frames to tenths of a millimetre",
  async () => {
    const { frames, optics } = await importedLikePython(
      castle(),
      {
        images: join(CASTLE, "Depth/*.bin"),
        poses: join(CASTLE, "CameraPose/*.txt"),
        inverse: true,
        up: "y",
        shift: [0.05, 0, 0],
      },
      40,
    );
    const near = reprojection(optics, frames[0]!, frames[1]!);
    const far = reprojection(optics, frames[0]!, frames[5]!);
    const wrong = reprojections({ ...castle({ direction: "camera-to-world" }), to: 6 }, 5, 1);
    const inMm = [near, far, wrong].map((error) => (1000 * error).toFixed(3));
    console.log(
      `castle, frame 1 seen from 2: ${inMm[0]} mm, from 6: ${inMm[1]} mm (turned round ${inMm[2]})`,
    );
    expect(near).toBeLessThan(0.0001);
    expect(far).toBeLessThan(0.0003);
    expect(wrong).toBeGreaterThan(0.002);
  },
);

// Laser log of the corridors of MIT, recorded by M. Bosse and J. Leonard. Its description, measured by another program:
// 3,873 scans, values from 50 m on are no return, consecutive scans moved by their poses lie 3.4 cm apart (median
// nearest-point distance; 5.8 cm with the beams mirrored).
const corridor = () => ({ file: data("range-corridor/scans.csv.gz"), noReturn: 50, height: 0.3 });

/** Ends of the beams in the world, x and y alternating. */
function beamEnds({ counts, pose }: Seen, firstAngle: number, step: number): number[] {
  const ends: number[] = [];
  for (const [i, count] of counts.entries()) {
    if (count === 0) continue;
    const angle = firstAngle + i * step;
    const [x, y] = transformPoint(pose, [
      (-Math.sin(angle) * count) / 1000,
      0,
      (Math.cos(angle) * count) / 1000,
    ]);
    ends.push(x, y);
  }
  return ends;
}

/** Median distance of consecutive scans, every tenth pair, metres. */
function apart(scans: readonly Seen[], firstAngle: number, step: number): number {
  const distances: number[] = [];
  for (let n = 0; n + 1 < scans.length; n += 10) {
    const here = beamEnds(scans[n]!, firstAngle, step);
    const there = beamEnds(scans[n + 1]!, firstAngle, step);
    for (let i = 0; i < there.length; i += 2) {
      let nearest = Number.POSITIVE_INFINITY;
      for (let j = 0; j < here.length; j += 2)
        nearest = Math.min(nearest, (here[j]! - there[i]!) ** 2 + (here[j + 1]! - there[i + 1]!) ** 2);
      distances.push(Math.sqrt(nearest));
    }
  }
  return median(distances);
}

testWith(
  "open-data",
  "the corridor's scans are read as Python reads them, and laid by their poses they fit together",
  async () => {
    const out = join(folder, "corridor.brk");
    const result = await importScanFile({ ...corridor(), out });
    const { header, events } = await readRecording(out);
    const scans = framesOf(events);
    const [rows, sum, returns, last, stamp] = JSON.parse(
      runPython(
        `
import sys, gzip, json, numpy as np
a = np.loadtxt(gzip.open(sys.argv[1], 'rt'), delimiter=',', skiprows=1)
r = a[:, 5:]
r = np.where(r >= 50, 0, np.rint(r * 1000))
print(json.dumps([len(a), int(r.sum()), int((r > 0).sum()), list(a[-1, 2:5]), round((a[-1, 1] - a[0, 1]) * 1e6)]))`,
        [corridor().file],
      ),
    );
    expect([scans.length, result.count, result.references, rows]).toEqual([3873, 3873, 3873, 3873]);
    let [totalSum, totalReturns] = [0, 0];
    for (const { counts } of scans) {
      for (const count of counts) {
        totalSum += count;
        totalReturns += Number(count > 0);
      }
    }
    expect([totalSum, totalReturns]).toEqual([sum, returns]);
    expect(depthEvents(events).at(-1)).toMatchObject({ sequence: 3872, time: stamp });
    expect(header.settings).toMatchObject({ firstStamp: 1031745824.658 });
    const end = scans.at(-1)!.pose;
    expectClose(end.position, [last[0], last[1], 0.3], 1e-9);
    const ahead = transformPoint(end, [0, 0, 1]); // the lens's z
    expectClose(ahead, [last[0] + Math.cos(last[2]), last[1] + Math.sin(last[2]), 0.3], 1e-9);

    const { optics } = header.setup.sensors[0]!;
    if (optics.model !== "scan") throw new Error("a planar laser is a scan");
    const { firstAngle, step } = optics;
    const distance = apart(scans, firstAngle, step);
    const mirrored = apart(scans, -firstAngle, -step);
    console.log(
      `corridor: consecutive scans ${(100 * distance).toFixed(2)} cm apart (mirrored ${(100 * mirrored).toFixed(2)})`,
    );
    expect(distance).toBeLessThan(0.04);
    expect(mirrored).toBeGreaterThan(0.05);
  },
  60_000,
);

// BROAD: Laidig, Caruso, Cereatti & Seel, Data 2021, 6(7):72 (CC BY 4.0): 285.714 Hz, quaternion w first.
testWith(
  "open-data",
  "inertial samples and their reference are read as Python reads them",
  async () => {
    for (const trial of ["27_disturbed_phone_vibration_B", "30_disturbed_stationary_magnet_C"]) {
      const file = data(`imu-mocap/${trial}.csv.gz`);
      const out = join(folder, `${trial}.brk`);
      const result = await importInertialFile({ file, out });
      const { events } = await readRecording(out);
      const expected = JSON.parse(
        runPython(
          `
import sys, gzip, json, numpy as np
from scipy.spatial.transform import Rotation
lines = gzip.open(sys.argv[1], 'rt').read().split()[1:]
a = np.array([[float(c) if c else np.nan for c in line.split(',')] for line in lines])
whole = ~np.isnan(a[:, 10:17]).any(1)
R = Rotation.from_quat(a[whole][:, [11, 12, 13, 10]])
up = np.median(R.apply(a[whole, 4:7]), 0)
print(json.dumps([len(a), int(whole.sum()), list(a[:, 1:10].sum(0)), round(a[-1, 0] * 1e6), list(a[whole][-1, [11, 12, 13, 10, 14, 15, 16]]),
  [round(a[i + 1, 0] * 1e6) for i in np.flatnonzero(np.diff(a[:, 17]))], list(up)]))`,
          [file],
        ),
      );
      const [rows, references, sums, lastTime, lastPose, movement] = expected;
      const samples = events.flatMap((event) => (event.kind === "inertial" ? [event] : []));
      const poses = events.flatMap((event) => (event.kind === "reference" ? [event] : []));
      expect([samples.length, result.count, poses.length, result.references]).toEqual([
        rows,
        rows,
        references,
        references,
      ]);
      const total = new Float64Array(9);
      for (const { gyro, accel, mag } of samples)
        [...gyro, ...accel, ...mag!].forEach((v, i) => {
          total[i]! += v;
        });
      expectClose(total, sums, 1e-4);
      expect(samples.at(-1)!.time).toBe(lastTime);
      const { rotation, position } = poses.at(-1)!.pose;
      expectClose([...rotation, ...position], lastPose, 2e-6);
      const marks = events.flatMap((event) => (event.kind === "mark" ? [event.time] : []));
      expect(marks).toEqual(movement);
      // Gravity: the reference turns what the accelerometer feels at rest to +z (its description: 9.80 to 9.86).
      const ups: number[] = [];
      let pose: Pose | null = null;
      for (const event of events) {
        if (event.kind === "reference") pose = event.pose;
        else if (event.kind === "inertial" && pose !== null) {
          ups.push(transformPoint({ rotation: pose.rotation, position: [0, 0, 0] }, event.accel)[2]);
          pose = null;
        }
      }
      const up = median(ups);
      expect(up).toBeGreaterThan(9.79);
      expect(up).toBeLessThan(9.87);
    }
  },
  120_000,
);
