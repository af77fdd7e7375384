import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterEach, beforeEach, describe, expect, test } from "vitest";
import type { Quat, Vec3 } from "../../src/geometry/optics.ts";
import { DepthCommandSource, FrameAssembler } from "../../src/service/sources/depth-command.ts";
import { bufferLayout, IioSource } from "../../src/service/sources/iio.ts";
import { until } from "../helpers/live.ts";
import { seeded } from "../helpers/recordings.ts";

let folder = "";
let stop: (() => Promise<void>)[] = [];
beforeEach(() => {
  folder = mkdtempSync(join(tmpdir(), "sources-"));
  stop = [];
});
afterEach(async () => {
  await Promise.all(stop.map((end) => end()));
  rmSync(folder, { recursive: true });
});

/** Files of a fake sysfs: path below `folder` and contents. */
function put(files: Record<string, string>): void {
  for (const [path, contents] of Object.entries(files)) {
    mkdirSync(join(folder, path, ".."), { recursive: true });
    writeFileSync(join(folder, path), `${contents}\n`);
  }
}

class Samples {
  readonly rotations: Quat[] = [];
  readonly inertial: { time: number | null; gyro: Vec3; accel: Vec3 }[] = [];
  readonly said: string[] = [];
  orientation(_time: number | null, rotation: Quat): void {
    this.rotations.push(rotation);
  }
  inertialSample(time: number | null, gyro: Vec3, accel: Vec3): void {
    this.inertial.push({ time, gyro, accel });
  }
  target() {
    return {
      orientation: (time: number | null, rotation: Quat) => this.orientation(time, rotation),
      inertial: (time: number | null, gyro: Vec3, accel: Vec3) => this.inertialSample(time, gyro, accel),
      say: (why: string) => {
        this.said.push(why);
      },
    };
  }
}

const plan = (more: object = {}) => ({
  device: null,
  folder,
  dev: folder,
  rate: 200,
  buffered: false,
  ...more,
});
function start(more: object = {}): Samples {
  const samples = new Samples();
  const source = new IioSource(plan(more), samples.target());
  stop.push(() => source.stop());
  return samples;
}

const RAW_IMU = {
  "iio:device1/name": "imu-b",
  "iio:device1/in_anglvel_x_raw": "100",
  "iio:device1/in_anglvel_y_raw": "-200",
  "iio:device1/in_anglvel_z_raw": "0",
  "iio:device1/in_anglvel_scale": "0.001",
  "iio:device1/in_accel_x_raw": "10",
  "iio:device1/in_accel_y_raw": "0",
  "iio:device1/in_accel_z_raw": "1000",
  "iio:device1/in_accel_scale": "0.01",
  "iio:device1/in_accel_x_offset": "-5",
  "iio:device1/in_accel_z_scale": "0.0098",
};

describe("orientation from the kernel, polled", () => {
  // Source: Linux kernel, Documentation/ABI/testing/sysfs-bus-iio: value = (raw + offset) * scale.
  test("gyro and accelerometer by their scales and offsets, an axis' own before the common one", async () => {
    put({ ...RAW_IMU, "iio:device0/name": "light", "iio:device0/in_illuminance_raw": "3" });
    const { inertial, said } = start();
    await until(() => inertial.length > 3);
    expect(inertial[0]!.gyro.map((v) => +v.toFixed(9))).toEqual([0.1, -0.2, 0]);
    expect(inertial[0]!.accel.map((v) => +v.toFixed(9))).toEqual([0.05, 0, 9.8]); // (10 - 5) * 0.01; 1000 * 0.0098
    expect(said[0]).toBe("orientation from imu-b (iio:device1), inertial");
  });

  test("a quaternion is made a unit one, and chosen by name", async () => {
    put({ ...RAW_IMU, "iio:device2/name": "fused", "iio:device2/in_rot_quaternion_raw": "0 0 16384 16384" });
    const { rotations } = start({ device: "fused" });
    await until(() => rotations.length > 2);
    const [x, y, z, w] = rotations[0]!;
    expect([x, y]).toEqual([0, 0]);
    expect(z).toBeCloseTo(Math.SQRT1_2, 12);
    expect(w).toBeCloseTo(Math.SQRT1_2, 12);
  });

  test("a missing device is reported with the present ones, and is used when it appears", async () => {
    put({ "iio:device0/name": "light" });
    const { inertial, said } = start();
    await until(() => said.length > 0);
    expect(said[0]).toMatch(
      /no device in .* gives a quaternion, or gyro and accelerometer; there is light; again in 0.25 s/,
    );
    put(RAW_IMU);
    await until(() => inertial.length > 0, "the device's samples");
  });

  test("a device that disappears is reported, and is used again when it returns", async () => {
    put(RAW_IMU);
    const { inertial, said } = start();
    await until(() => inertial.length > 0);
    rmSync(join(folder, "iio:device1"), { recursive: true });
    await until(() => said.some((line) => line.includes("ENOENT")));
    const before = inertial.length;
    put(RAW_IMU);
    await until(() => inertial.length > before, "samples after it came back");
  });
});

describe("orientation from the kernel, buffered", () => {
  const SCAN = {
    ...RAW_IMU,
    "iio:device1/current_timestamp_clock": "monotonic",
    ...Object.fromEntries(
      ["accel_x", "accel_y", "accel_z", "anglvel_x", "anglvel_y", "anglvel_z"].flatMap((name, i) => [
        [`iio:device1/scan_elements/in_${name}_en`, "1"],
        [`iio:device1/scan_elements/in_${name}_index`, `${i}`],
        [`iio:device1/scan_elements/in_${name}_type`, i < 3 ? "be:s12/16>>4" : "le:s16/16>>0"],
      ]),
    ),
    "iio:device1/scan_elements/in_temp_en": "0",
    "iio:device1/scan_elements/in_timestamp_en": "1",
    "iio:device1/scan_elements/in_timestamp_index": "9",
    "iio:device1/scan_elements/in_timestamp_type": "le:s64/64>>0",
  };
  /** Six 16-bit values, 4 bytes of padding up to the 8-byte stamp: 24 bytes, by the kernel's alignment rule. */
  function sample(accel: number[], gyro: number[], nanoseconds: bigint): Buffer {
    const bytes = Buffer.alloc(24);
    for (const [i, v] of accel.entries()) bytes.writeInt16BE(v << 4, 2 * i);
    for (const [i, v] of gyro.entries()) bytes.writeInt16LE(v, 6 + 2 * i);
    bytes.writeBigInt64LE(nanoseconds, 16);
    return bytes;
  }

  test("samples lie where the type files say: byte order, sign, shift, alignment, stamp", async () => {
    put(SCAN);
    const layout = await bufferLayout({ path: join(folder, "iio:device1"), name: "imu-b", kind: "inertial" });
    expect(layout.size).toBe(24);
    const samples = new Samples();
    layout.take(sample([-5, 0, 1000], [100, -200, 7], 1_234_567_000n), samples.target());
    const [{ time, gyro, accel }] = samples.inertial as [(typeof samples.inertial)[0]];
    expect(time).toBe(1_234_567);
    expect(gyro.map((v) => +v.toFixed(9))).toEqual([0.1, -0.2, 0.007]);
    expect(accel.map((v) => +v.toFixed(9))).toEqual([-0.1, 0, 9.8]); // (-5 - 5) * 0.01
  });

  test("stamps of another clock than the head's are refused", async () => {
    put({ ...SCAN, "iio:device1/current_timestamp_clock": "realtime" });
    const layout = await bufferLayout({ path: join(folder, "iio:device1"), name: "imu-b", kind: "inertial" });
    const samples = new Samples();
    layout.take(sample([0, 0, 0], [0, 0, 0], 5n), samples.target());
    expect(samples.inertial[0]!.time).toBeNull();
  });

  test("a channel that is not enabled is named", async () => {
    put({ ...SCAN, "iio:device1/scan_elements/in_accel_y_en": "0" });
    const layout = bufferLayout({ path: join(folder, "iio:device1"), name: "imu-b", kind: "inertial" });
    await expect(layout).rejects.toThrow("imu-b: enable in_accel_y_en in scan_elements first");
  });

  test("a buffer is read to its end, then looked for again", async () => {
    put(SCAN);
    const two = [sample([0, 0, 1000], [1, 2, 3], 1000n), sample([0, 0, 1000], [4, 5, 6], 2000n)];
    mkdirSync(join(folder, "dev"));
    writeFileSync(join(folder, "dev", "iio:device1"), Buffer.concat(two));
    const { inertial, said } = start({ buffered: true, dev: join(folder, "dev") });
    await until(() => said.some((line) => line.includes("its buffer ended")));
    expect(inertial.slice(0, 2).map(({ time }) => time)).toEqual([1, 2]);
  });
});

describe("depth from a program", () => {
  const pixels = 6;
  function run(script: string) {
    const image = new Uint16Array(pixels);
    const frames: number[][] = [];
    const said: string[] = [];
    const sequences: number[] = [];
    const source = new DepthCommandSource(
      { command: [process.execPath, "-e", script], skip: 0, silence: 20_000 },
      {
        counts: () => image,
        publish: (sequence) => {
          sequences.push(sequence);
          frames.push([...image]);
        },
        say: (why) => said.push(why),
      },
    );
    stop.push(() => source.stop());
    return { frames, said, sequences };
  }
  const WRITE =
    "const write = (...values) => process.stdout.write(Buffer.from(new Uint16Array(values).buffer));";

  test("frames come as the program wrote them, numbered on over its restarts", async () => {
    const { frames, said, sequences } = run(
      `${WRITE} write(1, 2, 3, 4, 5, 65535); write(7, 8, 9, 10, 11, 12);`,
    );
    await until(() => frames.length >= 4);
    expect(frames.slice(0, 2)).toEqual([
      [1, 2, 3, 4, 5, 65535],
      [7, 8, 9, 10, 11, 12],
    ]);
    expect(sequences.slice(0, 4)).toEqual([0, 1, 2, 3]);
    expect(said[0]).toMatch(/ended with 0; again in 0.25 s/);
  });

  test("the reason is its own last line of output", async () => {
    const { said } = run(`console.error("no camera on the bus"); process.exit(3);`);
    await until(() => said.length > 0);
    expect(said[0]).toMatch(/ended with 3: no camera on the bus; again/);
  });

  test("a program that hangs is ended and restarted", async () => {
    const [frames, said]: [number[], string[]] = [[], []];
    const source = new DepthCommandSource(
      // A shell is there at once, so that the silence is the program's own; 2 bytes are a frame.
      { command: ["sh", "-c", "printf ab; exec sleep 100"], skip: 0, silence: 1500 },
      {
        counts: () => new Uint16Array(1),
        publish: (sequence) => frames.push(sequence),
        say: (why) => said.push(why),
      },
    );
    stop.push(() => source.stop());
    await until(() => frames.length >= 2, "a second start");
    expect(said[0]).toMatch(/sh sent nothing for 1.5 s; again in 0.25 s/);
  });

  test("a program that is not there is named", async () => {
    const said: string[] = [];
    const source = new DepthCommandSource(
      { command: ["/nowhere/camera"], skip: 0, silence: 1000 },
      { counts: () => new Uint16Array(1), publish: () => {}, say: (why) => said.push(why) },
    );
    stop.push(() => source.stop());
    await until(() => said.length > 0);
    expect(said[0]).toMatch(/camera did not start: .*ENOENT/);
  });

  test("chunks may end anywhere, also within a pixel or a frame's preface", () => {
    const random = seeded(3);
    const whole = Array.from({ length: 50 }, (_, f) =>
      Array.from({ length: pixels }, (_, i) => 1000 * i + f),
    );
    const bytes = Buffer.concat(
      whole.flatMap((frame) => [Buffer.from("abc"), Buffer.from(new Uint16Array(frame).buffer)]),
    );
    const image = new Uint16Array(pixels);
    const got: number[][] = [];
    const assembler = new FrameAssembler(3, { counts: () => image }, () => got.push([...image]));
    for (let at = 0; at < bytes.length; ) {
      const size = 1 + Math.floor(random() * 9);
      assembler.add(bytes.subarray(at, at + size));
      at += size;
    }
    expect(got).toEqual(whole);
  });
});
