import { existsSync, mkdirSync, readdirSync, readFileSync, writeFileSync } from "node:fs";
import { join } from "node:path";
import { crc32, deflateSync, gzipSync } from "node:zlib";
import { encode } from "fast-png";
import { expect, test } from "vitest";
import { main } from "../../tools/import.ts";
import { expectClose } from "../helpers/compare.ts";
import {
  captured,
  depthEvents,
  LENS,
  pixel,
  readRecording,
  temporaryFolder,
  tinyPng,
  writeTinySet,
} from "./files.ts";

const printed = captured();
const folder = temporaryFolder();
const set = writeTinySet(folder);
let files = 0;
const fresh = () => join(folder, `${files++}.brk`);

/** Imports the tiny set with `options`; expects success. */
async function imported(...options: string[]) {
  const out = fresh();
  expect(await main(["png", set.depth, ...LENS, "-o", out, ...options]), printed.trouble).toBe(0);
  return readRecording(out);
}

test("frames come with their numbers' stamps, each after its own reference pose, and with the pixels of the file", async () => {
  const about = "made by hand, for a test";
  const { header, events } = await imported(
    "--poses",
    set.log,
    "--rate",
    "10",
    "--about",
    about,
    "--far",
    "5",
  );
  expect(header.about).toBe(about);
  expect(header.setup.sensors).toHaveLength(1);
  expect(header.setup.sensors[0]!.optics).toMatchObject({
    model: "pinhole",
    width: 4,
    height: 3,
    fx: 4,
    fy: 4,
    cx: 1.5,
    cy: 1,
    measures: "z",
    unit: 0.001,
    minRange: 0,
    maxRange: 5,
  });
  expect(events.map(({ kind, time }) => [kind, time])).toEqual(
    [0, 100_000, 200_000, 300_000].flatMap((time) => [
      ["reference", time],
      ["depth", time],
    ]),
  );
  depthEvents(events).forEach((event, i) => {
    expect(event).toMatchObject({ sensor: 0, sequence: i, amplitude: null });
    expect([...event.counts]).toEqual(Array.from({ length: 12 }, (_, at) => pixel(7 + i, at)));
  });
  expect(events[2]).toMatchObject({
    of: "lens",
    sensor: 0,
    pose: { rotation: [0, 0, 0, 1], position: [0.8, 0.5, 0] },
  });
  expect(printed.out).toContain("4 frames, 4 reference poses, 0.300 s");
});

test("--from, --to and --every choose by frame number, and what was left out between shows in stamps only", async () => {
  const { events } = await imported("--from", "8", "--to", "10", "--every", "2", "--rate", "10");
  expect(events.map(({ kind }) => kind)).toEqual(["depth", "depth"]);
  expect(depthEvents(events).map(({ time, sequence, counts }) => [time, sequence, counts[0]])).toEqual([
    [0, 0, 8000],
    [200_000, 1, 10_000],
  ]);
});

test("whichever axis is up in the data, it is z in the recording and the floor is at 0", async () => {
  // By hand: a camera 1.5 m up in a world whose floor is 0.25 m up, standing off by 2 and 3 along the other two axes.
  const others = { x: ["y", "z"], y: ["z", "x"], z: ["x", "y"] } as const;
  for (const [name, axis, sign] of [
    ["x", "x", 1],
    ["-x", "x", -1],
    ["y", "y", 1],
    ["-y", "y", -1],
    ["z", "z", 1],
    ["-z", "z", -1],
  ] as const) {
    const place = { x: 0, y: 0, z: 0 };
    place[axis] = 1.5 * sign;
    place[others[axis][0]] = 2;
    place[others[axis][1]] = 3;
    const path = join(folder, `up${name}.csv`);
    // At the same place, one along the axes of the world and one turned by a third about its diagonal.
    const row = (n: number, q: string) => `${n},${place.x},${place.y},${place.z},${q}\n`;
    const text = row(7, "0,0,0,1") + row(8, "0.5,0.5,0.5,0.5") + row(9, "0,0,0,1") + row(10, "0,0,0,1");
    writeFileSync(path, `frame,tx,ty,tz,qx,qy,qz,qw\n${text}`);
    const { events } = await imported("--poses", path, `--up=${name}`, "--floor", "0.25");
    const poses = events.flatMap((event) => (event.kind === "reference" ? [event.pose] : []));
    const [x, y, z] = poses[0]!.position;
    expect(z, name).toBeCloseTo(1.25, 12);
    expect(Math.hypot(x, y), name).toBeCloseTo(Math.hypot(2, 3), 12);
    // The data's up axis, seen by the camera as its own axis, is turned to +z.
    const [qx, qy, qz, qw] = poses[0]!.rotation;
    const up = {
      x: 2 * (qx * qz - qy * qw),
      y: 2 * (qy * qz + qx * qw),
      z: 1 - 2 * (qx * qx + qy * qy),
    };
    expect(sign * up[axis], name).toBeCloseTo(1, 12);
    // A third of a turn between two frames stays one, about the same axis of the camera.
    const turn = poses[1]!.rotation;
    expect(Math.abs(turn[0] * qx + turn[1] * qy + turn[2] * qz + turn[3] * qw), name).toBeCloseTo(0.5, 12);
  }
});

test("world-to-camera poses are turned round, and a lens beside the camera is put where it is", async () => {
  // By hand: world to camera is a quarter turn about z, then +1 along x. So the camera is at R^T (-1, 0, 0) = (0, 1, 0),
  // and its x axis points along -y in the world: 50 mm to its right is (0, 0.95, 0).
  const pose = "0 -1 0 1\n1 0 0 0\n0 0 1 0\n0 0 0 1\n";
  mkdirSync(join(folder, "poses"));
  for (const n of [7, 8, 9, 10]) writeFileSync(join(folder, `poses/p-${n}.txt`), pose);
  const options = ["--poses", join(folder, "poses/p-{n}.txt"), "--direction", "world-to-camera"];
  const { events } = await imported(...options, "--lens-shift", "0.05,0,0");
  for (const event of events) {
    if (event.kind !== "reference") continue;
    expectClose(event.pose.position, [0, 0.95, 0], 1e-12);
    expectClose(event.pose.rotation, [0, 0, -Math.SQRT1_2, Math.SQRT1_2], 1e-12);
  }
  expect(events.filter(({ kind }) => kind === "reference")).toHaveLength(4);
});

test("stamps of the data's own are used, from the first frame on", async () => {
  const path = join(folder, "stamped.csv.gz");
  const rows = [7, 8, 9, 10].map((n) => `${n},${1700000000 + n * 0.05 + 0.000002},0,0,1,0,0,0,1`).join("\n");
  writeFileSync(path, gzipSync(`frame,time_s,tx,ty,tz,qx,qy,qz,qw\n${rows}\n`));
  const { events } = await imported("--poses", path, "--from", "8");
  expect(depthEvents(events).map(({ time }) => time)).toEqual([0, 50_000, 100_000]);
});

test("raw files of little-endian counts give the same frames, with their own header or with a size that is given", async () => {
  const withHeader = join(folder, "raw");
  const bare = join(folder, "bare");
  mkdirSync(withHeader);
  mkdirSync(bare);
  const bytes = Buffer.alloc(8 + 24);
  bytes.writeUInt32LE(3, 0);
  bytes.writeUInt32LE(4, 4);
  for (let i = 0; i < 12; i++) bytes.writeUInt16LE(pixel(7, i), 8 + 2 * i);
  writeFileSync(join(withHeader, "7.bin"), bytes);
  writeFileSync(join(bare, "7.bin"), bytes.subarray(8));
  const expected = Array.from({ length: 12 }, (_, i) => pixel(7, i));
  for (const [source, ...options] of [[withHeader], [bare, "--size", "4x3"]] as [string, ...string[]][]) {
    const out = fresh();
    expect(await main(["raw", source, ...LENS, "--unit", "1/32767", "-o", out, ...options])).toBe(0);
    const { header, events } = await readRecording(out);
    expect(depthEvents(events).map(({ counts }) => [...counts])).toEqual([expected]);
    expect(header.setup.sensors[0]!.optics).toMatchObject({ width: 4, height: 3, unit: 1 / 32767 });
  }
});

test("a lens file gives a fisheye with its coefficients; single options win over it", async () => {
  const lens = join(folder, "lens.json");
  const distortion = [0.05, -0.01, 0.002, -0.0005];
  writeFileSync(lens, JSON.stringify({ model: "fisheye", fx: 3, fy: 3, cx: 1.5, cy: 1, distortion }));
  const out = fresh();
  expect(await main(["png", set.depth, "--lens", lens, "--fx", "3.5", "--range", "-o", out])).toBe(0);
  const { optics } = (await readRecording(out)).header.setup.sensors[0]!;
  expect(optics).toMatchObject({ model: "fisheye", fx: 3.5, fy: 3, measures: "range", distortion });
});

test("scans turn counter-clockwise from the first angle, and what is too far, infinite or missing is no return", async () => {
  const path = join(folder, "scans.csv");
  writeFileSync(
    path,
    "t_s,x,y,theta,r0,r1,r2,r3\n100.5,1,2,1.5707963267948966,0.5,8,inf,\n101,1,2,0,1.2344,1,nan,7.999\n",
  );
  const out = fresh();
  const options = ["--no-return", "8", "--height", "0.3", "--first-angle=-45", "--step", "30"];
  expect(await main(["scans", path, "-o", out, ...options]), printed.trouble).toBe(0);
  const { header, events } = await readRecording(out);
  expect(depthEvents(events).map(({ time, counts }) => [time, ...counts])).toEqual([
    [0, 500, 0, 0, 0],
    [500_000, 1234, 1000, 0, 7999],
  ]);
  const { optics } = header.setup.sensors[0]!;
  expect(optics).toMatchObject({
    model: "scan",
    width: 4,
    height: 1,
    measures: "range",
    unit: 0.001,
    maxRange: 8,
  });
  if (optics.model === "scan")
    expectClose([optics.firstAngle, optics.step], [-Math.PI / 4, Math.PI / 6], 1e-12);
  const reference = events[0]!;
  if (reference.kind !== "reference") throw new Error("the pose comes before its scan");
  // By hand: heading along +y, so the lens's z (forward) is world y, its x (right) is world x, its y is down.
  expectClose(reference.pose.position, [1, 2, 0.3], 1e-12);
  expectClose(
    reference.pose.rotation.map((c) => c * Math.sign(-reference.pose.rotation[0])),
    [-Math.SQRT1_2, 0, 0, Math.SQRT1_2],
    1e-12,
  );
});

test("inertial rows become samples; poses and magnetometer only where they are known, movement becomes marks", async () => {
  const path = join(folder, "imu.csv");
  writeFileSync(
    path,
    `t,gx,gy,gz,ax,ay,az,mx,my,mz,qw,qx,qy,qz,px,py,pz,movement
0,0.1,0.2,0.3,0,0,9.8,1,2,3,,,,,,,,0
0.0035,0,0,0,0,0,9.8,,,,0,0,0,1,1,2,3,1
`,
  );
  const out = fresh();
  expect(await main(["inertial", path, "-o", out]), printed.trouble).toBe(0);
  const { header, events } = await readRecording(out);
  expect(header.setup.sensors).toEqual([]);
  expect(events).toEqual([
    { kind: "inertial", time: 0, gyro: [0.1, 0.2, 0.3], accel: [0, 0, 9.8], mag: [1, 2, 3] },
    { kind: "mark", time: 3500, text: "movement starts" },
    {
      kind: "reference",
      time: 3500,
      of: "base",
      sensor: 0,
      pose: { rotation: [0, 0, 1, 0], position: [1, 2, 3] },
    },
    { kind: "inertial", time: 3500, gyro: [0, 0, 0], accel: [0, 0, 9.8], mag: null },
  ]);
});

/** Runs an import that must fail on its data with a message that has all of `words`, and leaves nothing behind. */
async function refused(args: string[], ...words: string[]) {
  const out = fresh();
  printed.trouble = "";
  const before = readdirSync(folder);
  expect(await main([...args, "-o", out]), printed.trouble).toBe(3);
  for (const word of words) expect(printed.trouble).toContain(word);
  expect(printed.trouble.trim().split("\n")).toHaveLength(1);
  expect(readdirSync(folder)).toEqual(before);
}

/** A folder with one frame of these bytes. */
function oneFrame(name: string, bytes: Uint8Array, file = "007.png"): string {
  const path = join(folder, name);
  mkdirSync(path);
  writeFileSync(join(path, file), bytes);
  return path;
}

test("depth in 8-bit, colour, damaged or cut-off PNG files is refused with the file's name", async () => {
  const data = new Uint8Array(12).fill(100);
  const grey8 = oneFrame("grey8", encode({ width: 4, height: 3, depth: 8, channels: 1, data }));
  await refused(["png", grey8, ...LENS], "grey8/007.png", "8-bit grey PNG", "16-bit");
  const wide = Uint16Array.from({ length: 36 }, (_, i) => i);
  const colour = oneFrame("colour", encode({ width: 4, height: 3, depth: 16, channels: 3, data: wide }));
  await refused(["png", colour, ...LENS], "16-bit colour PNG");
  const whole = tinyPng(7);
  await refused(
    ["png", oneFrame("cut", whole.subarray(0, whole.length - 20)), ...LENS],
    "cut/007.png",
    "damaged PNG",
  );
  const flipped = whole.slice();
  flipped[45]! ^= 0x10;
  await refused(["png", oneFrame("flipped", flipped), ...LENS], "flipped/007.png", "damaged PNG");
  await refused(["png", oneFrame("text", Buffer.from("not a picture")), ...LENS], "isn't a PNG file");
  // A bomb: 200 MB of zeros behind a header of 4 x 3 pixels.
  const chunk = (type: string, data: Uint8Array) => {
    const body = Buffer.concat([Buffer.from(type), data]);
    const [size, sum] = [Buffer.alloc(4), Buffer.alloc(4)];
    size.writeUInt32BE(data.length);
    sum.writeUInt32BE(crc32(body));
    return Buffer.concat([size, body, sum]);
  };
  const packed = deflateSync(Buffer.alloc(200e6));
  const bomb = Buffer.concat([whole.subarray(0, 33), chunk("IDAT", packed), chunk("IEND", Buffer.alloc(0))]);
  const before = process.memoryUsage().rss;
  await refused(["png", oneFrame("bomb", bomb), ...LENS], "bomb/007.png", "damaged PNG");
  expect(process.memoryUsage().rss - before).toBeLessThan(50e6);
  const giant = whole.slice();
  giant[16] = 0x7f; // a width of two thousand million
  await refused(["png", oneFrame("giant", giant), ...LENS], "giant/007.png", "2130706436 x 3");
});

test("a frame of another size than the first is refused", async () => {
  const mixed = oneFrame("mixed", tinyPng(7));
  const data = new Uint16Array(4);
  writeFileSync(join(mixed, "008.png"), encode({ width: 2, height: 2, depth: 16, channels: 1, data }));
  await refused(["png", mixed, ...LENS], "mixed/008.png", "2 x 2", "4 x 3");
});

test("a raw file that is cut short, or too long, says how many bytes it should have", async () => {
  const bytes = Buffer.alloc(8 + 24);
  bytes.writeUInt32LE(3, 0);
  bytes.writeUInt32LE(4, 4);
  for (const [name, length] of [
    ["short-raw", 31],
    ["long-raw", 33],
  ] as const) {
    const raw = oneFrame(name, Buffer.concat([bytes, bytes]).subarray(0, length), "1.bin");
    await refused(["raw", raw, ...LENS], `${name}/1.bin`, `${length} bytes`, "take 32");
  }
  await refused(
    ["raw", oneFrame("no-header", bytes.subarray(0, 5), "1.bin"), ...LENS],
    "no-header/1.bin",
    "5 bytes",
  );
});

test("a frame without a pose stops the import, unless missing poses are allowed", async () => {
  const path = join(folder, "gappy.csv");
  const rows = [7, 8, 10].map((n) => `${n},0,0,0,0,0,0,1\n`).join("");
  writeFileSync(path, `frame,tx,ty,tz,qx,qy,qz,qw\n${rows}`);
  await refused(["png", set.depth, ...LENS, "--poses", path], "009.png", "frame 9 has no pose", "gappy.csv");
  const { events } = await imported("--poses", path, "--missing-poses");
  expect(events.map(({ kind }) => kind[0]).join("")).toBe("rdrddrd");
});

test("what isn't a pose is refused with its file and line", async () => {
  const head = "frame,tx,ty,tz,qx,qy,qz,qw\n7,0,0,0,0,0,0,1\n";
  const csv: [name: string, text: string, ...words: string[]][] = [
    ["nan.csv", `${head}8,nan,0,0,0,0,0,1\n`, "nan.csv:3", 'tx is "nan"', "finite"],
    ["long-q.csv", `${head}8,0,0,0,0,0,0,1.5\n`, "long-q.csv:3", "length 1.5"],
    ["columns.csv", `${head}8,0,0,0,0,0,1\n`, "columns.csv:3", "7 columns", "8"],
    ["twice.csv", `${head}7,0,0,0,0,0,0,1\n`, "twice.csv:3", "frame 7 has a pose already"],
    ["names.csv", "n,x,y,z\n", "names.csv:1", "no column frame, tx"],
    ["empty.csv", "", "empty.csv", "is empty"],
  ];
  for (const [name, text, ...words] of csv) {
    const path = join(folder, name);
    writeFileSync(path, text);
    await refused(["png", set.depth, ...LENS, "--poses", path], ...words);
  }
  const good = readFileSync(set.log, "utf8");
  const logs: [name: string, text: string, ...words: string[]][] = [
    [
      "scaled.log",
      good.replace("1 0 0 0.8", "1.5 0 0 0.8"),
      "scaled.log:10",
      "not a rigid transform",
      "lines 7 to 10",
    ],
    ["mirror.log", good.replace("1 0 0 0.8", "-1 0 0 0.8"), "mirror.log:10", "mirrors"],
    ["nan.log", good.replace("1 0 0 0.8", "1 0 0 NaN"), "nan.log:7", "column 4", "NaN"],
    ["row.log", good.replace("1 0 0 0.8", "1 0 0"), "row.log:7", "3 numbers in a row"],
    ["cut.log", good.slice(0, good.length - 8), "cut.log:20", "the file ends in a matrix"],
    ["half.log", good.replace("8 8 9", "8.5 8 9"), "half.log:6", "frame 8.5"],
  ];
  for (const [name, text, ...words] of logs) {
    const path = join(folder, name);
    writeFileSync(path, text);
    await refused(["png", set.depth, ...LENS, "--poses", path], ...words);
  }
});

test("scan and inertial rows that don't fit are refused with file and line", async () => {
  const cases: [kind: string, name: string, text: string, ...words: string[]][] = [
    ["scans", "s1.csv", "t_s,x,y,theta,r0\n0,0,0,nan,1\n", "s1.csv:2", 'theta is "nan"'],
    ["scans", "s2.csv", "t_s,r0,r1\n0,1\n", "s2.csv:2", "2 columns", "3"],
    ["scans", "s3.csv", "t_s,r0\n0,66\n", "s3.csv:2", "66 m", "unit"],
    ["scans", "s4.csv", "t_s,r0\n0,-1\n", "s4.csv:2", "negative"],
    ["scans", "s5.csv", "t_s,x,r0\n0,0,1\n", "s5.csv:1", "x, y, theta"],
    ["scans", "s6.csv", "t_s,r0\n", "s6.csv", "no scans"],
    ["scans", "s7.csv.gz", "\x1f\u008bnot gzip", "s7.csv.gz", "can't be unpacked"],
    ["inertial", "i1.csv", "t,gx,gy,gz,ax,ay,az\n0,0,0,0,0,0,\n", "i1.csv:2", 'az is ""'],
    ["inertial", "i2.csv", "t,gx,gy,gz,ax,ay,az,mx,my,mz\n0,0,0,0,0,0,0,1,,3\n", "i2.csv:2", "mx, my, mz"],
    ["inertial", "i3.csv", "t,gx,gy,gz,ax,ay\n", "i3.csv:1", "no column az"],
    ["inertial", "i4.csv", "t,gx,gy,gz,ax,ay,az,movement\n0,0,0,0,0,0,0,2\n", "i4.csv:2", "movement is 2"],
  ];
  for (const [kind, name, text, ...words] of cases) {
    const path = join(folder, name);
    writeFileSync(path, Buffer.from(text, "latin1"));
    await refused([kind, path], ...words);
  }
});

test("a missing source, an empty folder and two files of one number are named", async () => {
  await refused(["png", join(folder, "nowhere"), ...LENS], "nowhere", "ENOENT");
  await refused(["scans", join(folder, "nowhere.csv")], "nowhere.csv", "ENOENT");
  await refused(["png", set.depth, ...LENS, "--files", "frame-{n}.png"], "no file is named frame-{n}.png");
  const twins = oneFrame("twins", tinyPng(7));
  writeFileSync(join(twins, "7.png"), tinyPng(7));
  await refused(["png", twins, ...LENS], "frame 7 is also");
  await refused(["png", set.depth, ...LENS, "--from", "11"], "frames 7 to 10, none of them chosen");
});

test("wrong usage ends with 2, a recording that is there with 4 and unharmed, until --force", async () => {
  const out = join(folder, "kept.brk");
  writeFileSync(out, "mine");
  for (const args of [
    [],
    ["video", set.depth],
    ["png", "-o", out],
    ["png", set.depth, ...LENS],
    ["png", set.depth, "-o", out],
    ["png", set.depth, ...LENS, "-o", out, "--rate", "0"],
    ["png", set.depth, ...LENS, "-o", out, "--up", "north"],
    ["png", set.depth, ...LENS, "-o", out, "--up", "y"],
    ["png", set.depth, ...LENS, "-o", out, "--from", "1.5"],
    ["png", set.depth, ...LENS, "-o", out, "--unit", "1/2/3"],
    ["png", set.depth, ...LENS, "-o", out, "--size", "4x3"],
    ["raw", set.depth, ...LENS, "-o", out, "--size", "4"],
  ]) {
    expect(await main(args), args.join(" ")).toBe(2);
  }
  expect(await main(["png", set.depth, ...LENS, "-o", out])).toBe(4);
  expect(printed.trouble).toContain("--force");
  expect(readFileSync(out, "utf8")).toBe("mine");
  // A forced import that fails on its data leaves the old recording as it was.
  const bad = join(folder, "bad-when-forced");
  mkdirSync(bad);
  writeFileSync(join(bad, "7.png"), tinyPng(7));
  writeFileSync(join(bad, "8.png"), tinyPng(8).subarray(0, 60));
  expect(await main(["png", bad, ...LENS, "-o", out, "--force"])).toBe(3);
  expect(readFileSync(out, "utf8")).toBe("mine");
  expect(await main(["png", set.depth, ...LENS, "-o", out, "--force"])).toBe(0);
  expect(depthEvents((await readRecording(out)).events)).toHaveLength(4);
  expect(await main(["png", set.depth, ...LENS, "-o", join(folder, "nowhere/x.brk")])).toBe(4);
  expect(existsSync(`${out}.part`)).toBe(false);
  expect(await main(["--help"])).toBe(0);
  for (const kind of ["png", "raw", "scans", "inertial"]) {
    expect(await main([kind, "--help"])).toBe(0);
    expect(printed.out).toContain(`Usage: brinkmap import ${kind}`);
    expect(printed.out).toContain(kind);
  }
});
