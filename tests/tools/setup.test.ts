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
  /** Text after whose appearance Ctrl-C is pressed. */
  readonly interruptAt?: string;
  readonly env?: Readonly<Record<string, string>>;
  /** On a pseudo terminal, as a person sees it. */
  readonly isTerminal?: boolean;
}

/** Runs the setup as a person would. */
function setup({
  args,
  typed = [],
  interruptAt,
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
  let isInterrupted = false;
  const hear = (chunk: Buffer): void => {
    text += chunk.toString("utf8");
    if (interruptAt === undefined || isInterrupted || !text.includes(interruptAt)) return;
    isInterrupted = true;
    child.kill("SIGINT");
  };
  child.stdout.on("data", hear);
  child.stderr.on("data", hear);
  child.stdin.write(typed.map((word) => `${word}\n`).join(""));
  if (interruptAt === undefined && !isTerminal) child.stdin.end();
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

test("on a terminal: devices are found, questions answered, the floor is shown, and the file is written and undone", async () => {
  const path = file("whole.json");
  const before = `{ "map": {"folder": "maps"},\n\t"settings": { "guard.topSpeed": 0.4 } }`;
  writeFileSync(path, before);
  const typed = [...DEVICES, "", ...BASE, "", "", "yes", "", "yes"];
  const { code, text } = await setup({ args: ["--root", board.root, "-c", path], typed, isTerminal: true });
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

test("a setup of a new file is undone by removing it", async () => {
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

test("nothing connected: it says what to do, looks again on request, and changes nothing", async () => {
  const path = file("nothing.json");
  const { code, text } = await setup({ args: ["--root", nothing, "-c", path], typed: ["repeat", "quit"] });
  expect(code, text).toBe(130);
  expect(text.match(/Nothing is connected that this setup knows/g)).toHaveLength(2);
  expect(text).toContain("Plug in the camera");
  expect(existsSync(path)).toBe(false);
}, 30_000);

test("nonsense answers are asked again with the reason", async () => {
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

test("a camera that stops half-way fails its step with what its program said; the rest goes on", async () => {
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

test("interrupted, or with its input at an end, it changes nothing", async () => {
  const path = file("interrupted.json");
  const args = ["--root", board.root, "-c", path];
  const interrupted = await setup({ args, typed: [...DEVICES, ""], interruptAt: "[height]" });
  expect(interrupted).toMatchObject({ code: 130, text: expect.stringContaining("nothing was changed") });
  const ended = await setup({ args, typed: DEVICES });
  expect(ended).toMatchObject({ code: 130, text: expect.stringContaining("the input ended") });
  expect(existsSync(path)).toBe(false);
}, 30_000);

test("wrong options and a damaged settings file are refused with what to do", async () => {
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
