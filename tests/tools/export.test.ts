import { existsSync, mkdtempSync, readdirSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { decode } from "fast-png";
import type { NdArray } from "ndarray";
import { afterAll, afterEach, beforeAll, beforeEach, describe, expect, test, vi } from "vitest";
import { COLUMN } from "../../src/map/layers.ts";
import { createRecording } from "../../src/record/file.ts";
import { simulateEvents } from "../../src/simulate/events.ts";
import { loadScenario } from "../../src/simulate/scenario.ts";
import { LIGHT } from "../../src/terms/palette.ts";
import { FOOTING } from "../../src/terms/safety.ts";
import { main } from "../../tools/export.ts";
import { drawMap } from "../../tools/output/map-pictures.ts";
import { type Replay, replayRecording } from "../../tools/replay/run.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";

const folder = mkdtempSync(join(tmpdir(), "brinkmap-export-"));
const recording = join(folder, "room.brk");
const all = join(folder, "all");
let replay: Replay;
afterAll(() => rmSync(folder, { recursive: true }));

beforeAll(async () => {
  // The furnished room, a few seconds of it.
  const text = readFileSync(new URL("../../datasets/yard-room.json", import.meta.url), "utf8");
  const scenario = loadScenario(JSON.parse(text));
  const header = { setup: scenario.setup, settings: {}, about: "test", software: "test" };
  const writer = await createRecording(recording, header);
  for (const event of simulateEvents(scenario)) {
    writer.write(event);
    if (event.time > 4e6) break;
  }
  await writer.close();
  replay = await replayRecording(recording);
  vi.spyOn(console, "log").mockImplementation(() => {});
  expect(await main([recording, "-o", all])).toBe(0);
});

let printed: string[] = [];
let trouble: string[] = [];
beforeEach(() => {
  [printed, trouble] = [[], []];
  vi.spyOn(console, "log").mockImplementation((line: string) => void printed.push(line));
  vi.spyOn(console, "error").mockImplementation((line: string) => void trouble.push(line));
});
afterEach(() => void vi.restoreAllMocks());

/** Numbers of a layer in the order of rows, as bytes. */
function bytesOf({ data, shape }: NdArray<Uint8Array | Float32Array>): string {
  expect(data.length).toBe(shape.reduce((product, side) => product * side, 1));
  return Buffer.from(data.buffer, data.byteOffset, data.byteLength).toString("base64");
}

describe("the files, read by others", () => {
  testWith("python", "numpy reads every layer with the numbers that the head holds", () => {
    const read = JSON.parse(
      runPython(
        `
import sys, json, base64, numpy as np
out = {}
for name in ['kind', 'headroom', 'floor', 'clearance']:
    a = np.load(f'{sys.argv[1]}/{name}.npy')
    out[name] = [str(a.dtype), list(a.shape), base64.b64encode(a.tobytes()).decode()]
print(json.dumps(out))`,
        [all],
      ),
    );
    const { layers } = replay.head;
    const { rows, columns } = layers.bounds()!;
    expect(rows * columns).toBeGreaterThan(1000);
    expect(read.kind).toEqual(["uint8", [rows, columns], bytesOf(layers.kinds()!.cells)]);
    expect(read.headroom).toEqual(["float32", [rows, columns], bytesOf(layers.headroom()!.cells)]);
    expect(read.floor).toEqual(["float32", [rows, columns], bytesOf(layers.floorHeights()!.cells)]);
    expect(read.clearance).toEqual(["float32", [rows, columns], bytesOf(layers.clearances()!.cells)]);
  });

  testWith(
    "python",
    "VTK finds a voxel in the PLY over each blocked column, where the JSON says it is",
    () => {
      const [points, blocked, without] = JSON.parse(
        runPython(
          `
import sys, json, numpy as np
from vtkmodules.vtkIOPLY import vtkPLYReader
from vtkmodules.util.numpy_support import vtk_to_numpy
r = vtkPLYReader(); r.SetFileName(sys.argv[1] + '/voxels.ply'); r.Update()
p = vtk_to_numpy(r.GetOutput().GetPoints().GetData()).astype(float)
about = json.load(open(sys.argv[1] + '/layers.json'))
kind = np.load(sys.argv[1] + '/kind.npy')
assert list(kind.shape) == about['shape']
at = np.floor((p[:, :2] - about['origin']) / about['cellSize']).astype(int)
voxels = set(map(tuple, at.tolist()))
blocked = [(c, r) for r, c in np.argwhere(kind == about['kind.npy']['blocked']).tolist()]
print(json.dumps([len(p), len(blocked), len([b for b in blocked if b not in voxels])]))`,
          [all],
        ),
      );
      let occupied = 0;
      const { grid } = replay.head;
      const values = new Uint8Array(512);
      for (let id = 0; id < grid.count; id++) {
        grid.copyBlock(id, values);
        // 64 and more is occupied (docs/how-the-map-is-made.md).
        occupied += values.filter((value) => value >= 64).length;
      }
      expect(points).toBe(occupied);
      expect(blocked).toBeGreaterThan(100);
      expect(without).toBe(0);
    },
  );

  testWith(
    "python",
    "numpy reads the state of the floor where the JSON says it lies, and a plan to scale is XML",
    () => {
      const { shape, codes, gone, firm, size, mm, scale } = JSON.parse(
        runPython(
          `
import sys, json, re, numpy as np, xml.etree.ElementTree as et
about = json.load(open(sys.argv[1] + '/ground.json'))
a = np.load(sys.argv[1] + '/ground.npy')
e = np.load(sys.argv[1] + '/edges.npy')
assert e.shape[1] == 8 and e.shape[0] == sum(len(one['points']) for one in about['edges'])
ys, xs = np.nonzero(a)
size = [(xs.max() - xs.min() + 1) * about['ground']['cellSize'], (ys.max() - ys.min() + 1) * about['ground']['cellSize']]
plan = et.parse(sys.argv[1] + '/plan.svg').getroot()
text = open(sys.argv[1] + '/plan.svg').read()
grid = re.search(r'id="grid" d="([^"]*)"', text).group(1)
lines = [float(x) for x in re.findall(r'M([\\d.]+) [\\d.]+V', grid)]
print(json.dumps(dict(shape=list(a.shape), codes=about['ground']['shape'], gone=int((a == 2).sum()), firm=int((a == 1).sum()),
  size=size, mm=lines[1] - lines[0], scale=int(re.search(r'Scale 1 : (\\d+)', text).group(1)))))`,
          [all],
        ),
      );
      expect(shape).toEqual(codes);
      let [ownGone, ownFirm] = [0, 0];
      replay.head.footing.visit((i, j) => {
        const code = replay.head.floorSource.forMap(i, j);
        ownGone += Number(code === FOOTING.gone);
        ownFirm += Number(code === FOOTING.firm);
      });
      expect(firm).toBeGreaterThan(1000);
      // Those that one newest frame alone calls blocked are left out of the count.
      expect(Math.abs(firm - ownFirm) / firm).toBeLessThan(0.01);
      expect(Math.abs(gone - ownGone)).toBeLessThan(20);
      // A metre of the grid is 1000 / scale millimetres of the sheet.
      expect(mm).toBeCloseTo(1000 / scale, 1);
      expect(Math.max(...size) * (1000 / scale)).toBeLessThanOrEqual(396);
    },
  );

  testWith(
    "python",
    "Python's csv reads the trajectory: a unit quaternion for each frame, in order of time",
    () => {
      const rows = JSON.parse(
        runPython(
          `
import sys, json, csv
rows = list(csv.DictReader(open(sys.argv[1] + '/trajectory.csv')))
print(json.dumps([[float(r[k]) for k in ['time_us', 'x', 'y', 'z', 'qx', 'qy', 'qz', 'qw']] for r in rows]))`,
          [all],
        ),
      ) as number[][];
      expect(rows).toEqual(replay.path.map(({ time, pose }) => [time, ...pose.position, ...pose.rotation]));
      expect(rows.length).toBe(replay.summary.frames);
      for (const [n, [time, , , , ...q]] of rows.entries()) {
        expect(Math.hypot(...q)).toBeCloseTo(1, 9);
        if (n > 0) expect(time).toBeGreaterThan(rows[n - 1]![0]!);
      }
    },
  );

  testWith("python", "the faces of voxels have the voxels' own volume in VTK", async () => {
    const out = join(folder, "faces");
    expect(await main([recording, "-o", out, "--only", "voxels", "--voxels", "faces"])).toBe(0);
    const volume = Number(
      runPython(
        `
import sys
from vtkmodules.vtkIOPLY import vtkPLYReader
from vtkmodules.vtkFiltersCore import vtkTriangleFilter, vtkMassProperties
r = vtkPLYReader(); r.SetFileName(sys.argv[1] + '/voxels.ply')
t = vtkTriangleFilter(); t.SetInputConnection(r.GetOutputPort())
m = vtkMassProperties(); m.SetInputConnection(t.GetOutputPort()); m.Update()
print(m.GetVolume())`,
        [out],
      ),
    );
    const count = Number(/element vertex (\d+)/.exec(readFileSync(join(all, "voxels.ply"), "latin1"))![1]);
    // Edges that voxels share only corner to corner cost VTK's estimate a little.
    expect(volume / (count * 0.05 ** 3)).toBeCloseTo(1, 2);
  });
});

describe("export", () => {
  test("names every file that it wrote, and the summary has the replay's hash", async () => {
    const out = join(folder, "named");
    expect(await main([recording, "-o", out])).toBe(0);
    const names = [
      "clearance.npy",
      "edges.npy",
      "edges.ply",
      "floor.npy",
      "floor.png",
      "ground.json",
      "ground.npy",
      "ground.png",
      "headroom.npy",
      "kind.npy",
      "layers.json",
      "map.png",
      "plan.svg",
      "summary.json",
      "trajectory.csv",
      "voxels.ply",
    ];
    expect(readdirSync(out).sort()).toEqual(names);
    expect([...printed].sort()).toEqual(names.map((name) => join(out, name)));
    expect(JSON.parse(readFileSync(join(out, "summary.json"), "utf8")).hash).toBe(replay.summary.hash);
  });

  test("--only leaves the other parts out", async () => {
    const out = join(folder, "only");
    expect(await main([recording, "-o", out, "--only", "trajectory,pictures"])).toBe(0);
    expect(readdirSync(out).sort()).toEqual([
      "floor.png",
      "ground.png",
      "map.png",
      "summary.json",
      "trajectory.csv",
    ]);
  });

  test("--set and --settings change the map, the words going over the file", async () => {
    const file = join(folder, "settings.json");
    writeFileSync(file, JSON.stringify({ "map.voxelSize": 0.2, "body.height": 0.5 }));
    const out = join(folder, "coarse");
    const args = [recording, "-o", out, "--only", "layers", "--settings", file];
    expect(await main([...args, "--set", "map.voxelSize=0.1"])).toBe(0);
    const about = JSON.parse(readFileSync(join(out, "layers.json"), "utf8"));
    expect(about).toMatchObject({ cellSize: 0.1, body: { height: 0.5 } });
  });

  test("--pose odometry takes the path from the wheels", async () => {
    const out = join(folder, "odometry");
    expect(await main([recording, "-o", out, "--only", "trajectory", "--pose", "odometry"])).toBe(0);
    const path = readFileSync(join(out, "trajectory.csv"), "utf8");
    expect(path).not.toBe(readFileSync(join(all, "trajectory.csv"), "utf8"));
    // A flat floor: the wheels know no height.
    const heights = path.trim().split("\n").slice(1);
    expect(heights.every((line) => line.split(",")[3] === "0")).toBe(true);
  });

  test("a coarser picture keeps every place that is blocked", async () => {
    const { head } = replay;
    const { cells } = head.layers.kinds()!;
    const [rows, columns] = cells.shape as [number, number];
    // Each block of 7 x 7 columns with something blocked in it is a black square in the picture.
    let expected = 0;
    for (let row = 0; row < rows; row += 7) {
      for (let col = 0; col < columns; col += 7) {
        let isBlocked = false;
        for (let r = row; r < Math.min(row + 7, rows); r++) {
          for (let c = col; c < Math.min(col + 7, columns); c++) {
            isBlocked ||= cells.get(r, c) === COLUMN.blocked;
          }
        }
        if (isBlocked) expected++;
      }
    }
    const { drawing, plot } = drawMap(head, "t", [], 7)!;
    const { width, data } = decode(await drawing.toPng());
    const across = Math.ceil(columns / 7);
    let blocked = 0;
    for (let row = 0; row < Math.ceil(rows / 7); row++) {
      for (let col = 0; col < across; col++) {
        // Off the middle: lines of the grid may pass there.
        const x = plot.left + col * plot.scale + (plot.scale >> 2);
        const at = 3 * ((plot.top + row * plot.scale + (plot.scale >> 2)) * width + x);
        if (`#${Buffer.from(data.subarray(at, at + 3)).toString("hex")}` === LIGHT.obstacle) blocked++;
      }
    }
    expect(expected).toBeGreaterThan(20);
    expect(blocked).toBe(expected);
  });

  test("--help says what it does and its exit codes", async () => {
    expect(await main(["-h"])).toBe(0);
    expect(printed.join()).toMatch(/Usage: brinkmap export[\s\S]*Exit codes/);
  });

  test.each([
    [[], 2, /expected one recording and -o/],
    [[recording], 2, /-o <folder>/],
    [[recording, "surplus", "-o", "x"], 2, /expected one recording/],
    [[recording, "-o", "x", "--only", "voxels,smells"], 2, /"smells"/],
    [[recording, "-o", "x", "--voxels", "spheres"], 2, /"spheres"/],
    [[recording, "-o", "x", "--coarser", "0.5"], 2, /--coarser/],
    [[recording, "-o", "x", "--set", "map.size=1"], 2, /map\.size/],
    [[recording, "-o", "x", "--pose", "guess"], 2, /pose\.source/],
    [[join(folder, "none.brk"), "-o", "x"], 3, /none\.brk/],
    [[folder, "-o", "x"], 3, /is a folder/],
    // The folder is checked before the recording is read, let alone mapped.
    [["nowhere.brk", "-o", recording], 4, /room.brk is a file; a folder is needed/],
    [["nowhere.brk", "-o", join(recording, "x")], 4, /a part of this path is a file/],
    [[recording, "-o", recording], 4, /room\.brk/],
  ])("%j ends with code %i and one line", async (args, code, why) => {
    expect(await main(args)).toBe(code);
    expect(trouble).toHaveLength(1);
    expect(trouble[0]).toMatch(why);
    expect(existsSync("x")).toBe(false);
  });

  test("a file that is not a recording is refused with the reason", async () => {
    const path = join(folder, "text.brk");
    writeFileSync(path, "not a recording at all, but long enough to have had a head");
    expect(await main([path, "-o", "x"])).toBe(3);
    expect(trouble[0]).toMatch(/export: .*recording/);
  });
});
