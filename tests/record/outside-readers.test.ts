import { mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { fileURLToPath } from "node:url";
import { Unpackr } from "msgpackr";
import { afterAll, expect, test } from "vitest";
import { crc32c } from "../../src/coding/crc32c.ts";
import { HEAD_SIZE } from "../../src/record/format.ts";
import { RecordingWriter } from "../../src/record/writer.ts";
import type { HeadEvent } from "../../src/sense/events.ts";
import { testWith } from "../helpers/needs.ts";
import { runPython } from "../helpers/python.ts";
import {
  fakeEvents,
  MemorySink,
  readAll,
  recordingBytes,
  seeded,
  smallHeader,
} from "../helpers/recordings.ts";

const folder = mkdtempSync(join(tmpdir(), "recording-outside-"));
afterAll(() => rmSync(folder, { recursive: true }));

const reader = readFileSync(fileURLToPath(new URL("read_recording.py", import.meta.url)), "utf8");

const littleEndian = (image: Uint16Array): Uint8Array => {
  const bytes = new Uint8Array(2 * image.length);
  const view = new DataView(bytes.buffer);
  image.forEach((count, i) => {
    view.setUint16(2 * i, count, true);
  });
  return bytes;
};

/** An event as the outside reader prints it: a checksum in place of each image. */
const digest = (event: HeadEvent): unknown =>
  JSON.parse(
    JSON.stringify(event, (_, value) =>
      value instanceof Uint16Array ? crc32c(littleEndian(value)).toString(16).padStart(8, "0") : value,
    ),
  );

/** Images of every coding: noise (raw), steps (levels), steep (wide groups), nothing, all the same. */
function oddImages(): HeadEvent[] {
  const random = seeded(21);
  const make: ((i: number) => number)[] = [
    () => random() * 65536,
    (i) => 700 + 25 * (i % 9),
    (i) => (i * 977) % 40_000,
    () => 0,
    () => 65_535,
    (i) => (i % 3 === 0 ? 0 : 1 + (i % 2) * 65_534),
    (i) => (i < 700 ? 0 : i),
  ];
  return make.map((at, k) => ({
    kind: "depth",
    time: k,
    sensor: 0,
    sequence: k,
    counts: Uint16Array.from({ length: 32 * 24 }, (_, i) => at(i)),
    amplitude: null,
  }));
}

testWith(
  "python",
  "a reader written from the format's description alone, in Python, finds the same events",
  async () => {
    const events = [...fakeEvents(200, 31), ...oddImages()];
    const path = join(folder, "outside.brk");
    writeFileSync(path, await recordingBytes(events));
    const lines = runPython(reader, [path]).trim().split("\n");
    const records = lines.map((line) => JSON.parse(line) as { kind: string });
    expect(records[0]).toEqual({ kind: "header", ...smallHeader() });
    expect(records.slice(-3).map(({ kind }) => kind)).toEqual(["header", "index", "end"]);
    expect(records.slice(1, -3)).toEqual(events.map(digest));
  },
);

testWith("python", "payloads are what python3-msgpack itself writes, byte for byte", async () => {
  const sink = new MemorySink();
  const writer = new RecordingWriter(sink, smallHeader());
  for (const event of [...fakeEvents(100, 32), ...oddImages()]) writer.write(event);
  await writer.close();
  const payloads = sink.writes
    .slice(1)
    .map((record) => Buffer.from(record.subarray(HEAD_SIZE)).toString("hex"));
  const again = runPython(
    "import sys, msgpack\nfor x in sys.stdin.read().split(): print(msgpack.packb(msgpack.unpackb(bytes.fromhex(x))).hex())",
    [],
    payloads.join("\n"),
  );
  expect(again.trim().split("\n")).toEqual(payloads);
});

testWith(
  "python",
  "events that another program writes, in its own order and number types, are read",
  async () => {
    const script = `
import struct, msgpack, crcmod.predefined
crc = crcmod.predefined.mkPredefinedCrcFun("crc-32c")
def record(x):
    p = msgpack.packb(x)
    head = struct.pack("<4sLL", b"\\xc1BRK", len(p), crc(p))
    print((head + struct.pack("<L", crc(head)) + p).hex())
record({"kind": "inertial", "mag": None, "accel": [0, 0, 10], "gyro": [1, 2.5, -3], "time": 7, "colour": "red"})
record({"kind": "weather", "time": 8})
record({"kind": "knock", "time": -9.0, "point": (1, 2, 3), "more": {"a": [1, {"b": None}], "c": b"xyz"}})
`;
    const sink = new MemorySink();
    const writer = new RecordingWriter(sink, smallHeader());
    for (const hex of runPython(script).trim().split("\n")) sink.write(Buffer.from(hex, "hex"));
    await writer.close();
    const read = readAll(sink.bytes());
    expect(read.events).toEqual([
      { kind: "inertial", time: 7, gyro: [1, 2.5, -3], accel: [0, 0, 10], mag: null },
      { kind: "knock", time: -9, point: [1, 2, 3] },
    ]);
    expect(read.unknown).toBe(1);
    expect(read.damage).toEqual([]);
  },
);

test("msgpackr reads every payload", async () => {
  const sink = new MemorySink();
  const events = fakeEvents(100, 33);
  const writer = new RecordingWriter(sink, smallHeader());
  for (const event of events) writer.write(event);
  const plain = new Unpackr({ useRecords: false, int64AsType: "number" }); // else times over 2^32 are BigInt
  const payloads = sink.writes
    .slice(2)
    .map((record) => plain.unpack(record.subarray(HEAD_SIZE)) as HeadEvent);
  expect(payloads.length).toBe(100);
  payloads.forEach((payload, i) => {
    const event = events[i]!;
    if (event.kind !== "depth") expect(payload).toEqual(event);
  });
  expect(readAll(sink.bytes()).events).toEqual(events);
});
