import { mkdtempSync, readFileSync, rmSync, truncateSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import fc from "fast-check";
import { afterAll, expect, test } from "vitest";
import { DecodeError } from "../../src/coding/decode-error.ts";
import { MsgpackReader, MsgpackWriter } from "../../src/coding/msgpack.ts";
import { createRecording, openRecording } from "../../src/record/file.ts";
import { finishRecord, HEAD_SIZE, type RecordingHeader, startRecord } from "../../src/record/format.ts";
import { RecordingReader } from "../../src/record/reader.ts";
import {
  decodeIndex,
  IndexBuilder,
  MAX_PAGES,
  type RecordingIndex,
  seekOffset,
} from "../../src/record/recording-index.ts";
import { RecordingWriter } from "../../src/record/writer.ts";
import type { DepthEvent, HeadEvent } from "../../src/sense/events.ts";
import {
  fakeEvents,
  keep,
  MemorySink,
  readAll,
  recordingBytes,
  seeded,
  smallHeader,
  smallSetup,
} from "../helpers/recordings.ts";
import { slowTest } from "../helpers/slow.ts";

const folder = mkdtempSync(join(tmpdir(), "recording-"));
afterAll(() => rmSync(folder, { recursive: true }));

async function writeFileOf(name: string, events: Iterable<HeadEvent>): Promise<string> {
  const path = join(folder, name);
  const writer = await createRecording(path, smallHeader());
  for (const event of events) writer.write(event);
  await writer.close();
  return path;
}

test("a recording read back has the header and the events that were written, of every kind", async () => {
  const events = fakeEvents(100, 1);
  const read = readAll(await recordingBytes(events));
  expect(read.header).toEqual(smallHeader());
  expect(read.events).toEqual(events);
  expect(read.damage).toEqual([]);
});

// ------------------------------------------------------------ any event, any header

const any64 = fc.double(); // NaN, infinities, -0 and subnormals among them
const vec3 = fc.tuple(any64, any64, any64);
const pose = fc.record({ rotation: fc.tuple(any64, any64, any64, any64), position: vec3 });
const time = fc.maxSafeInteger();
const image = (pixels: number) =>
  fc.oneof(
    fc.uint16Array({ minLength: pixels, maxLength: pixels }),
    fc.uint16Array({ minLength: pixels, maxLength: pixels, min: 1000, max: 1040 }),
  );
const kind = <K extends string>(name: K) => fc.constant(name);
const depth = (sensor: number, pixels: number) =>
  fc.record({
    kind: kind("depth"),
    time,
    sensor: fc.constant(sensor),
    sequence: fc.maxSafeNat(),
    counts: image(pixels),
    amplitude: fc.option(image(pixels)),
  });
const anyEvent: fc.Arbitrary<HeadEvent> = fc.oneof(
  depth(0, 8 * 6),
  depth(1, 16),
  fc.record({ kind: kind("orientation"), time, rotation: fc.tuple(any64, any64, any64, any64) }),
  fc.record({ kind: kind("inertial"), time, gyro: vec3, accel: vec3, mag: fc.option(vec3) }),
  fc.record({ kind: kind("motion"), time, pose: vec3, speed: fc.option(vec3) }),
  fc.record({ kind: kind("mount"), time, sensor: fc.option(fc.nat(1)), pose }),
  fc.record({ kind: kind("knock"), time, point: vec3 }),
  fc.record({ kind: kind("floorcheck"), time, point: fc.tuple(any64, any64), alarm: fc.boolean() }),
  fc.record({
    kind: kind("waiver"),
    time,
    seconds: any64,
    reason: fc.string({ unit: "binary", maxLength: 300 }),
    direction: fc.constantFrom("forward", "backward", "left", "right"),
  }),
  fc.record({ kind: kind("shed"), time, level: fc.nat(16) }),
  fc.record({ kind: kind("mark"), time, text: fc.string({ unit: "binary", maxLength: 300 }) }),
  fc.record({ kind: kind("reference"), time, of: kind("lens"), sensor: fc.nat(1), pose }),
  fc.record({ kind: kind("reference"), time, of: kind("base"), sensor: fc.constant(0), pose }),
);

test("any events come back as they were, in whatever pieces the bytes arrive", async () => {
  const setup = smallSetup(8, 6);
  await fc.assert(
    fc.asyncProperty(
      fc.array(anyEvent, { maxLength: 12 }),
      fc.infiniteStream(fc.oneof(fc.integer({ min: 1, max: 9 }), fc.integer({ min: 1, max: 5000 }))),
      async (events, sizes) => {
        const bytes = await recordingBytes(events, smallHeader(setup));
        const read = readAll(bytes, { strict: true }, () => sizes.next().value);
        expect(read.events).toEqual(events);
      },
    ),
    { seed: 3, numRuns: 300 },
  );
});

test("any JSON-like settings and any texts come back as they were", async () => {
  const json = fc.jsonValue({ maxDepth: 4 }).map((value) => JSON.parse(JSON.stringify(value)) as unknown);
  await fc.assert(
    fc.asyncProperty(
      fc.dictionary(fc.string(), json),
      fc.string({ unit: "binary" }),
      fc.string({ unit: "binary" }),
      async (settings, about, software) => {
        const header: RecordingHeader = { setup: smallSetup(), settings, about, software };
        expect(readAll(await recordingBytes([], header)).header).toEqual(header);
      },
    ),
    { seed: 4, numRuns: 300 },
  );
});

test("one byte at a time gives the same as all at once, damage included", async () => {
  const bytes = await recordingBytes(fakeEvents(30, 7));
  for (const at of [3, 900, 2000, 4000, bytes.length - 3]) bytes[at]! ^= 0x55;
  const whole = readAll(bytes);
  expect(whole.damage.length).toBe(5);
  expect(readAll(bytes, {}, () => 1)).toEqual(whole);
});

// ------------------------------------------------------------ what is refused

test("an event that doesn't fit the setup is refused and leaves the recording as it was", async () => {
  const [good] = fakeEvents(1, 2);
  const bad: HeadEvent[] = [
    { ...(good as DepthEvent), sensor: 2 },
    { ...(good as DepthEvent), sequence: 0.5 },
    { ...(good as DepthEvent), counts: new Uint16Array(5) },
    { ...(good as DepthEvent), amplitude: new Uint16Array(5) },
    { kind: "mark", time: 0.5, text: "between two microseconds" },
    { kind: "mark", time: Number.NaN, text: "never" },
    { kind: "mount", time: 0, sensor: -1, pose: { rotation: [0, 0, 0, 1], position: [0, 0, 0] } },
  ];
  const sink = new MemorySink();
  const writer = new RecordingWriter(sink, smallHeader());
  for (const event of bad) expect(() => writer.write(event)).toThrow(RangeError);
  writer.write(good!);
  await writer.close();
  expect(() => writer.write(good!)).toThrow("closed");
  const read = readAll(sink.bytes());
  expect(read.events).toEqual([good]);
  expect(read.damage).toEqual([]);
});

test.each([
  ["undefined", { a: { b: undefined } }, "settings.a.b"],
  ["a date", { when: new Date(0) }, "settings.when"],
  ["a map", { list: [1, new Map()] }, "settings.list[1]"],
  ["a big integer", { n: 1n }, "settings.n"],
  ["a number that isn't finite", { n: Number.POSITIVE_INFINITY }, "settings.n"],
])("%s in the settings is refused by name, before a byte is written", (_, settings, path) => {
  const sink = new MemorySink();
  expect(() => new RecordingWriter(sink, { ...smallHeader(), settings })).toThrow(path);
  expect(sink.writes).toEqual([]);
});

test("a setup that no reader accepts is refused", () => {
  const setup = smallSetup(16_384, 16_384);
  expect(() => new RecordingWriter(new MemorySink(), smallHeader(setup))).toThrow("16384 x 16384");
  expect(() => new RecordingWriter(new MemorySink(), smallHeader(smallSetup(0, 5)))).toThrow("width");
});

test("what isn't a recording is refused with the place", async () => {
  expect(readAll(new TextEncoder().encode("# just some text\n".repeat(9))).header).toBeNull();
  const path = join(folder, "text.brk");
  writeFileSync(path, "# just some text\n".repeat(9));
  await expect(openRecording(path)).rejects.toThrow(DecodeError);
  writeFileSync(path, "");
  await expect(openRecording(path)).rejects.toThrow("no header record in 0 bytes");
  expect(() => readAll(new Uint8Array(3 << 20))).toThrow("no recording");
  const newer = await recordingBytes([]);
  newer[8] = 2;
  newer.set(prefixCrc(newer), 12);
  writeFileSync(path, newer);
  await expect(openRecording(path)).rejects.toThrow("format version 2");
});

function prefixCrc(bytes: Uint8Array): Uint8Array {
  let crc = 0xffffffff; // bit by bit, from RFC 3720's polynomial
  for (const byte of bytes.subarray(0, 12)) {
    crc ^= byte;
    for (let bit = 0; bit < 8; bit++) crc = (crc >>> 1) ^ (crc & 1 ? 0x82f63b78 : 0);
  }
  return new Uint8Array(Uint32Array.of(~crc).buffer);
}

test("strict reading stops at the first damage and gives its offset", async () => {
  const events = fakeEvents(30, 7);
  const bytes = await recordingBytes(events);
  bytes[3000]! ^= 1;
  const { damage } = readAll(bytes);
  expect(() => readAll(bytes, { strict: true })).toThrow(
    expect.objectContaining({ name: "DecodeError", offset: damage[0]!.offset }) as Error,
  );
});

test("a recording isn't written over unless that is asked for", async () => {
  const path = await writeFileOf("once.brk", fakeEvents(10, 1));
  const before = readFileSync(path);
  await expect(createRecording(path, smallHeader())).rejects.toMatchObject({ code: "EEXIST" });
  expect(readFileSync(path)).toEqual(before);
  const writer = await createRecording(path, smallHeader(), { overwrite: true });
  await writer.close();
  await writer.close(); // again: nothing happens
  expect(readAll(readFileSync(path)).events).toEqual([]);
});

// ------------------------------------------------------------ index

test("a recording in a file gives its events again and again, and its index counts them", async () => {
  const events = fakeEvents(60, 2);
  const recording = await openRecording(await writeFileOf("again.brk", events));
  expect(recording.header).toEqual(smallHeader());
  for (let pass = 0; pass < 2; pass++) expect(Array.from(recording.events(), keep)).toEqual(events);
  const index = await recording.index();
  expect(index.rebuilt).toBe(false);
  expect(index.counts).toEqual({ ...Object.fromEntries(kindsOf(events)) });
  expect(index.firstTime).toBe(Math.min(...events.map((event) => event.time)));
  expect(index.lastTime).toBe(Math.max(...events.map((event) => event.time)));
  recording.close();
});

function kindsOf(events: readonly HeadEvent[]): Map<string, number> {
  const counts = new Map<string, number>();
  for (const { kind: name } of events) counts.set(name, (counts.get(name) ?? 0) + 1);
  return counts;
}

/** 30 Hz noise for `seconds`: enough bytes for many pages. */
function* noisy(seconds: number): Generator<DepthEvent> {
  const random = seeded(13);
  for (let i = 0; i < 30 * seconds; i++) {
    const counts = Uint16Array.from({ length: 32 * 24 }, () => random() * 65_536);
    yield { kind: "depth", time: i * 33_333, sensor: 0, sequence: i, counts, amplitude: counts };
  }
}

test("an index lost with the end of the file is rebuilt by a scan, the same as the one that was written", async () => {
  const path = await writeFileOf("rebuilt.brk", noisy(20));
  const recording = await openRecording(path);
  const written = await recording.index();
  recording.close();
  expect(written.pages.length).toBeGreaterThan(5);
  truncateSync(path, readFileSync(path).length - 1);
  const cut = await openRecording(path);
  expect(await cut.index()).toEqual({ ...written, rebuilt: true });
  cut.close();
});

test("seeking gives every event from a time on, and reads less than a page before it", async () => {
  const path = await writeFileOf("seek.brk", noisy(20));
  const recording = await openRecording(path);
  const index = await recording.index();
  for (const from of [0, 1_000_000, 9_999_990, 19_000_000]) {
    const read = Array.from(recording.events(seekOffset(index, from)!), (event) => event.time);
    const due = 600 - Math.ceil(from / 33_333);
    expect(read.filter((at) => at >= from).length).toBe(due);
    expect(read.length - due).toBeLessThan(100); // a page of 256 KiB holds 85 of these records
  }
  expect(seekOffset(index, 20_000_000)).toBeNull();
  recording.close();
});

test("an index never has more pages than its limit, however long the recording, and still counts right", () => {
  const builder = new IndexBuilder();
  const count = 100_000;
  for (let i = 0; i < count; i++) builder.add(i % 2 === 0 ? "depth" : "mark", i, i * 200_000, 200_000);
  const index: RecordingIndex = builder.finish(false);
  expect(index.pages.length).toBeLessThanOrEqual(MAX_PAGES);
  expect(index.pages.length).toBeGreaterThan(MAX_PAGES / 4);
  expect(index.counts.depth).toBe(count / 2);
  expect(index.sizes.mark).toBe((count / 2) * 200_000);
  const at = seekOffset(index, 77_777)! / 200_000;
  expect(at).toBeLessThanOrEqual(77_777);
  expect(at).toBeGreaterThan(77_777 - count / (MAX_PAGES / 4));
});

test("an index of another version is read by the names of its kinds", () => {
  const out = new MsgpackWriter();
  startRecord(out);
  out.map(3);
  out.name("kind");
  out.name("index");
  out.name("kinds");
  out.array(2);
  for (const kind of ["wheelspin", "depth"]) out.name(kind);
  out.name("pages");
  out.array(1);
  out.array(5);
  for (const value of [100, 5, 9]) out.int(value);
  for (const values of [
    [3, 7],
    [30, 70],
  ]) {
    out.array(2);
    for (const value of values) out.int(value);
  }
  finishRecord(out);
  const reader = new MsgpackReader();
  reader.reset(out.bytes, HEAD_SIZE, out.at, 0);
  const index = decodeIndex(reader, 1000);
  expect(index).toMatchObject({ firstTime: 5, lastTime: 9 });
  expect(index.counts).toMatchObject({ depth: 7, mark: 0, shed: 0 });
  expect(index.sizes).toMatchObject({ depth: 70, mark: 0, shed: 0 });
});

// ------------------------------------------------------------ memory

slowTest("reading and writing a long recording takes no more memory than a short one", async () => {
  const reader = new RecordingReader();
  const random = seeded(2);
  const counts = Uint16Array.from({ length: 160 * 120 }, () => 1000 + random() * 500);
  let frames = 0;
  const pump = () => {
    for (let event = reader.next(); event !== null; event = reader.next()) frames++;
  };
  const sink = {
    write: (bytes: Uint8Array) => {
      reader.push(bytes);
      pump();
    },
    close: () => {},
  };
  const writer = new RecordingWriter(sink, smallHeader(smallSetup(160, 120)));
  const write = (count: number) => {
    for (let i = 0; i < count; i++) {
      writer.write({ kind: "depth", time: i, sensor: 0, sequence: i, counts, amplitude: counts });
    }
  };
  write(300);
  const before = process.memoryUsage().arrayBuffers;
  write(1500); // 80 MB of recording
  expect(process.memoryUsage().arrayBuffers - before).toBeLessThan(4e6);
  expect(writer.size).toBeGreaterThan(50e6);
  await writer.close();
  expect(frames).toBe(1800);
});
