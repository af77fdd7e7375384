import { OPTICAL_IN_BODY } from "../../src/geometry/rigid.ts";
import type { Setup } from "../../src/sense/events.ts";
import { type Camera, type DepthFormat, findDevices } from "./devices.ts";
import type { DraftConfig, Outcome, Session, Step } from "./session.ts";
import { choiceOf, numberIn, type Talk } from "./talk.ts";

/** Largest size that is proposed: the most common of depth cameras. Larger ones are binned anyway. */
const PROPOSED_PIXELS = 640 * 480;
/** Degrees. A wider lens needs the fisheye model, which is entered by hand. */
const [NARROWEST, WIDEST] = [15, 120];

type Sensor = NonNullable<DraftConfig["sensors"]>[number];
type Depth = NonNullable<DraftConfig["depth"]>[number];

export const devicesStep: Step = {
  title: "What is connected",
  about: "looks for depth cameras, inertial sensors and serial lines, and proposes sources",
  cannot: ({ scenario }) => (scenario === null ? null : "the sensors are simulated"),
  run,
};

async function run({ talk, root }: Session, config: DraftConfig): Promise<Outcome> {
  const found = await findDevices(root);
  const depthCameras = found.cameras.filter(({ formats }) => formats !== null && formats.length > 0);
  const others = found.cameras.length - depthCameras.length;
  list(
    talk,
    "Depth cameras",
    depthCameras.map(({ name, path }) => `${name}, ${path}`),
  );
  if (others > 0) talk.say(`  (${others} more video device${others > 1 ? "s" : ""} without a depth format)`);
  list(
    talk,
    "Inertial sensors",
    found.inertial.map(
      ({ name, kind }) => `${name}, ${kind === "inertial" ? "gyro and accelerometer" : kind}`,
    ),
  );
  list(talk, "Serial devices", found.serial);
  for (const why of found.trouble) talk.say(`! ${why}`);
  const before = (config.sensors ?? []).length > 0;
  if (depthCameras.length + found.inertial.length + found.serial.length === 0) {
    talk.say(
      "Nothing is connected that this setup knows. Plug in the camera, wait five seconds and type repeat.",
      "A camera without a kernel driver needs a program of its own (docs/install-on-a-board.md, depth[].command).",
    );
    const kept = before ? "; the sensors of the settings file stay" : "";
    return { result: before ? "skipped" : "failed", text: `nothing is connected${kept}` };
  }
  let draft: DraftConfig = config;
  const camera = await chosen(talk, "camera", depthCameras, ({ path }) => path);
  if (camera !== null) draft = await withCamera(talk, draft, camera);
  const imu = await chosen(talk, "imu", found.inertial, ({ name }) => name);
  if (imu !== null) {
    draft = { ...draft, orientation: { ...draft.orientation, device: imu.name } };
  }
  const board = await chosen(talk, "board", found.serial, (path) => path);
  if (board !== null) {
    const speed = await talk.ask("speed", numberIn(9600, 4_000_000, "baud"), "115200");
    draft = { ...draft, base: { ...draft.base, serial: { path: board, speed } } };
  }
  const names = [camera?.name, imu?.name, board].filter((name) => name !== undefined && name !== null);
  return {
    result: camera === null && !before ? "failed" : "passed",
    text: `${names.join("; ") || "nothing was chosen"}${camera === null && !before ? "; no depth camera" : ""}`,
    config: draft,
  };
}

function list(talk: Talk, title: string, lines: readonly string[]): void {
  talk.say(`${title}:${lines.length === 0 ? " none" : ""}`);
  lines.forEach((line, n) => {
    talk.say(`  ${n + 1}  ${line}`);
  });
}

async function chosen<T>(
  talk: Talk,
  name: "camera" | "imu" | "board",
  things: readonly T[],
  wordOf: (thing: T) => string,
): Promise<T | null> {
  if (things.length === 0) return null;
  // Of several serial devices any may be something else than the motor board.
  const proposal = name === "board" && things.length > 1 ? "none" : "1";
  const index = await talk.ask(name, choiceOf(things.map(wordOf)), proposal);
  return index === null ? null : things[index]!;
}

async function withCamera(talk: Talk, config: DraftConfig, camera: Camera): Promise<DraftConfig> {
  const format = await chooseFormat(talk, camera.formats!);
  const { width, height, code } = format;
  if (code === "Y16 ") talk.say("  Y16 is grey by its name: make sure that the camera puts depth into it.");
  const name = config.sensors?.[0]?.name ?? "front";
  const known = config.sensors?.find((sensor) => sensor.name === name)?.optics as
    | Setup["sensors"][number]["optics"]
    | undefined;
  const before =
    known?.model === "pinhole" && known.width === width && known.height === height ? known : null;
  const toDegrees = 360 / Math.PI;
  const fovBefore = before === null ? null : (toDegrees * Math.atan(width / 2 / before.fx)).toFixed(1);
  const fov = await talk.ask("fov", numberIn(NARROWEST, WIDEST, "degrees"), fovBefore);
  const unit = await talk.ask("unit", numberIn(1e-5, 0.1, "m"), String(before?.unit ?? 0.001));
  const minRange = await talk.ask("nearest", numberIn(0.01, 5, "m"), String(before?.minRange ?? 0.2));
  const maxRange = await talk.ask(
    "farthest",
    numberIn(minRange + 0.1, 50, "m"),
    String(before?.maxRange ?? 4),
  );
  const focal = Number((width / 2 / Math.tan(fov / toDegrees)).toFixed(2));
  const centre = { fx: focal, fy: focal, cx: (width - 1) / 2, cy: (height - 1) / 2 };
  const ideal: Sensor["optics"] = {
    model: "pinhole",
    width,
    height,
    ...centre,
    measures: "z",
    unit,
    minRange,
    maxRange,
  };
  const sensor: Sensor = {
    name,
    // A calibration of this image is better than an angle of view.
    optics:
      before !== null && String(fov) === String(Number(fovBefore))
        ? { ...before, unit, minRange, maxRange }
        : ideal,
    mount: config.sensors?.[0]?.mount ?? {
      on: "head",
      pose: { rotation: OPTICAL_IN_BODY, position: [0, 0, 0] },
    },
  };
  const depth: Depth = {
    ...config.depth?.find((one) => one.sensor === name),
    sensor: name,
    command: [
      "v4l2-ctl",
      "--device",
      camera.path,
      `--set-fmt-video=width=${width},height=${height},pixelformat=${code}`,
      "--stream-mmap",
      "--stream-to=-",
    ],
  };
  return {
    ...config,
    sensors: [sensor, ...(config.sensors ?? []).filter((one) => one.name !== name)],
    depth: [depth, ...(config.depth ?? []).filter((one) => one.sensor !== name)],
  };
}

async function chooseFormat(talk: Talk, formats: readonly DepthFormat[]): Promise<DepthFormat> {
  const words = formats.map(({ code, width, height }) => `${width}x${height} ${code.trim()}`);
  const pixels = formats.map(({ width, height }) => width * height);
  const fitting = pixels.filter((count) => count <= PROPOSED_PIXELS);
  const best = pixels.indexOf(fitting.length > 0 ? Math.max(...fitting) : Math.min(...pixels));
  words.forEach((word, n) => {
    talk.say(`  ${n + 1}  ${word}`);
  });
  const index = await talk.ask("format", choiceOf(words, false), String(best + 1));
  return formats[index!]!;
}
