import { mkdtempSync, readdirSync, readFileSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { deflateSync, inflateSync } from "node:zlib";
import { decode as decodePng } from "fast-png";
import { crc32c } from "../../src/coding/crc32c.ts";
import { decodeImage, encodeImage, maxEncodedSize } from "../../src/coding/depth-codec.ts";
import { createRecording, openRecording } from "../../src/record/file.ts";
import type { DepthEvent, InertialEvent } from "../../src/sense/events.ts";
import { seeded, smallHeader, smallSetup } from "../../tests/helpers/recordings.ts";
import { noneExpected } from "../frame/values.ts";
import { programOf } from "./program.ts";

/** A way to code an image: `encode` returns new bytes, `decode` fills `out`. */
interface Coder {
  readonly name: string;
  encode(image: Uint16Array): Uint8Array;
  decode(out: Uint16Array, bytes: Uint8Array): void;
}

const asBytes = (image: Uint16Array) => new Uint8Array(image.buffer, image.byteOffset, image.byteLength);

const OURS: Coder = {
  name: "ours",
  encode(image) {
    const out = new Uint8Array(maxEncodedSize(image.length));
    return out.slice(0, encodeImage(out, 0, image));
  },
  decode: (out, bytes) => decodeImage(out, bytes, 0, bytes.length),
};

const ZLIB: Coder = {
  name: "zlib level 1",
  encode: (image) => deflateSync(asBytes(image), { level: 1 }),
  decode: (out, bytes) => asBytes(out).set(inflateSync(bytes)),
};

/** Plain RVL (Wilson 2017, "Fast lossless depth image compression", listing 1), written from the paper's scheme. */
const RVL: Coder = {
  name: "RVL",
  encode(image) {
    const words = new Int32Array(image.length + 16);
    let count = 0;
    let word = 0;
    let nibbles = 0;
    const put = (value: number) => {
      let rest = value;
      do {
        let nibble = rest & 7;
        rest >>>= 3;
        if (rest !== 0) nibble |= 8;
        word = (word << 4) | nibble;
        if (++nibbles === 8) {
          words[count++] = word;
          nibbles = 0;
          word = 0;
        }
      } while (rest !== 0);
    };
    let previous = 0;
    for (let i = 0; i < image.length; ) {
      const empty = i;
      while (i < image.length && image[i] === 0) i++;
      const full = i;
      put(full - empty);
      while (i < image.length && image[i] !== 0) i++;
      put(i - full);
      for (let j = full; j < i; j++) {
        const step = image[j]! - previous;
        put((step << 1) ^ (step >> 31));
        previous = image[j]!;
      }
    }
    if (nibbles > 0) words[count++] = word << (4 * (8 - nibbles));
    return new Uint8Array(words.buffer.slice(0, 4 * count));
  },
  decode(out, bytes) {
    const words = new Int32Array(bytes.buffer, bytes.byteOffset, bytes.length / 4);
    let at = 0;
    let word = 0;
    let nibbles = 0;
    const take = () => {
      let value = 0;
      for (let shift = 0; ; shift += 3) {
        if (nibbles === 0) {
          word = words[at++]!;
          nibbles = 8;
        }
        const nibble = word >>> 28;
        word <<= 4;
        nibbles--;
        value |= (nibble & 7) << shift;
        if (nibble < 8) return value;
      }
    };
    let previous = 0;
    for (let i = 0; i < out.length; ) {
      for (let empty = take(); empty > 0; empty--) out[i++] = 0;
      for (let full = take(); full > 0; full--) {
        const step = take();
        previous += (step >>> 1) ^ -(step & 1);
        out[i++] = previous;
      }
    }
  },
};

const ROUNDS = 7;

/** Median milliseconds of `work`, after one run that isn't counted. */
function medianTime(rounds: number, work: () => void): number {
  work();
  const times: number[] = [];
  for (let i = 0; i < rounds; i++) {
    const start = performance.now();
    work();
    times.push(performance.now() - start);
  }
  return times.sort((a, b) => a - b)[times.length >> 1]!;
}

/** At most `most` images of a folder, evenly spread. */
function pngs(folder: string, most: number): Uint16Array[] {
  const names = readdirSync(folder).filter((name) => name.endsWith(".png"));
  const step = Math.ceil(names.length / most);
  return names
    .filter((_, i) => i % step === 0)
    .map((name) => decodePng(readFileSync(join(folder, name))).data as Uint16Array);
}

/** 208 x 156 as a time-of-flight camera gives them: `sigma` counts of noise on a slanted floor and a wall. */
function madeUp(base: number, sigma: number): Uint16Array[] {
  const random = seeded(7);
  const image = () =>
    Uint16Array.from({ length: 208 * 156 }, (_, i) => {
      const row = Math.floor(i / 208);
      const noise = (random() + random() + random() + random() - 2) * sigma * Math.sqrt(3);
      return base + (row < 70 ? 2000 : 140_000 / row) + noise;
    });
  return Array.from({ length: 8 }, image);
}

/** Sets of images by name: made up, and real where they are at hand. */
function imageSets(): [string, Uint16Array[]][] {
  const sets: [string, Uint16Array[]][] = [
    ["made-up depth, sigma 6 mm", madeUp(300, 6)],
    ["made-up amplitude, sigma 40", madeUp(800, 40)],
  ];
  const data = process.env["BRINKMAP_DATA"] ?? "../shared/data";
  for (const folder of ["depth-office/frames", "depth-living-room/depth", "depth-living-room/noisy5/depth"]) {
    try {
      sets.push([folder, pngs(join(data, folder), 16)]);
    } catch {
      console.error(`record: ${folder} isn't in ${data}, left out`);
    }
  }
  return sets;
}

const row = (first: string, ...columns: (string | number)[]) =>
  console.log(`${first.padEnd(32)}${columns.map((c) => String(c).padStart(14)).join("")}`);

function codecs(): void {
  row("images", "codec", "size %", "decode MB/s", "encode MB/s");
  for (const [name, images] of imageSets()) {
    const raw = images.reduce((size, image) => size + image.byteLength, 0);
    for (const coder of [OURS, RVL, ZLIB]) {
      const coded = images.map((image) => coder.encode(image));
      const out = images.map((image) => new Uint16Array(image.length));
      const decode = medianTime(ROUNDS, () => {
        for (const [i, bytes] of coded.entries()) coder.decode(out[i]!, bytes);
      });
      if (images.some((image, i) => image.some((count, k) => count !== out[i]![k]))) {
        throw new Error(`${coder.name} doesn't give ${name} back`);
      }
      const encode = medianTime(3, () => {
        for (const image of images) coder.encode(image);
      });
      const size = coded.reduce((sum, bytes) => sum + bytes.length, 0);
      const speed = (time: number) => (raw / 1000 / time).toFixed(0);
      row(name, coder.name, ((100 * size) / raw).toFixed(1), speed(decode), speed(encode));
    }
  }
}

/** One minute of 15 Hz 208 x 156 with amplitude, and 100 Hz inertial samples. */
async function files(): Promise<void> {
  const folder = mkdtempSync(join(tmpdir(), "record-bench-"));
  const path = join(folder, "minute.brk");
  try {
    const depths = madeUp(300, 6);
    const amplitudes = madeUp(800, 40);
    const writer = await createRecording(path, smallHeader(smallSetup(208, 156)));
    const depth = (i: number): DepthEvent => {
      const [counts, amplitude] = [depths[i % 8]!, amplitudes[i % 8]!];
      return { kind: "depth", time: i * 66_667, sensor: 0, sequence: i, counts, amplitude };
    };
    const inertial = (i: number): InertialEvent => {
      const time = i * 10_000;
      return { kind: "inertial", time, gyro: [0.1, i / 7, 1], accel: [0.3, 0, 9.81], mag: [20, 3, -40] };
    };
    let writeDepth = 0;
    let writeSmall = 0;
    for (let i = 0; i < 900; i++) {
      const start = performance.now();
      writer.write(depth(i));
      writeDepth += performance.now() - start;
      const small = performance.now();
      for (let k = Math.floor((i * 20) / 3); k < Math.floor(((i + 1) * 20) / 3); k++)
        writer.write(inertial(k));
      writeSmall += performance.now() - small;
    }
    await writer.close();
    const recording = await openRecording(path);
    const readMinute = medianTime(3, () => {
      for (const _ of recording.events());
    });
    // A second recording with inertial samples alone tells the two kinds of record apart.
    const smallPath = join(folder, "small.brk");
    const smallWriter = await createRecording(smallPath, smallHeader());
    for (let i = 0; i < 100_000; i++) smallWriter.write(inertial(i));
    await smallWriter.close();
    const small = await openRecording(smallPath);
    const readSmall = medianTime(3, () => {
      for (const _ of small.events());
    });
    row("\none minute of recording", "");
    row("file, MB", (recording.size / 1e6).toFixed(1));
    row("write a depth event, ms", (writeDepth / 900).toFixed(3));
    row("write an inertial event, us", ((1000 * writeSmall) / 6000).toFixed(1));
    row("read a depth event, ms", ((readMinute - (6000 * readSmall) / 100_000) / 900).toFixed(3));
    row("read an inertial event, us", ((1000 * readSmall) / 100_000).toFixed(2));
    row("reading, times real time", (60_000 / readMinute).toFixed(0));
    const start = performance.now();
    const index = await recording.index();
    row("reading the index, ms", (performance.now() - start).toFixed(2), `${index.pages.length} pages`);
    recording.close();
    small.close();
  } finally {
    rmSync(folder, { recursive: true });
  }
}

export const main = programOf({
  name: "record",
  usage: "",
  about: "Speed and size of the recording format.",
  options: {},
  notes:
    "Real frames come from BRINKMAP_DATA (default ../shared/data); without it only synthetic images are measured.",
  run: async ({ positionals }) => {
    noneExpected(positionals);
    codecs();
    const megabyte = new Uint8Array(1 << 20).map((_, i) => i * 31);
    row("\nCRC-32C, MB/s", ((1 << 20) / 1000 / medianTime(50, () => crc32c(megabyte))).toFixed(0));
    await files();
    return 0;
  },
});
