import { spawn, spawnSync } from "node:child_process";
import {
  closeSync,
  existsSync,
  mkdirSync,
  mkdtempSync,
  openSync,
  readFileSync,
  rmSync,
  writeFileSync,
  writeSync,
} from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { setTimeout as sleep } from "node:timers/promises";
import { fileURLToPath, pathToFileURL } from "node:url";
import { isDeepStrictEqual } from "node:util";
import { afterAll, beforeAll, expect, test } from "vitest";
import { createRecording, openRecording } from "../../src/record/file.ts";
import { RecordingWriter } from "../../src/record/writer.ts";
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

const root = fileURLToPath(new URL("../..", import.meta.url));
const folder = mkdtempSync(join(tmpdir(), "recording-kill-"));
let build = "";

beforeAll(() => {
  // Inside the repository, where a compiled module finds its packages.
  mkdirSync(join(root, "dist"), { recursive: true });
  build = mkdtempSync(join(root, "dist", "record-kill-"));
  const flags = `--ignoreConfig --target es2023 --module nodenext --types node --skipLibCheck --rootDir .
    --rewriteRelativeImportExtensions`.split(/\s+/);
  const files = ["src/record/file.ts", "tests/helpers/recordings.ts"];
  const tsc = join(root, "node_modules/typescript/bin/tsc");
  const run = spawnSync(process.execPath, [tsc, ...flags, "--outDir", build, ...files], { cwd: root });
  if (run.status !== 0) throw new Error(`tsc ended with ${run.status}: ${run.stdout}${run.stderr}`);
});

afterAll(() => {
  rmSync(folder, { recursive: true });
  rmSync(build, { recursive: true });
});

/** Writes events 0, 1, 2 ... and says on stdout how many have been written. */
const child = (path: string) => `
  import { writeSync } from "node:fs";
  import { createRecording } from ${JSON.stringify(pathToFileURL(join(build, "src/record/file.js")))};
  import * as fake from ${JSON.stringify(pathToFileURL(join(build, "tests/helpers/recordings.js")))};
  const setup = fake.smallSetup(160, 120);
  const events = fake.fakeEvents(40, 11, setup);
  const writer = await createRecording(${JSON.stringify(path)}, fake.smallHeader(setup));
  for (let i = 0; ; i++) {
    writer.write({ ...events[i % events.length], time: i });
    writeSync(1, String(i + 1).padStart(9) + "\\n");
  }`;

test("a recorder killed at any of 50 moments loses at most the record in flight", async () => {
  const random = seeded(50);
  const events = fakeEvents(40, 11, smallSetup(160, 120));
  let most = 0;
  for (let i = 0; i < 50; i++) {
    const path = join(folder, `${i}.brk`);
    const report = join(folder, `${i}.txt`);
    const stdout = openSync(report, "w");
    const recorder = spawn(process.execPath, ["--input-type=module", "-e", child(path)], {
      stdio: ["ignore", stdout, "inherit"],
    });
    const gone = new Promise((resolve) => recorder.once("exit", (_, signal) => resolve(signal)));
    // So many records, then somewhere within the next few milliseconds: in the middle of one, most likely.
    const records = 1 + Math.floor(random() * 150);
    while (readFileSync(report).length < 10 * records && recorder.exitCode === null) await sleep(1);
    await sleep(random() * 3);
    recorder.kill("SIGKILL");
    expect(await gone).toBe("SIGKILL");
    closeSync(stdout);

    const completed = Math.floor(readFileSync(report).length / 10);
    const recording = await openRecording(path);
    let read = 0;
    for (const event of recording.events()) {
      if (event.time !== read) expect.fail(`event ${read} has time ${event.time}`);
      // The contents of each of the 40 once; the others differ in their time alone.
      if (read < 40 && !isDeepStrictEqual(event, { ...events[read]!, time: read })) {
        expect.fail(`event ${read} isn't the one that was written`);
      }
      read++;
    }
    expect(read).toBeGreaterThanOrEqual(completed);
    expect(read).toBeLessThanOrEqual(completed + 1);
    expect(recording.damage.length).toBeLessThanOrEqual(1);
    const index = await recording.index();
    expect(index.rebuilt).toBe(true);
    expect(Object.values(index.counts).reduce((a, b) => a + b)).toBe(read);
    recording.close();
    most = Math.max(most, read);
  }
  expect(most).toBeGreaterThan(100);
}, 120_000);

test("a recording cut short at any byte gives every record that was complete", async () => {
  const sink = new MemorySink();
  const writer = new RecordingWriter(sink, smallHeader());
  const events = fakeEvents(20, 8);
  for (const event of events) writer.write(event);
  const ends: number[] = [];
  for (const bytes of sink.writes) ends.push((ends.at(-1) ?? 0) + bytes.length);
  const bytes = sink.bytes();
  const [, headerEnd, ...recordEnds] = ends;
  for (let size = headerEnd!; size <= bytes.length; size++) {
    const read = readAll(bytes.subarray(0, size));
    const whole = recordEnds.filter((end) => end <= size).length;
    if (read.events.length !== whole) expect.fail(`${size} bytes: ${read.events.length} events of ${whole}`);
    const rest = size - (whole > 0 ? recordEnds[whole - 1]! : headerEnd!);
    expect(read.damage.reduce((sum, { length }) => sum + length, 0)).toBe(rest);
  }
});

test("a full disk is reported by the writer, and earlier records stay readable", async () => {
  const sink = new MemorySink();
  let room = 20_000;
  const write = sink.write.bind(sink);
  sink.write = (bytes) => {
    write(bytes.subarray(0, room));
    room -= bytes.length;
    if (room < 0) throw Object.assign(new Error("no space left on device"), { code: "ENOSPC" });
  };
  const writer = new RecordingWriter(sink, smallHeader());
  const events = fakeEvents(200, 6);
  let written = 0;
  expect(() => {
    for (; ; written++) writer.write(events[written]!);
  }).toThrow("no space left");
  expect(() => writer.write(events[0]!)).toThrow(RangeError);
  await writer.close();
  expect(written).toBeGreaterThan(20);
  expect(readAll(sink.bytes()).events).toEqual(events.slice(0, written));
});

test.runIf(existsSync("/dev/full"))("a full disk shows when the recording is started", async () => {
  await expect(createRecording("/dev/full", smallHeader(), { overwrite: true })).rejects.toThrow("ENOSPC");
});

test("a recording whose header is damaged is opened with the copy at its end", async () => {
  const events = fakeEvents(20, 12);
  const bytes = await recordingBytes(events);
  const path = join(folder, "header.brk");
  bytes[60]! ^= 0xff;
  writeFileSync(path, bytes);
  const recording = await openRecording(path);
  expect(recording.header).toEqual(smallHeader());
  expect(Array.from(recording.events(), keep)).toEqual(events);
  expect(recording.damage.length).toBe(1);
  recording.close();
  await expect(openRecording(path, { strict: true })).rejects.toThrow("byte 16");
});

test("a long recording that was never closed and lost its header is opened with a copy on the way", async () => {
  const random = seeded(3);
  const counts = Uint16Array.from({ length: 512 * 512 }, () => random() * 65_536);
  const setup = smallSetup(512, 512);
  const path = join(folder, "long.brk");
  const writer = await createRecording(path, smallHeader(setup));
  for (let i = 0; i < 140; i++) {
    writer.write({ kind: "depth", time: i, sensor: 0, sequence: i, counts, amplitude: null });
  }
  const fd = openSync(path, "r+"); // as it is while the writer is still at work
  writeSync(fd, Uint8Array.of(0xff), 0, 1, 100);
  closeSync(fd);
  const recording = await openRecording(path);
  expect(recording.header).toEqual(smallHeader(setup));
  expect(Array.from(recording.events(), ({ time }) => time)).toEqual(
    Array.from({ length: 140 }, (_, i) => i),
  );
  recording.close();
  await writer.close();
});
