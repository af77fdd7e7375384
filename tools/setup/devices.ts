import { execFile } from "node:child_process";
import { readdir, readFile, readlink } from "node:fs/promises";
import { basename, join } from "node:path";
import { promisify } from "node:util";
import { listDevices } from "../../src/service/sources/iio.ts";

// What is connected, by the kernel's files. Sources: Linux kernel, Documentation/ABI/testing/sysfs-bus-iio and
// userspace-api/media/v4l (Z16, Y16); v4l2-ctl(1) of v4l-utils.

export interface DepthFormat {
  /** Four characters, "Z16 " for example. */
  readonly code: string;
  readonly width: number;
  readonly height: number;
}

export interface Camera {
  /** The device; by its place or its number of make where the system has such a link, because /dev/videoN may change. */
  readonly path: string;
  readonly name: string;
  /** Formats of 16 bits that may be depth; null: not known. */
  readonly formats: readonly DepthFormat[] | null;
}

export interface Devices {
  readonly cameras: readonly Camera[];
  readonly inertial: readonly { readonly name: string; readonly kind: string }[];
  readonly serial: readonly string[];
  /** What could not be found out, and what to do. */
  readonly trouble: readonly string[];
}

const run = promisify(execFile);
/** Formats of 16 bits a pixel. Y16 is grey, which some depth cameras use for depth. */
const DEPTH_CODES = ["Z16 ", "Y16 "];
/** Milliseconds after which a camera counts as hung. */
const PATIENCE = 5000;

const namesIn = (folder: string): Promise<string[]> =>
  readdir(folder).then(
    (names) => names.sort(),
    () => [],
  );

/** @param root the folder that holds sys and dev: "/" except in tests */
export async function findDevices(root: string): Promise<Devices> {
  const trouble: string[] = [];
  const cameras = await findCameras(root, trouble);
  const folder = join(root, "sys/bus/iio/devices");
  const devices = await listDevices(folder).catch(() => []);
  const byId = await namesIn(join(root, "dev/serial/by-id"));
  return {
    cameras,
    inertial: devices.flatMap(({ name, kind }) => (kind === null ? [] : [{ name, kind }])),
    serial: byId.map((name) => `/dev/serial/by-id/${name}`),
    trouble,
  };
}

async function findCameras(root: string, trouble: string[]): Promise<Camera[]> {
  const folder = join(root, "sys/class/video4linux");
  const cameras: Camera[] = [];
  for (const id of (await namesIn(folder)).filter((name) => /^video\d+$/.test(name))) {
    const name = await readFile(join(folder, id, "name"), "utf8").then(
      (text) => text.trim(),
      () => id,
    );
    const path = await stablePath(root, id);
    cameras.push({ path, name, formats: await formatsOf(path, trouble) });
  }
  return cameras;
}

async function stablePath(root: string, id: string): Promise<string> {
  for (const kind of ["by-id", "by-path"]) {
    const folder = join(root, "dev/v4l", kind);
    for (const name of await namesIn(folder)) {
      const target = await readlink(join(folder, name)).catch(() => "");
      if (basename(target) === id) return `/dev/v4l/${kind}/${name}`;
    }
  }
  return `/dev/${id}`;
}

async function formatsOf(path: string, trouble: string[]): Promise<DepthFormat[] | null> {
  try {
    const { stdout } = await run("v4l2-ctl", ["--device", path, "--list-formats-ext"], { timeout: PATIENCE });
    return parseFormats(stdout);
  } catch (error) {
    const { code, message, stderr = "" } = error as NodeJS.ErrnoException & { stderr?: string };
    const why =
      code === "ENOENT"
        ? "v4l2-ctl is not installed, so the formats of cameras are not known: sudo apt install v4l-utils"
        : `${path} does not tell its formats: ${stderr.trim().split("\n").at(-1) || message.split("\n")[0]}`;
    if (!trouble.includes(why)) trouble.push(why);
    return null;
  }
}

/** Depth formats in the output of `v4l2-ctl --list-formats-ext`. */
export function parseFormats(text: string): DepthFormat[] {
  const formats: DepthFormat[] = [];
  let code = "";
  for (const line of text.split("\n")) {
    code = /^\s*\[\d+\]: '(.{4})'/.exec(line)?.[1] ?? code;
    const size = /Size: Discrete (\d+)x(\d+)/.exec(line);
    if (size === null || !DEPTH_CODES.includes(code)) continue;
    const [width, height] = [Number(size[1]), Number(size[2])];
    const isKnown = formats.some((one) => one.code === code && one.width === width && one.height === height);
    if (!isKnown) formats.push({ code, width, height });
  }
  return formats;
}
