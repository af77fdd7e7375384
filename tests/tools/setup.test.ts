import { spawn } from "node:child_process";
import {
  existsSync,
  mkdirSync,
  mkdtempSync,
  readdirSync,
  readFileSync,
  rmSync,
  writeFileSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { afterAll, expect, test } from "vitest";
import { readConfig } from "../../src/service/config.ts";
import { madeUpBoard } from "../helpers/made-up-board.ts";

const PROGRAM = fileURLToPath(new URL("../../dist/tools/brinkmap.js", import.meta.url));
const folder = mkdtempSync(join(tmpdir(), "setup-"));
afterAll(() => rmSync(folder, { recursive: true }));
const board = madeUpBoard(folder);
const nothing = join(folder, "nothing");
mkdirSync(nothing);

interface Run {
  readonly args: readonly string[];
  /** Lines that the person types. */
  readonly typed?: readonly string[];
  /** A text, and what happens once it has appeared: the person presses Ctrl-C, or covers the lens. */
  readonly when?: readonly [text: string, act: "interrupt" | (() => void)];
  readonly env?: Readonly<Record<string, string>>;
  /** On a pseudo terminal, as a person sees it. */
  readonly isTerminal?: boolean;
}

/** Runs the setup as a person would. */
function setup({
  args,
  typed = [],
  when,
  env = {},
  isTerminal = false,
}: Run): Promise<{ code: number | null; text: string }> {
  const command = [process.execPath, PROGRAM, "setup", "--port", "0", ...args];
  const line = command.map((word) => `'${word}'`).join(" ");
  const [program, ...rest] = isTerminal
    ? ["script", "--quiet", "--return", "--command", line, "/dev/null"]
    : command;
  const child = spawn(program!, rest, { env: { ...process.env, PATH: board.path, ...env } });
  let text = "";
  let hasActed = false;
  const hear = (chunk: Buffer): void => {
    text += chunk.toString("utf8");
    if (when === undefined || hasActed || !text.includes(when[0])) return;
    hasActed = true;
    if (when[1] === "interrupt") child.kill("SIGINT");
    else when[1]();
  };
  child.stdout.on("data", hear);
  child.stderr.on("data", hear);
  child.stdin.write(typed.map((word) => `${word}\n`).join(""));
  if (when?.[1] !== "interrupt" && !isTerminal) child.stdin.end();
  return new Promise((resolve) => child.on("close", (code) => resolve({ code, text })));
}

const file = (name: string): string => join(folder, name);
/** Answers to the devices and the base, each in the order of the questions; "" is Enter. */
const DEVICES = ["1", "", "72", "", "", "3.5", "1", "1", ""];
const BASE = [
  "0.31",
  "15",
  "0.12",
  "0",
  "box 0.25 0.19 0.34",
  "0.4",
  "0.7",
  "0.2",
  "differential",
  "0.05",
  "1440",
  "0.3",
];

test.concurrent("on a terminal: devices are found, questions answered, the floor is shown, and the file is written and undone", async () => {
  const path = file("whole.json");
  const before = `{ "map": {"folder": "maps"},\n\t"settings": { "guard.topSpeed": 0.4 } }`;
  writeFileSync(path, before);
  const typed = [...DEVICES, "", ...BASE, "", "", "yes", "", "yes"];
  const args = [
    "--root",
    board.root,
    "-c",
    path,
    ...["devices", "base", "view"].flatMap((name) => ["--step", name]),
  ];
  const { code, text } = await setup({ args, typed, isTerminal: true });
  expect(code, text).toBe(0);
  expect(text).toContain("depth, /dev/v4l/by-id/usb-depth-index0");
  expect(text).toContain("1 more video device without a depth format");
  // The room of the made-up camera: floor below, a wall 2 m ahead.
  expect(text).toMatch(/floor \d\d % of the picture, from 0\.4\d m ahead/);
  expect(text).toContain("####");
  expect(text).toContain("....");
  expect(text).toMatch(/page of this trial head.*http:\/\/127\.0\.0\.1/);

  const config = await readConfig(path);
  expect(config.map.folder).toBe("maps");
  expect(config.settings).toMatchObject({
    "guard.topSpeed": 0.4,
    "body.footprint": "0.25,0.17 0.25,-0.17 -0.19,-0.17 -0.19,0.17",
    "body.deceleration": 0.7,
  });
  expect(config.depth[0]!.command.join(" ")).toContain("width=160,height=120,pixelformat=Z16  --stream-mmap");
  // A lens of 72 degrees: 80 / tan(36 degrees).
  expect(config.sensors[0]!.optics).toMatchObject({ width: 160, fx: 110.11, maxRange: 3.5 });
  expect(config.baseFromHead.position).toEqual([0.12, 0, 0.31]);
  expect(config.orientation!.device).toBe("imu-b");
  expect(config.base).toMatchObject({
    serial: { path: "/dev/serial/by-id/usb-motors-if00" },
    wheels: { track: 0.3 },
  });
  const { checked } = JSON.parse(readFileSync(path, "utf8"));
  expect(checked.steps.slice(0, 3).map(({ result }: { result: string }) => result)).toEqual([
    "passed",
    "passed",
    "passed",
  ]);
  expect(Math.abs(Date.now() - Date.parse(checked.at))).toBeLessThan(600_000);

  expect((await setup({ args: ["--undo", "-c", path] })).code).toBe(0);
  expect(readFileSync(path, "utf8")).toBe(before);
  expect(
    readdirSync(folder)
      .filter((name) => name.startsWith("whole.json"))
      .sort(),
  ).toEqual(["whole.json", "whole.json.undone"]);
  const again = await setup({ args: ["--undo", "-c", path] });
  expect(again.code).toBe(3);
  expect(again.text).toContain("nothing to undo");
}, 60_000);

test.concurrent("a setup of a new file is undone by removing it", async () => {
  const path = file("new.json");
  const args = ["--step", "base", "--root", nothing, "-c", path];
  const typed = ["0.3", "", "0.1", "", "round 0.4", "0.5", "none", "none", "", "yes"];
  expect((await setup({ args, typed })).code).toBe(0);
  const config = await readConfig(path);
  // Brakes were not measured, so they are not in the file: a live head then permits no motion.
  expect(Object.keys(config.settings)).not.toContain("body.deceleration");
  expect((await setup({ args: ["--undo", "-c", path] })).code).toBe(0);
  expect(existsSync(path)).toBe(false);
}, 30_000);

test.concurrent("nothing connected: it says what to do, looks again on request, and changes nothing", async () => {
  const path = file("nothing.json");
  const { code, text } = await setup({ args: ["--root", nothing, "-c", path], typed: ["repeat", "quit"] });
  expect(code, text).toBe(130);
  expect(text.match(/Nothing is connected that this setup knows/g)).toHaveLength(2);
  expect(text).toContain("Plug in the camera");
  expect(existsSync(path)).toBe(false);
}, 30_000);

test.concurrent("nonsense answers are asked again with the reason", async () => {
  const path = file("nonsense.json");
  const typed = [
    ...["high", "31", "-1", "0,31", "steep", "15", "0.12", "?", ""],
    ...["round", "box 1 2", "box 30 14 34", "0.1,0.1 0.1,-0.1", "box 0.25 0.19 0.34"],
    ...["0.2", "0.4", "fast", "0.7", "", ""],
    "no",
  ];
  const { code, text } = await setup({ args: ["--step", "base", "--root", nothing, "-c", path], typed });
  expect(code, text).toBe(0);
  expect(text).toContain('"high" is not a number (m)');
  expect(text).toContain("31 m is not possible here: 0.03 to 3 m; metres are asked for: 31 cm is 0.31");
  expect(text).toContain("-1 m is not possible here");
  expect(text).toContain("Negative to the right."); // the help of the question
  expect(text).toContain("round takes one number");
  expect(text).toContain("30 m is not possible here: 0 to 3 m; metres are asked for");
  expect(text).toContain("0.2 m is lower than the lens, which is 0.31 m above the floor");
  expect(text).toMatch(/lens 0\.31 m high, 15 degrees down/);
  // "no" to the last question.
  expect(existsSync(path)).toBe(false);
}, 30_000);

test.concurrent("a camera that stops half-way fails its step with what its program said; the rest goes on", async () => {
  const path = file("stops.json");
  const args = ["--root", board.root, "-c", path, "--batch"];
  const given = {
    fov: 72,
    height: 0.31,
    ahead: 0.1,
    outline: "round 0.4",
    tall: 0.4,
    board: "none",
    write: "yes",
  };
  for (const [name, value] of Object.entries(given)) args.push("--answer", `${name}=${value}`);
  const env = { STOPS_AFTER: "5", STOPPED: file("stopped") };
  const { code, text } = await setup({
    args: [...args, "--step", "devices", "--step", "base", "--step", "view"],
    env,
  });
  expect(code, text).toBe(5);
  expect(text).toMatch(
    /view: failed: front has stopped: v4l2-ctl ended with 1: VIDIOC_DQBUF: No such device.*type repeat/,
  );
  const { checked } = JSON.parse(readFileSync(path, "utf8"));
  expect(checked.steps.map(({ result }: { result: string }) => result)).toEqual([
    "passed",
    "passed",
    "failed",
  ]);
}, 60_000);

test.concurrent("interrupted, or with its input at an end, it changes nothing", async () => {
  const path = file("interrupted.json");
  const args = ["--root", board.root, "-c", path];
  const interrupted = await setup({ args, typed: [...DEVICES, ""], when: ["[height]", "interrupt"] });
  expect(interrupted).toMatchObject({ code: 130, text: expect.stringContaining("nothing was changed") });
  const ended = await setup({ args, typed: DEVICES });
  expect(ended).toMatchObject({ code: 130, text: expect.stringContaining("the input ended") });
  expect(existsSync(path)).toBe(false);
}, 30_000);

test.concurrent("wrong options and a damaged settings file are refused with what to do", async () => {
  const path = file("damaged.json");
  writeFileSync(path, "{");
  const refused = async (code: number, why: RegExp, ...args: string[]): Promise<void> => {
    const run = await setup({ args });
    expect(run.text).toMatch(why);
    expect(run.code).toBe(code);
  };
  await refused(2, /there is no question "hight"; did you mean "height"\?/, "-a", "hight=1");
  await refused(2, /there is no step "bases"; there are devices, base/, "--step", "bases");
  await refused(
    2,
    /--batch needs --answer height=<value>/,
    "--batch",
    "--step",
    "base",
    "-c",
    file("no.json"),
  );
  await refused(
    2,
    /--answer height: 9 m is not possible/,
    "--step",
    "base",
    "-a",
    "height=9",
    "-c",
    file("no.json"),
  );
  await refused(3, /not JSON.*Repair it, or move it away/, "-c", path);
  expect(readFileSync(path, "utf8")).toBe("{");
}, 30_000);

/** A room with a box, and a base that drives `way` metres towards it. The box's front is 1.45 m ahead of the start. */
function scenarioOf(name: string, way: number): string {
  const box = (at: readonly number[], size: readonly number[]) => ({
    shape: "box",
    material: "wall",
    at,
    size,
  });
  const scenario = {
    name,
    seed: 5,
    materials: { floor: { reflectance: 0.5 }, wall: { reflectance: 0.7 } },
    scene: [
      { shape: "floor", material: "floor", rect: [-1.5, -2, 3, 2] },
      box([2.6, 0], [0.2, 3.6, 2]),
      box([0.6, 1.8], [4, 0.2, 2]),
      box([0.6, -1.8], [4, 0.2, 2]),
      box([1.6, 0], [0.3, 0.6, 0.15]),
    ],
    base: {
      width: 0.3,
      bumper: 0.18,
      wheelbase: 0.25,
      track: 0.26,
      turnRate: 70,
      acceleration: 0.8,
      braking: 1,
    },
    head: { position: [0.12, 0, 0.4], yaw: 0, pitch: 18, roll: 0 },
    imu: { position: [0, 0, 0], yaw: 0, pitch: 0, roll: 0 },
    sensors: [
      {
        name: "front depth",
        rate: 10,
        mount: {},
        optics: { width: 96, height: 72, fieldOfView: [76, 58], measures: "z", minRange: 0.12, maxRange: 6 },
      },
    ],
    inertial: null,
    orientation: { yawDrift: 0, noise: 0.03, late: 0 },
    odometry: { rate: 20, scale: 0, turnScale: 0, noise: 0.001 },
    drive: {
      points: [
        { at: [0, 0], pause: 0.5 },
        { at: [way, 0], speed: 0.6, pause: 20 },
      ],
    },
  };
  const path = file(`${name}.json`);
  writeFileSync(path, JSON.stringify(scenario));
  return path;
}
const ODOMETRY = JSON.stringify({ settings: { "pose.source": "odometry" } });

test.concurrent("the stop before a box passes when the head has stopped the base, and not when something else has", async () => {
  const verdict = async (name: string, way: number): Promise<string> => {
    const path = file(`${name}-head.json`);
    writeFileSync(path, ODOMETRY);
    const args = ["--scenario", scenarioOf(name, way), "-c", path, "--step", "edge"];
    const { text } = await setup({ args, typed: ["", "yes", "", "no"] });
    expect(text).toMatch(/sees an edge 1\.\d\d m ahead/);
    expect(readFileSync(path, "utf8")).toBe(ODOMETRY);
    return /^edge: .*$/m.exec(text)?.[0] ?? text;
  };
  const [near, far] = await Promise.all([verdict("near", 1.15), verdict("far", 0.5)]);
  // The outline ends 0.22 m ahead (the shipped body): 1.45 - 1.15 - 0.22 = 0.08 m are left.
  expect(near).toMatch(/^edge: passed: stood 0\.0\d m before the obstacle after [01]\.\d\d m/);
  expect(far).toMatch(/^edge: failed: .*the head permitted to go on/);
}, 60_000);

test.concurrent("a drive that shows little says what is missing, with a picture of what to do", async () => {
  const path = file("drive-head.json");
  writeFileSync(path, ODOMETRY);
  const args = [
    "--scenario",
    scenarioOf("short", 0.4),
    "-c",
    path,
    "--step",
    "drive",
    "--seconds",
    "3",
    "--batch",
  ];
  const { code, text } = await setup({ args: [...args, "-a", "write=yes"] });
  expect(code, text).toBe(5);
  expect(text).toMatch(/wall or furniture, 1 to 3 m away[\s\S]*next: stand still for two seconds/);
  expect(text).toMatch(/drive: failed: \d+ frames.*not found, and kept as before: .*yaw/);
  const { checked } = JSON.parse(readFileSync(path, "utf8"));
  const report = { step: "drive", result: "failed", text: expect.stringMatching(/^simulated: /) };
  expect(checked.steps[0]).toMatchObject(report);
}, 60_000);

test.concurrent("with the wheels lifted, the covered lens closes the reach", async () => {
  const path = file("stop-head.json");
  const optics = { model: "pinhole", width: 160, height: 120, fx: 110, fy: 110, cx: 79.5, cy: 59.5 };
  const ranges = { measures: "z", unit: 0.001, minRange: 0.1, maxRange: 5 };
  const pose = { rotation: [0.5, -0.5, 0.5, -0.5], position: [0, 0, 0] };
  const config = {
    sensors: [{ name: "front", optics: { ...optics, ...ranges }, mount: { on: "head", pose } }],
    depth: [{ sensor: "front", command: ["v4l2-ctl", "--stream-mmap"] }],
    baseFromHead: { rotation: [0, 0.130526, 0, 0.991445], position: [0.12, 0, 0.31] },
    settings: {
      "pose.source": "odometry",
      "body.footprint": "0.2,0.15 0.2,-0.15 -0.2,-0.15 -0.2,0.15",
      "body.deceleration": 0.7,
      "body.reactionDelay": 0.2,
    },
  };
  writeFileSync(path, JSON.stringify(config));
  const run = (typed: readonly string[], covered: string) =>
    setup({
      args: ["--root", nothing, "-c", path, "--step", "stop"],
      typed,
      env: { COVERED: file(covered) },
      when: ["Now cover the lens", () => writeFileSync(file(covered), "")],
    });
  const [stopped, went] = await Promise.all([
    run(["", "yes", "", "no"], "covered-1"),
    run(["", "no", "", "no"], "covered-2"),
  ]);
  expect(stopped.text).toMatch(
    /stop: passed: the reach closed \((covered|blind)\), evidence 0\.\d\d s old; the wheels stopped/,
  );
  expect(went.text).toMatch(/stop: failed: .*the wheels went on: the base does not obey the pace/);
}, 60_000);
