import { spawnSync } from "node:child_process";
import { mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { decode } from "fast-png";
import ndarray from "ndarray";
import { afterAll, expect, test } from "vitest";
import { encodeTrajectory } from "../../tools/output/csv.ts";
import { encodeNpy, encodeNpyView } from "../../tools/output/npy.ts";
import { encodePlyMesh, encodePlyPoints, voxelFaces } from "../../tools/output/ply.ts";
import { encodePng } from "../../tools/output/png.ts";
import { expectClose, seeded } from "../helpers/compare.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

const folder = mkdtempSync(join(tmpdir(), "output-"));
afterAll(() => rmSync(folder, { recursive: true }));

/** Writes a file and returns its path. */
function put(name: string, bytes: Uint8Array | string): string {
  const path = join(folder, name);
  writeFileSync(path, bytes);
  return path;
}

// --- PLY, read by VTK (Kitware, python3-vtk9), which takes uchar colours as unsigned.

const VTK_POINTS = `
import sys, json
from vtkmodules.vtkIOPLY import vtkPLYReader
from vtkmodules.util.numpy_support import vtk_to_numpy as n
r = vtkPLYReader(); r.SetFileName(sys.argv[1]); r.Update(); d = r.GetOutput()
rgb = n(d.GetPointData().GetScalars())
faces = [[c.GetPointId(k) for k in range(c.GetNumberOfPoints())] for c in (d.GetCell(i) for i in range(d.GetNumberOfPolys()))]
print(json.dumps([n(d.GetPoints().GetData()).tolist(), str(rgb.dtype), rgb.tolist(), faces if len(sys.argv) > 2 else []]))
`;

testWith("python", "VTK reads the points and unsigned colours of our PLY, and numpy its log-odds", () => {
  const random = seeded(70);
  const count = 500;
  const positions = Float32Array.from({ length: 3 * count }, () => 40 * (random() - 0.5));
  const colors = Uint8Array.from({ length: 3 * count }, (_, i) => (i < 3 ? 255 : 256 * random()));
  const logOdds = Float32Array.from({ length: count }, () => 9 * (random() - 0.5));
  const path = put(
    "points.ply",
    encodePlyPoints({ positions, colors, logOdds }, ["world frame, voxels of 0.05 m"]),
  );
  const [points, type, rgb] = JSON.parse(runPython(VTK_POINTS, [path]));
  expect(points.flat()).toEqual([...positions]);
  expect(type).toBe("uint8");
  expect(rgb.flat()).toEqual([...colors]);
  const own = runPython(
    `
import sys, json, numpy as np
raw = open(sys.argv[1], 'rb').read()
head, body = raw.split(b'end_header\\n', 1)
names = [line.split()[1:] for line in head.decode().splitlines() if line.startswith('property')]
kinds = {'float': '<f4', 'uchar': 'u1'}
a = np.frombuffer(body, [(name, kinds[kind]) for kind, name in names])
print(json.dumps([len(a), a['log_odds'].tolist(), head.decode().splitlines()[:3]]))`,
    [path],
  );
  expect(JSON.parse(own)).toEqual([
    count,
    [...logOdds],
    ["ply", "format binary_little_endian 1.0", "comment world frame, voxels of 0.05 m"],
  ]);
});

testWith("python", "the faces of voxels enclose their volume, seen from outside, in VTK too", () => {
  // By hand: an L of three voxels has 3 * 6 - 2 * 2 = 14 free sides, 3 voxels of volume; one apart adds 6 and 1.
  const voxels = [0, 0, 0, 1, 0, 0, 0, 1, 0, -5, 2, 3];
  const mesh = voxelFaces(voxels, new Uint8Array(12).fill(200), 0.5);
  const path = put("faces.ply", encodePlyMesh(mesh));
  const volume = runPython(
    `
import sys, json
from vtkmodules.vtkIOPLY import vtkPLYReader
from vtkmodules.vtkFiltersCore import vtkTriangleFilter, vtkMassProperties, vtkPolyDataNormals
r = vtkPLYReader(); r.SetFileName(sys.argv[1])
t = vtkTriangleFilter(); t.SetInputConnection(r.GetOutputPort())
m = vtkMassProperties(); m.SetInputConnection(t.GetOutputPort()); m.Update()
print(json.dumps([m.GetVolume(), m.GetSurfaceArea()]))`,
    [path],
  );
  expectClose(JSON.parse(volume), [4 * 0.125, 20 * 0.25], 1e-6);
  const [points, , , faces] = JSON.parse(runPython(VTK_POINTS, [path, "faces"]));
  expect(faces).toHaveLength(20);
  // Divergence theorem: faces that are counter-clockwise from outside give a positive volume.
  let sum = 0;
  for (const [a, b, c, d] of faces) {
    for (const [p, q, r] of [
      [points[a], points[b], points[c]],
      [points[a], points[c], points[d]],
    ]) {
      sum +=
        p[0] * (q[1] * r[2] - q[2] * r[1]) -
        p[1] * (q[0] * r[2] - q[2] * r[0]) +
        p[2] * (q[0] * r[1] - q[1] * r[0]);
    }
  }
  expect(sum / 6).toBeCloseTo(0.5, 6);
});

test("a PLY file whose parts don't belong together is refused", () => {
  const colors = new Uint8Array(6);
  const points = { positions: new Float32Array(6), colors, logOdds: new Float32Array(2) };
  expect(() => encodePlyPoints({ ...points, logOdds: new Float32Array(3) })).toThrow("2 points, 3 log-odds");
  expect(() => encodePlyPoints({ ...points, colors: new Uint8Array(5) })).toThrow("5 colour values");
  expect(() => encodePlyPoints(points, ["two\nlines"])).toThrow(RangeError);
  expect(() =>
    encodePlyMesh({ positions: new Float32Array(6), colors, quads: Uint32Array.of(0, 1, 1, 2) }),
  ).toThrow("face 0 has corner 2 of 2");
});

// --- NPY, read by numpy, whose own format it is.

testWith("python", "numpy reads our NPY files: every type, every shape, data from a multiple of 64", () => {
  const arrays: [name: string, values: Parameters<typeof encodeNpy>[0], shape: number[], type: string][] = [
    ["i1", Int8Array.of(-128, -1, 0, 127), [4], "int8"],
    ["u1", Uint8Array.of(0, 1, 254, 255, 7, 8), [2, 3], "uint8"],
    ["i2", Int16Array.of(-32768, 32767), [2, 1], "int16"],
    ["u2", Uint16Array.of(0, 65535, 256), [1, 3], "uint16"],
    ["i4", Int32Array.of(-2147483648, 5), [2], "int32"],
    ["u4", Uint32Array.of(4294967295), [], "uint32"],
    ["f4", Float32Array.of(0.5, -1.25, 3, 4, 5, 6, 7, 8), [2, 2, 2], "float32"],
    ["f8", Float64Array.of(0.1, 1e300), [2], "float64"],
    ["i8", BigInt64Array.of(-5n, 9007199254740993n), [2], "int64"],
    ["none", new Float32Array(0), [0, 3], "float32"],
    [
      "long",
      new Uint8Array(7).fill(3),
      [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 7],
      "uint8",
    ],
    // A view that doesn't begin where its memory does.
    ["part", Float64Array.of(1, 2, 3, 4).subarray(1, 3), [2], "float64"],
  ];
  const paths = arrays.map(([name, values, shape]) => put(`${name}.npy`, encodeNpy(values, shape)));
  const read = JSON.parse(
    runPython(
      `
import sys, json, numpy as np
out = []
for path in sys.argv[1:]:
    a = np.load(path, allow_pickle=False)
    with open(path, 'rb') as f:
        version = np.lib.format.read_magic(f)
        np.lib.format.read_array_header_1_0(f)
        start = f.tell()
    np.load(path, mmap_mode='r') if a.size and a.shape else None
    out.append([str(a.dtype), list(a.shape), [str(v) for v in a.ravel().tolist()], list(version), start % 64])
print(json.dumps(out))`,
      paths,
    ),
  );
  arrays.forEach(([name, values, shape, type], i) => {
    const [dtype, itsShape, itsValues, version, remainder] = read[i];
    expect([dtype, itsShape, version, remainder], name).toEqual([type, shape, [1, 0], 0]);
    expect(itsValues.map(Number), name).toEqual(Array.from(values as ArrayLike<number | bigint>, Number));
  });
  expect(read[8][2]).toEqual(["-5", "9007199254740993"]);
});

testWith("python", "a turned, stepped and cut view of an ndarray is written as it shows", () => {
  const whole = ndarray(
    Int16Array.from({ length: 60 }, (_, i) => i),
    [3, 4, 5],
  );
  const view = whole.lo(1, 0, 1).transpose(2, 0, 1).step(-1, 1, 2);
  const path = put("view.npy", encodeNpyView(view));
  const read = runPython(
    `
import sys, json, numpy as np
a = np.load(sys.argv[1])
b = np.arange(60, dtype=np.int16).reshape(3, 4, 5)[1:, :, 1:].transpose(2, 0, 1)[::-1, :, ::2]
print(json.dumps([list(a.shape), bool((a == b).all()), str(a.dtype)]))`,
    [path],
  );
  expect(JSON.parse(read)).toEqual([[4, 2, 2], true, "int16"]);
});

test("an NPY shape that doesn't hold the values is refused", () => {
  expect(() => encodeNpy(new Uint8Array(5), [2, 3])).toThrow("shape [2, 3] doesn't hold 5 values");
  expect(() => encodeNpy(new Uint8Array(6), [-2, -3])).toThrow(RangeError);
});

// --- PNG. The image and the CRC of its IHDR chunk (PNG, ISO/IEC 15948; read alike by four decoders): twelve values at the
// edges of a byte and of 16 bits, 4 x 3.

const EDGES = Uint16Array.of(0, 1, 255, 256, 257, 1000, 4095, 4096, 32767, 32768, 65534, 65535);

test("a 16-bit PNG has the checksum of its header that the standard asks for, and comes back as it was", () => {
  const png = encodePng(EDGES, 4, 3);
  expect(Buffer.from(png.subarray(29, 33)).toString("hex")).toBe("c10f2d59");
  const back = decode(png, { checkCrc: true });
  expect([back.width, back.height, back.depth, back.channels]).toEqual([4, 3, 16, 1]);
  expect([...back.data]).toEqual([...EDGES]);
});

testWith("python", "PIL and OpenCV read the same 16-bit and 8-bit pixels as were written", () => {
  const random = seeded(64);
  const rgb = Uint8Array.from({ length: 5 * 7 * 3 }, () => 256 * random());
  const rgba = Uint8Array.from({ length: 5 * 7 * 4 }, () => 256 * random());
  const grey = Uint8Array.from({ length: 5 * 7 }, () => 256 * random());
  const paths = [
    put("edges.png", encodePng(EDGES, 4, 3)),
    put("rgb.png", encodePng(rgb, 5, 7)),
    put("rgba.png", encodePng(rgba, 5, 7)),
    put("grey.png", encodePng(grey, 5, 7)),
  ];
  const read = JSON.parse(
    runPython(
      `
import sys, json, cv2, numpy as np
from PIL import Image
out = []
for path in sys.argv[1:]:
    image = Image.open(path); image.load()
    a = cv2.imread(path, cv2.IMREAD_UNCHANGED)  # blue first
    if a.ndim == 3: a = a[:, :, [2, 1, 0, 3][:a.shape[2]]]
    out.append([image.mode, np.asarray(image).ravel().tolist(), str(a.dtype), list(a.shape), a.ravel().tolist()])
print(json.dumps(out))`,
      paths,
    ),
  );
  expect(read[0]).toEqual([expect.stringMatching(/^I/), [...EDGES], "uint16", [3, 4], [...EDGES]]);
  expect(read[1]).toEqual(["RGB", [...rgb], "uint8", [7, 5, 3], [...rgb]]);
  expect(read[2]).toEqual(["RGBA", [...rgba], "uint8", [7, 5, 4], [...rgba]]);
  expect(read[3]).toEqual(["L", [...grey], "uint8", [7, 5], [...grey]]);
});

const PNGCHECK = "pngcheck";
const needsPngcheck = () =>
  spawnSync(PNGCHECK, ["-h"]).error === undefined ? null : "pngcheck; apt-get install pngcheck";

testWith(needsPngcheck, "pngcheck finds nothing wrong with our PNG files", () => {
  const rgb = new Uint8Array(9 * 9 * 3).fill(77);
  for (const path of [put("check16.png", encodePng(EDGES, 4, 3)), put("check8.png", encodePng(rgb, 9, 9))]) {
    const { status, stdout } = spawnSync(PNGCHECK, ["-v", path], { encoding: "utf8" });
    expect(stdout).toContain("No errors detected");
    expect(status).toBe(0);
  }
});

test("pixels that don't fill the picture are refused", () => {
  expect(() => encodePng(new Uint16Array(11), 4, 3)).toThrow("4 x 3 pixels need 12 values, got 11");
  expect(() => encodePng(new Uint8Array(24), 4, 3)).toThrow("12, 36, 48");
});

// --- CSV

testWith("python", "numpy reads every digit of a trajectory", () => {
  const poses = [
    { time: 0, pose: { position: [0.1, -2e-9, 3], rotation: [0, 0, 0, 1] } },
    { time: 1031745824658000, pose: { position: [1 / 3, Math.PI, -40], rotation: [0.5, -0.5, 0.5, -0.5] } },
  ] as const;
  const path = put("path.csv", encodeTrajectory(poses));
  const read = runPython(
    `
import sys, json, numpy as np
a = np.genfromtxt(sys.argv[1], delimiter=',', names=True)
print(json.dumps([list(a.dtype.names), a.tolist()]))`,
    [path],
  );
  expect(JSON.parse(read)).toEqual([
    ["time_us", "x", "y", "z", "qx", "qy", "qz", "qw"],
    poses.map(({ time, pose }) => [time, ...pose.position, ...pose.rotation]),
  ]);
  const broken = { time: 5, pose: { position: [Number.NaN, 0, 0], rotation: [0, 0, 0, 1] } } as const;
  expect(() => encodeTrajectory([broken])).toThrow("pose at 5 us");
});
