import { createReadStream } from "node:fs";
import { readdir, readFile } from "node:fs/promises";
import { join } from "node:path";
import type { Quat, Vec3 } from "../../geometry/optics.ts";
import { normalizeRotation } from "../../geometry/rigid.ts";
import { Restarter, type Run } from "./restart.ts";

// The kernel's industrial I/O subsystem. Source: Linux kernel, Documentation/ABI/testing/sysfs-bus-iio: a channel's value is
// (raw + offset) * scale, in rad/s (in_anglvel), m/s^2 (in_accel), Gauss (in_magn); in_rot_quaternion_raw is "x y z w".
// Buffered: Documentation/driver-api/iio/buffers.rst: enabled channels in order of their index, each at a multiple of its own
// storage size, described by its type file: "[be|le]:[s|u]bits/storagebits[Xrepeat]>>shift".

export interface IioPlan {
  /** Name of the device as in its `name` file; null takes the first suitable one. */
  readonly device: string | null;
  /** Folder with the list of devices. */
  readonly folder: string;
  /** Folder with their buffers. */
  readonly dev: string;
  /** Samples a second with polling. */
  readonly rate: number;
  readonly buffered: boolean;
}

export const IIO_FOLDER = "/sys/bus/iio/devices";

/** Receiver of samples; `time` null means now. */
export interface InertialTarget {
  orientation(time: number | null, rotation: Quat): void;
  inertial(time: number | null, gyro: Vec3, accel: Vec3): void;
  say(why: string): void;
}

interface Device {
  readonly name: string;
  readonly id: string;
  readonly path: string;
  readonly kind: "quaternion" | "inertial";
}

/** Most consecutive failures of samples. */
const MOST_FAILURES = 20;

const AXES = ["x", "y", "z"] as const;

/**
 * Orientation from a sensor with a kernel driver: its own quaternion, or else gyro and accelerometer. A device that is missing, disappears or
 * fails is opened again later.
 */
export class IioSource {
  readonly #plan: IioPlan;
  readonly #target: InertialTarget;
  readonly #restarter: Restarter;

  constructor(plan: IioPlan, target: InertialTarget) {
    this.#plan = plan;
    this.#target = target;
    this.#restarter = new Restarter(
      () => this.#start(),
      (why) => target.say(why),
    );
  }

  stop(): Promise<void> {
    return this.#restarter.stop();
  }

  #start(): Run {
    const abort = new AbortController();
    const done = this.#run(abort.signal).catch((error: Error) => `orientation: ${error.message}`);
    return { done, stop: () => abort.abort() };
  }

  async #run(signal: AbortSignal): Promise<string> {
    const device = await findDevice(this.#plan);
    this.#target.say(`orientation from ${device.name} (${device.id}), ${device.kind}`);
    return this.#plan.buffered ? this.#stream(device, signal) : this.#poll(device, signal);
  }

  async #poll(device: Device, signal: AbortSignal): Promise<string> {
    const sample = device.kind === "quaternion" ? quaternionReader(device) : await inertialReader(device);
    const period = 1000 / this.#plan.rate;
    let failures = 0;
    for (let due = performance.now(); !signal.aborted; ) {
      try {
        await sample(this.#target);
        failures = 0;
      } catch (error) {
        // A single bus error is ignored. A device that is gone is opened again.
        if (++failures >= MOST_FAILURES || (error as NodeJS.ErrnoException).code === "ENOENT") throw error;
      }
      // Missed samples are skipped, because catching up would send a burst.
      due = Math.max(due + period, performance.now());
      const pause = due - performance.now();
      await new Promise((resolve) => setTimeout(resolve, Math.max(1, pause)));
    }
    return "stopped";
  }

  async #stream(device: Device, signal: AbortSignal): Promise<string> {
    const layout = await bufferLayout(device);
    const stream = createReadStream(join(this.#plan.dev, device.id), {
      signal,
      highWaterMark: 16 * layout.size,
    });
    let rest = Buffer.alloc(0);
    try {
      for await (const chunk of stream) {
        rest = Buffer.concat([rest, chunk as Buffer]);
        let at = 0;
        for (; rest.length - at >= layout.size; at += layout.size)
          layout.take(rest.subarray(at), this.#target);
        rest = rest.subarray(at);
      }
    } catch (error) {
      if (!signal.aborted) throw error;
    }
    return signal.aborted ? "stopped" : `${device.name}: its buffer ended`;
  }
}

const text = async (path: string): Promise<string> => (await readFile(path, "utf8")).trim();

async function number(path: string, otherwise?: number): Promise<number> {
  let written: string;
  try {
    written = await text(path);
  } catch (error) {
    if (otherwise !== undefined && (error as NodeJS.ErrnoException).code === "ENOENT") return otherwise;
    throw error;
  }
  const value = Number(written);
  if (written === "" || !Number.isFinite(value)) throw new Error(`${path} says "${written}", not a number`);
  return value;
}

/** Devices of the subsystem, in order; `kind` is null for those that give no orientation, or whose files cannot be read. */
export async function listDevices(
  folder: string,
  isBuffered = false,
): Promise<readonly (Omit<Device, "kind"> & { readonly kind: Device["kind"] | null })[]> {
  const ids = (await readdir(folder)).filter((id) => id.startsWith("iio:device")).sort();
  const suffix = isBuffered ? "_en" : "_raw";
  return Promise.all(
    ids.map(async (id) => {
      const path = join(folder, id);
      const name = await text(join(path, "name")).catch(() => id);
      const files = new Set(await readdir(isBuffered ? join(path, "scan_elements") : path).catch(() => []));
      const isInertial = AXES.every(
        (axis) => files.has(`in_anglvel_${axis}${suffix}`) && files.has(`in_accel_${axis}${suffix}`),
      );
      const kind = files.has(`in_rot_quaternion${suffix}`) ? "quaternion" : isInertial ? "inertial" : null;
      return { name, id, path, kind };
    }),
  );
}

/** @throws {Error} that lists the devices found */
async function findDevice({ folder, device, buffered }: IioPlan): Promise<Device> {
  const devices = await listDevices(folder, buffered);
  for (const { kind, ...found } of devices) {
    if (kind !== null && (device === null || found.name === device)) return { ...found, kind };
  }
  const wanted = device === null ? "gives a quaternion, or gyro and accelerometer" : `is named ${device}`;
  const names = devices.map(({ name }) => name).join(", ");
  throw new Error(`no device in ${folder} ${wanted}; there is ${names || "none"}`);
}

type Sampler = (target: InertialTarget) => Promise<void>;

function quaternionReader({ path }: Device): Sampler {
  const file = join(path, "in_rot_quaternion_raw");
  return async (target) => {
    const parts = (await text(file)).split(/\s+/).map(Number);
    if (parts.length !== 4 || !parts.every(Number.isFinite)) throw new Error(`${file} is not four numbers`);
    target.orientation(null, normalizeRotation(parts));
  };
}

/** Scale and offset of a kind of channel: common to all axes, or per axis. */
async function scales(path: string, kind: string): Promise<{ scale: number; offset: number }[]> {
  return Promise.all(
    AXES.map(async (axis) => ({
      scale: await number(
        join(path, `in_${kind}_${axis}_scale`),
        await number(join(path, `in_${kind}_scale`), 1),
      ),
      offset: await number(
        join(path, `in_${kind}_${axis}_offset`),
        await number(join(path, `in_${kind}_offset`), 0),
      ),
    })),
  );
}

async function inertialReader({ path }: Device): Promise<Sampler> {
  const read = async (kind: string): Promise<() => Promise<Vec3>> => {
    const calibration = await scales(path, kind);
    return async () => {
      const raw = await Promise.all(AXES.map((axis) => number(join(path, `in_${kind}_${axis}_raw`))));
      return raw.map(
        (value, i) => (value + calibration[i]!.offset) * calibration[i]!.scale,
      ) as unknown as Vec3;
    };
  };
  const [gyro, accel] = [await read("anglvel"), await read("accel")];
  return async (target) => {
    const [turning, force] = await Promise.all([gyro(), accel()]);
    target.inertial(null, turning, force);
  };
}

interface Element {
  readonly name: string;
  readonly index: number;
  readonly isBig: boolean;
  readonly isSigned: boolean;
  readonly bits: number;
  readonly storage: number;
  readonly repeat: number;
  readonly shift: number;
  at: number;
}

/** Reads the layout of samples in the device's buffer. @throws {Error} when a needed channel is not enabled */
export async function bufferLayout(device: Pick<Device, "path" | "kind" | "name">): Promise<{
  readonly size: number;
  readonly take: (sample: Buffer, target: InertialTarget) => void;
}> {
  const folder = join(device.path, "scan_elements");
  const elements: Element[] = [];
  for (const file of await readdir(folder)) {
    if (!file.endsWith("_en") || (await text(join(folder, file))) !== "1") continue;
    const name = file.slice(0, -3);
    const type = await text(join(folder, `${name}_type`));
    const match = /^(be|le):([su])(\d+)\/(\d+)(?:X(\d+))?>>(\d+)$/.exec(type);
    if (match === null) throw new Error(`${name}_type says "${type}", which is no layout known here`);
    const [bits, storage, repeat, shift] = [match[3], match[4], match[5] ?? "1", match[6]].map(
      Number,
    ) as number[];
    if (![8, 16, 32, 64].includes(storage!)) throw new Error(`${name}_type: ${storage} bits of storage`);
    elements.push({
      name,
      index: await number(join(folder, `${name}_index`)),
      at: 0,
      isBig: match[1] === "be",
      isSigned: match[2] === "s",
      bits: bits!,
      storage: storage! / 8,
      repeat: repeat!,
      shift: shift!,
    });
  }
  elements.sort((a, b) => a.index - b.index);
  let at = 0;
  let widest = 1;
  for (const element of elements) {
    const size = element.storage * element.repeat;
    at = Math.ceil(at / size) * size;
    element.at = at;
    at += size;
    widest = Math.max(widest, size);
  }
  const size = Math.ceil(at / widest) * widest;
  const byName = (name: string): Element => {
    const element = elements.find((one) => one.name === name);
    if (element === undefined) throw new Error(`${device.name}: enable ${name}_en in scan_elements first`);
    return element;
  };
  const stamp = elements.find(({ name }) => name === "in_timestamp");
  const clock = await text(join(device.path, "current_timestamp_clock")).catch(() => "realtime");
  // Stamps are used only if they are of the monotonic clock, which is the head's own.
  const timeOf = (sample: Buffer): number | null =>
    stamp === undefined || clock !== "monotonic" ? null : Math.round(valueAt(sample, stamp, 0) / 1000);
  if (device.kind === "quaternion") {
    const rotation = byName("in_rot_quaternion");
    if (rotation.repeat !== 4) throw new Error(`${device.name}: a quaternion of ${rotation.repeat} numbers`);
    const take = (sample: Buffer, target: InertialTarget): void => {
      const parts = [0, 1, 2, 3].map((n) => valueAt(sample, rotation, n));
      if (parts.some((part) => part !== 0)) target.orientation(timeOf(sample), normalizeRotation(parts));
    };
    return { size, take };
  }
  const channels = async (kind: string): Promise<(sample: Buffer) => Vec3> => {
    const calibration = await scales(device.path, kind);
    const axes = AXES.map((axis) => byName(`in_${kind}_${axis}`));
    return (sample) =>
      axes.map(
        (axis, i) => (valueAt(sample, axis, 0) + calibration[i]!.offset) * calibration[i]!.scale,
      ) as unknown as Vec3;
  };
  const [gyro, accel] = [await channels("anglvel"), await channels("accel")];
  return { size, take: (sample, target) => target.inertial(timeOf(sample), gyro(sample), accel(sample)) };
}

function valueAt(sample: Buffer, { at, isBig, isSigned, bits, storage, shift }: Element, n: number): number {
  const start = at + n * storage;
  let raw = 0n;
  for (let i = 0; i < storage; i++) {
    raw = (raw << 8n) | BigInt(sample[isBig ? start + i : start + storage - 1 - i]!);
  }
  const value = BigInt.asUintN(bits, raw >> BigInt(shift));
  return Number(isSigned ? BigInt.asIntN(bits, value) : value);
}
