import { mkdirSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { encode } from "fast-png";
import { expect, test } from "vitest";
import type { PinholeOptics, Pose, Quat } from "../../src/geometry/optics.ts";
import { compose, fromRotationVector, toMatrix } from "../../src/geometry/rigid.ts";
import { lensFromAngles } from "../../src/simulate/attitude.ts";
import { Random } from "../../src/simulate/random.ts";
import { renderDepth } from "../../src/simulate/render.ts";
import { Scene } from "../../src/simulate/scene.ts";
import { usualNoise } from "../../src/simulate/usual-noise.ts";
import { main } from "../../tools/import.ts";
import { sharedData, testWith } from "../helpers/needs.ts";
import { box, material } from "../simulate/profiles.ts";
import { captured, readRecording, temporaryFolder } from "./files.ts";

const printed = captured();
const folder = temporaryFolder();
let files = 0;
const fresh = () => join(folder, `${files++}.brk`);

const OPTICS: PinholeOptics = {
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
const LENS = ["--fx", "90", "--fy", "90", "--cx", "59.5", "--cy", "44.5"];
const DEGREE = Math.PI / 180;

/** A room with a table whose top is larger than the floor in view, and a wall behind. */
const ROOM = new Scene(
  [material(0.5)],
  [
    box([-2, -3, -0.2], [5, 3, 0]),
    box([4, -3, 0], [4.2, 3, 2.5]),
    box([1.4, -1.2, 0.7], [2.6, 1.2, 0.74]),
    box([2.6, -1.2, 0], [2.7, 1.2, 0.74]),
  ],
);

/**
 * Writes frames of the room, a lens carried about in it 1.3 m high, with noise; the poses are in a world of their own.
 * @param dataFromRoom that world
 */
function writeRoom(name: string, dataFromRoom: Pose): string[] {
  const depth = join(folder, name);
  mkdirSync(depth);
  const noise = usualNoise(5, new Random(23));
  let log = "";
  for (let n = 0; n < 12; n++) {
    const worldFromLens: Pose = {
      position: [0.02 * n, -0.4 + 0.06 * n, 1.3],
      rotation: lensFromAngles((-30 + 5 * n) * DEGREE, 28 * DEGREE, 2 * DEGREE),
    };
    const counts = new Uint16Array(OPTICS.width * OPTICS.height);
    const amplitude = new Uint16Array(counts.length);
    renderDepth(ROOM, OPTICS, { worldFromLens, time: 0, noise }, { counts, amplitude });
    const { width, height } = OPTICS;
    writeFileSync(join(depth, `${n}.png`), encode({ width, height, depth: 16, channels: 1, data: counts }));
    const m = toMatrix(compose(dataFromRoom, worldFromLens));
    const rows = [0, 1, 2, 3].map((row) => [0, 1, 2, 3].map((column) => m[4 * column + row]!).join(" "));
    log += `${n} ${n} ${n + 1}\n${rows.join("\n")}\n`;
  }
  const poses = join(folder, `${name}.log`);
  writeFileSync(poses, log);
  return ["png", depth, ...LENS, "--poses", poses];
}

const world = (rotation: Quat, height: number): Pose => ({ rotation, position: [0.4, -0.2, height] });
/** The lens of the first frame in a recording, and whether the recording has orientations. */
async function firstPose(path: string) {
  const { events } = await readRecording(path);
  const first = events.find(({ kind }) => kind === "reference");
  const orientations = events.filter((event) => event.kind === "orientation");
  if (first?.kind !== "reference") throw new Error("no reference pose");
  return { pose: first.pose, orientations, events };
}

test.each([
  [6, -3, 0.8],
  [-4, 5, -0.35],
  [0.2, 0.1, 0.5],
])("a floor that leans by %d and %d degrees and lies at %d m is levelled", async (aboutX, aboutY, height) => {
  const lean = fromRotationVector([aboutX * DEGREE, aboutY * DEGREE, 0]);
  const source = writeRoom(`leaning${aboutX}`, world(lean, height));
  const out = fresh();
  expect(await main([...source, "--level", "--orientation", "-o", out]), printed.trouble).toBe(0);
  const { pose, orientations, events } = await firstPose(out);
  // The lens is 1.3 m above the floor, and looks down by 28 degrees.
  expect(Math.abs(pose.position[2] - 1.3)).toBeLessThan(0.01);
  const m = toMatrix(pose);
  expect(Math.abs(Math.asin(-m[10]!) / DEGREE - 28)).toBeLessThan(0.3);
  expect(Math.abs(m[2]! - Math.sin(-2 * DEGREE) * Math.cos(28 * DEGREE))).toBeLessThan(0.006);
  expect(orientations).toHaveLength(12);
  expect(orientations[0]).toMatchObject({ rotation: pose.rotation, time: 0 });
  expect(events.map(({ kind }) => kind).slice(0, 3)).toEqual(["reference", "orientation", "depth"]);
});

test("a floor that is not level at 0 is reported, with what to do about it", async () => {
  const low = writeRoom("low", world([0, 0, 0, 1], -0.25));
  expect(await main([...low, "-o", fresh()])).toBe(0);
  const proposed = /--floor=(-?[0-9.]+) or --level/.exec(printed.trouble)![1];
  expect(Math.abs(Number(proposed) + 0.25)).toBeLessThan(0.01);
  printed.trouble = "";
  expect(await main([...low, `--floor=${proposed}`, "-o", fresh()])).toBe(0);
  expect(printed.trouble).toBe("");
  const tilted = writeRoom("tilted", world(fromRotationVector([0.06, 0, 0]), 0));
  expect(await main([...tilted, "-o", fresh()])).toBe(0);
  expect(printed.trouble).toMatch(/leans by 3\.\d deg.*--level/);
});

test("the world's upward direction may be any: as a vector, or level and up at once", async () => {
  const oblique = fromRotationVector([0.9, -0.6, 0.3]);
  const source = writeRoom("oblique", world(oblique, 0.3));
  const m = toMatrix({ rotation: oblique, position: [0, 0, 0] });
  const up = `--up=${m[8]! * 7},${m[9]! * 7},${m[10]! * 7}`;
  const out = fresh();
  expect(await main([...source, up, "--level", "-o", out]), printed.trouble).toBe(0);
  const { pose } = await firstPose(out);
  expect(Math.abs(pose.position[2] - 1.3)).toBeLessThan(0.01);
  expect(await main([...source, "--up=0,0,0", "-o", fresh()])).toBe(2);
  expect(printed.trouble).toContain("--up must point somewhere");
  expect(await main([...source, "--up=1,2", "-o", fresh()])).toBe(2);
});

test("frames without a floor are refused with --level, and said to have none without", async () => {
  const source = writeRoom("sideways", world(fromRotationVector([Math.PI / 2, 0, 0]), 0));
  expect(await main([...source, "--up", "x", "--level", "-o", fresh()])).toBe(3);
  expect(printed.trouble).toContain("no floor is seen in its frames; check --up");
  expect(await main([...source, "--up", "x", "-o", fresh()])).toBe(0);
  expect(printed.trouble).toContain("warning: no floor is seen in the frames");
});

test("options about poses need poses", async () => {
  const [kind, depth] = writeRoom("bare", world([0, 0, 0, 1], 0));
  for (const option of ["--level", "--orientation"]) {
    expect(await main([kind!, depth!, ...LENS, option, "-o", fresh()])).toBe(2);
    expect(printed.trouble).toContain(`${option} needs poses`);
  }
});

// SOURCE.txt of the office: its world is level to 1 to 1.5 degrees, the floor lies at -0.38 to -0.40 m. Of the living room: exact poses,
// floor at 0.13 m.
testWith(
  "open-data",
  "the floors of a real office and of a living room lie where their sources say",
  async () => {
    const found = async (...args: string[]) => {
      printed.out = "";
      expect(await main(["png", ...args, "-o", fresh()]), printed.trouble).toBe(0);
      const [, lean, height] = /leans by ([0-9.]+) deg and lies at (-?[0-9.]+) m/.exec(printed.out)!;
      return { lean: Number(lean), height: Number(height) };
    };
    const office = [
      join(sharedData()!, "depth-office/frames"),
      ...[
        "--files",
        "frame-{n}.depth.png",
        "--fx",
        "570.342205",
        "--fy",
        "570.342205",
        "--cx",
        "320",
        "--cy",
        "240",
      ],
      ...["--poses", join(sharedData()!, "depth-office/frames/frame-{n}.pose.txt"), "--up", "y"],
    ];
    const first = await found(...office, "--floor=-0.39");
    expect(first.lean).toBeGreaterThan(0.8);
    expect(first.lean).toBeLessThan(2);
    expect(Math.abs(first.height)).toBeLessThan(0.03);
    const room = join(sharedData()!, "depth-living-room/noisy5");
    const living = await found(
      join(room, "depth"),
      ...["--fx", "525", "--fy", "525", "--cx", "319.5", "--cy", "239.5", "--far", "5"],
      ...["--poses", join(room, "trajectory.log"), "--up", "y"],
    );
    expect(living.lean).toBeLessThan(0.3);
    expect(Math.abs(living.height - 0.13)).toBeLessThan(0.01);
  },
);
