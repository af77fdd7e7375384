import { copyFileSync, existsSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, afterEach, beforeEach, expect, test, vi } from "vitest";
import { RecordingWriter } from "../../src/record/writer.ts";
import type { HeadEvent } from "../../src/sense/events.ts";
import { main } from "../../tools/inspect.ts";
import {
  fakeEvents,
  fakeImage,
  MemorySink,
  readAll,
  recordingBytes,
  seeded,
  smallHeader,
} from "../helpers/recordings.ts";

const folder = mkdtempSync(join(tmpdir(), "inspect-"));
afterAll(() => rmSync(folder, { recursive: true }));

let out = "";
let trouble = "";
beforeEach(() => {
  out = "";
  trouble = "";
  vi.spyOn(console, "log").mockImplementation((line: string) => {
    out += `${line}\n`;
  });
  vi.spyOn(console, "error").mockImplementation((line: string) => {
    trouble += `${line}\n`;
  });
});
afterEach(() => vi.restoreAllMocks());

/** Ten seconds: 15 Hz depth that lost frames 30 to 34, and 100 Hz inertial samples that once go back by 50 ms. */
function drive(): HeadEvent[] {
  const random = seeded(1);
  const events: HeadEvent[] = [];
  for (let i = 0; i < 1000; i++) {
    const time = 1_000_000 + i * 10_000 - (i === 500 ? 60_000 : 0);
    events.push({ kind: "inertial", time, gyro: [0, 0, 0], accel: [0, 0, 9.81], mag: null });
    if (i % 20 === 0 || i % 20 === 7 || i % 20 === 13) {
      const sequence = Math.floor(i / 20) * 3 + (i % 20 === 0 ? 0 : i % 20 === 7 ? 1 : 2);
      if (sequence >= 30 && sequence < 35) continue;
      const counts = fakeImage(32 * 24, random);
      events.push({
        kind: "depth",
        time: 1_000_000 + i * 10_000,
        sensor: 0,
        sequence,
        counts,
        amplitude: null,
      });
    }
  }
  events.push({ kind: "mark", time: 5_000_000, text: "the edge of the platform" });
  return events;
}

test("counts, rates, lost frames, pauses and time going back are named", async () => {
  const path = join(folder, "drive.brk");
  writeFileSync(path, await recordingBytes(drive()));
  expect(await main(["--json", "--pause", "0.3", path])).toBe(0);
  const summary = JSON.parse(out);
  expect(summary).toMatchObject({ closed: true, damage: [], firstTime: 1_000_000, lastTime: 10_990_000 });
  expect(summary.header).toEqual(smallHeader());
  const stream = (name: string) => summary.streams.find((s: { name: string }) => s.name === name);
  expect(stream("depth 0")).toMatchObject({
    events: 145,
    missing: 5,
    pauses: 1,
    backwards: 0,
    rawSize: 145 * 1536,
  });
  expect(stream("inertial")).toMatchObject({ events: 1000, backwards: 1, pauses: 0, rate: 999 / 9.99 });
  expect(stream("mark")).toMatchObject({ events: 1 });
  expect(summary.gaps).toEqual([
    { stream: "depth 0", what: "pause", time: 2_930_000, length: 400_000, missing: 0 },
    { stream: "depth 0", what: "frames missing", time: 2_930_000, length: 400_000, missing: 5 },
    { stream: "inertial", what: "time goes back", time: 5_990_000, length: -50_000, missing: 0 },
  ]);
});

test("the note for people says the same in plain words", async () => {
  const path = join(folder, "words.brk");
  writeFileSync(path, await recordingBytes(drive()));
  expect(await main(["-p", "0.3", path])).toBe(0);
  expect(out).toContain(
    "sensor 0  front, on the head: pinhole 32 x 24, 53 degrees across, z in 1.00 mm, 0.1 to 6 m",
  );
  expect(out).toContain("sensor 1  laser, on the base: scan of 16 beams over 107 degrees, range in 1.00 mm");
  expect(out).toContain("duration  9.990 s, from time 1.000 s");
  expect(out).toContain("depth 0, after 1.930 s: 5 frames missing");
  expect(out).toContain("depth 0, after 1.930 s: pause of 0.400 s");
  expect(out).toContain("inertial, after 4.990 s: time goes back by 0.050 s");
  expect(out).toContain("4.000 s: the edge of the platform");
  expect(out).toContain("no damage");
});

test("damage is shown with its place and by the exit code, and repair leaves everything else", async () => {
  const events = fakeEvents(40, 4);
  const bytes = await recordingBytes(events);
  bytes[3000]! ^= 4;
  const path = join(folder, "damaged.brk");
  writeFileSync(path, bytes);
  const { damage, events: left } = readAll(bytes);
  expect(await main([path])).toBe(5);
  expect(out).toContain(
    `${damage[0]!.length} bytes from byte ${damage[0]!.offset}: checksum of the record is wrong`,
  );

  const repaired = join(folder, "repaired.brk");
  expect(await main(["--repair", repaired, path])).toBe(0);
  const read = readAll(new Uint8Array(readFileSync(repaired)), { strict: true });
  expect(read.events).toEqual(left);
  expect(read.events.length).toBe(39);
  expect(await main(["--json", repaired])).toBe(0);
  expect(readFileSync(path)).toEqual(Buffer.from(bytes)); // the damaged one is left as it was
});

test("a recording whose recorder was killed is shown as not closed, and repair closes it", async () => {
  const sink = new MemorySink();
  const writer = new RecordingWriter(sink, smallHeader());
  for (const event of fakeEvents(20, 9)) writer.write(event);
  const path = join(folder, "killed.brk");
  writeFileSync(path, sink.bytes());
  expect(await main([path])).toBe(0);
  expect(out).toContain("not closed (no index)");
  out = "";
  expect(await main(["-r", join(folder, "closed.brk"), path])).toBe(0);
  out = "";
  expect(await main([join(folder, "closed.brk")])).toBe(0);
  expect(out).toContain(", closed\n");
});

test("a recording without events is no trouble", async () => {
  const path = join(folder, "empty.brk");
  writeFileSync(path, await recordingBytes([]));
  expect(await main([path])).toBe(0);
  expect(out).toContain("no events");
});

test("repair never writes over a file, not even the recording itself", async () => {
  const path = join(folder, "itself.brk");
  writeFileSync(path, await recordingBytes(fakeEvents(10, 1)));
  copyFileSync(path, `${path}.copy`);
  expect(await main(["--repair", path, path])).toBe(4);
  expect(trouble).toContain("is there already");
  expect(readFileSync(path)).toEqual(readFileSync(`${path}.copy`));
});

test("wrong usage and unreadable files have their exit codes and one line each", async () => {
  expect(await main(["--help"])).toBe(0);
  expect(out).toContain("Usage: brinkmap inspect");
  for (const args of [
    [],
    ["a", "b"],
    ["--what", "a"],
    ["--pause", "0", "a"],
    ["--pause", "x", "a"],
    ["--repair"],
  ]) {
    trouble = "";
    expect(await main(args), args.join(" ")).toBe(2);
    expect(trouble.trim().split("\n").length).toBe(1);
  }
  const text = join(folder, "text.brk");
  writeFileSync(text, "hello");
  for (const path of [join(folder, "missing.brk"), folder, text]) {
    trouble = "";
    expect(await main([path]), path).toBe(3);
    expect(trouble).toMatch(/^inspect: .+\n$/);
  }
  const out2 = join(folder, "never.brk");
  expect(await main(["--repair", out2, text])).toBe(3);
  expect(existsSync(out2)).toBe(false);
});
