import { expect, test } from "vitest";
import { crc32c } from "../../src/coding/crc32c.ts";
import { DecodeError } from "../../src/coding/decode-error.ts";
import { decodeImage, encodeImage, maxEncodedSize } from "../../src/coding/depth-codec.ts";
import { HEAD_SIZE } from "../../src/record/format.ts";
import { RecordingWriter } from "../../src/record/writer.ts";
import type { HeadEvent } from "../../src/sense/events.ts";
import {
  fakeEvents,
  fakeImage,
  MemorySink,
  readAll,
  recordingBytes,
  seeded,
  smallHeader,
} from "../helpers/recordings.ts";

/** One to three flips, cuts, insertions, repeats or moves somewhere in `bytes`. */
function mutate(bytes: Uint8Array, random: () => number): Uint8Array {
  const upTo = (end: number) => Math.floor(random() * end);
  let out: Uint8Array = bytes.slice();
  for (let edits = 1 + upTo(3); edits > 0; edits--) {
    const at = upTo(out.length);
    const size = 1 + upTo(random() < 0.5 ? 4 : 400);
    const some = Uint8Array.from({ length: size }, () => upTo(256));
    switch (upTo(6)) {
      case 0:
        out[at]! ^= 1 << upTo(8);
        break;
      case 1:
        out.set(some.subarray(0, out.length - at), at);
        break;
      case 2:
        out = Buffer.concat([out.subarray(0, at), out.subarray(at + size)]);
        break;
      case 3:
        out = Buffer.concat([out.subarray(0, at), some, out.subarray(at)]);
        break;
      case 4:
        out = Buffer.concat([out.subarray(0, at), out.subarray(Math.max(0, at - size))]);
        break;
      default:
        out = out.slice(0, at);
    }
    if (out.length === 0) break;
  }
  return out;
}

const fingerprint = (event: HeadEvent): string =>
  JSON.stringify(event, (_, value) =>
    value instanceof Uint16Array ? Buffer.from(value).toString("base64") : value,
  );

test("20,000 damaged recordings give a DecodeError with an offset, or events that were written", async () => {
  const random = seeded(20251);
  const originals = [];
  for (let i = 0; i < 8; i++) {
    const events = fakeEvents(20, i + 1);
    originals.push({
      bytes: await recordingBytes(events),
      written: new Set(events.map(fingerprint)),
      events,
    });
  }
  let refused = 0;
  let repaired = 0;
  let slowest = 0;
  for (let i = 0; i < 20_000; i++) {
    const { bytes, written } = originals[i % originals.length]!;
    const damaged = mutate(bytes, random);
    const start = performance.now();
    try {
      const pieceSize = i % 3 === 0 ? () => 1 + Math.floor(random() * 3000) : () => damaged.length;
      const read = readAll(damaged, { strict: i % 10 === 9 }, pieceSize);
      for (const event of read.events) {
        if (!written.has(fingerprint(event))) expect.fail(`case ${i}: read an event that nobody wrote`);
      }
      for (const { offset, length } of read.damage) {
        if (!(offset >= 0 && length > 0 && offset + length <= damaged.length)) {
          expect.fail(`case ${i}: damage at ${offset}, ${length} bytes, in a file of ${damaged.length}`);
        }
      }
      if (read.damage.length > 0) repaired++;
    } catch (error) {
      if (!(error instanceof DecodeError)) throw error;
      if (!(error.offset >= 0 && error.offset <= damaged.length))
        expect.fail(`case ${i}: offset ${error.offset}`);
      refused++;
    }
    slowest = Math.max(slowest, performance.now() - start);
  }
  // Not all may be refused, or nothing would be shown about repair, and the other way round.
  expect(refused).toBeGreaterThan(500);
  expect(repaired).toBeGreaterThan(5000);
  // Some milliseconds in fact; a loop or a scan of quadratic length would take far longer.
  expect(slowest).toBeLessThan(2000);
}, 120_000);

test("damage to one record loses that record and no other", async () => {
  const events = fakeEvents(30, 5);
  const bytes = await recordingBytes(events);
  const random = seeded(77);
  const { events: whole } = readAll(bytes);
  const first = Buffer.from(bytes).indexOf(Buffer.from("depth")) - 23; // where the first event's record starts
  for (let i = 0; i < 500; i++) {
    const damaged = bytes.slice();
    const at = first + Math.floor(random() * (bytes.length - first));
    damaged[at]! ^= 1 + Math.floor(random() * 255);
    const read = readAll(damaged);
    expect(whole.length - read.events.length).toBeLessThanOrEqual(1);
    expect(read.damage.length).toBe(1);
    expect(read.damage[0]!.offset).toBeLessThanOrEqual(at);
    expect(read.damage[0]!.offset + read.damage[0]!.length).toBeGreaterThan(at);
  }
});

/** The records of a recording one by one, so that one can be changed and given a right checksum again. */
async function records(): Promise<Uint8Array[]> {
  const sink = new MemorySink();
  const writer = new RecordingWriter(sink, smallHeader());
  for (const event of fakeEvents(20, 3)) writer.write(event);
  await writer.close();
  return sink.writes;
}

function sealed(payload: Uint8Array): Uint8Array {
  const record = new Uint8Array(HEAD_SIZE + payload.length);
  const view = new DataView(record.buffer);
  record.set([0xc1, 0x42, 0x52, 0x4b]);
  record.set(payload, HEAD_SIZE);
  view.setUint32(4, payload.length, true);
  view.setUint32(8, crc32c(payload), true);
  view.setUint32(12, crc32c(record, 0, 12), true);
  return record;
}

test("20,000 records with wrong contents and a right checksum are refused or are events of the right shape", async () => {
  const [prefix, header, ...rest] = await records();
  const random = seeded(99);
  const shape = (event: HeadEvent) => Object.keys(event).sort().join();
  const shapes = new Set(fakeEvents(20, 3).map(shape));
  let rejected = 0;
  for (let i = 0; i < 20_000; i++) {
    const victim = rest[i % rest.length]!;
    const payload = mutate(victim.subarray(HEAD_SIZE), random);
    const read = readAll(new Uint8Array(Buffer.concat([prefix!, header!, sealed(payload), rest[1]!])));
    for (const event of read.events) if (!shapes.has(shape(event))) expect.fail(`case ${i}: ${shape(event)}`);
    expect(read.events.at(-1)!.kind).toBe("orientation"); // the good record behind it
    rejected += read.damage.length;
  }
  expect(rejected).toBeGreaterThan(5000);
}, 120_000);

test("5,000 headers with wrong contents and a right checksum are refused or give a usable header", async () => {
  const [prefix, header, ...rest] = await records();
  const random = seeded(5);
  let refused = 0;
  for (let i = 0; i < 5000; i++) {
    const payload = mutate(header!.subarray(HEAD_SIZE), random);
    const bytes = new Uint8Array(Buffer.concat([prefix!, sealed(payload), ...rest]));
    try {
      const { setup } = readAll(bytes).header!;
      for (const { optics } of setup.sensors)
        expect(optics.width * optics.height).toBeLessThanOrEqual(1 << 23);
    } catch (error) {
      if (!(error instanceof DecodeError)) throw error;
      refused++;
    }
  }
  expect(refused).toBeGreaterThan(1000);
}, 120_000);

test("a file of false records is given up, not checksummed over and over", async () => {
  const [prefix, header] = await records();
  // Each head says that a megabyte follows, with a checksum that doesn't fit: 4 MB would cost 260 GB of checksums.
  const head = sealed(new Uint8Array(1 << 20)).subarray(0, HEAD_SIZE);
  const heads = new Uint8Array(4 << 20);
  for (let at = 0; at < heads.length; at += HEAD_SIZE) heads.set(head, at);
  const bytes = new Uint8Array(Buffer.concat([prefix!, header!, heads]));
  expect(() => readAll(bytes)).toThrow(DecodeError);
});

test("lengths of gigabytes, and arrays of billions, are refused without the memory they ask for", async () => {
  const [prefix, header, ...rest] = await records();
  const huge = sealed(Uint8Array.of(0x81, 0xa4, 0x6b, 0x69, 0x6e, 0x64, 0xdb, 0xff, 0xff, 0xff, 0xff)); // kind: str 32
  const array = sealed(Uint8Array.of(0x81, 0xa1, 0x78, 0xdd, 0xff, 0xff, 0xff, 0xff)); // x: array 32
  const long = rest[0]!.slice();
  new DataView(long.buffer).setUint32(4, 0xfffffff0, true);
  new DataView(long.buffer).setUint32(12, crc32c(long, 0, 12), true);
  const before = process.memoryUsage();
  const read = readAll(new Uint8Array(Buffer.concat([prefix!, header!, huge, array, long, rest[1]!])));
  const after = process.memoryUsage();
  expect(read.events.map(({ kind }) => kind)).toEqual(["orientation"]);
  expect(read.damage.length).toBe(3);
  expect(after.heapUsed + after.arrayBuffers - before.heapUsed - before.arrayBuffers).toBeLessThan(16e6);
});

test("100,000 damaged images give a DecodeError with an offset or an image, and touch nothing around it", () => {
  const random = seeded(4);
  const pixels = 320;
  const images = [fakeImage(pixels, random), fakeImage(pixels, random).map((x) => (x >> 5) << 5)];
  images.push(
    images[0]!.map(() => random() * 65536),
    new Uint16Array(pixels).fill(700),
  );
  const coded = images.map((image) => {
    const out = new Uint8Array(maxEncodedSize(pixels));
    return out.slice(0, encodeImage(out, 0, image));
  });
  expect(new Set(coded.map((bytes) => bytes[0]))).toEqual(new Set([0, 1, 2])); // every coding takes part
  const around = new Uint16Array(pixels + 64);
  const out = around.subarray(32, 32 + pixels);
  let refused = 0;
  for (let i = 0; i < 100_000; i++) {
    const damaged = mutate(coded[i % coded.length]!, random);
    around.fill(0xabcd);
    try {
      decodeImage(out, damaged, 0, damaged.length, 1000);
    } catch (error) {
      if (!(error instanceof DecodeError)) throw error;
      if (!(error.offset >= 1000 && error.offset <= 1000 + damaged.length)) {
        expect.fail(`case ${i}: offset ${error.offset} in ${damaged.length} bytes`);
      }
      refused++;
    }
    for (let k = 0; k < 32; k++) {
      if (around[k] !== 0xabcd || around[32 + pixels + k] !== 0xabcd) expect.fail(`case ${i}: wrote outside`);
    }
  }
  expect(refused).toBeGreaterThan(10_000);
}, 120_000);
