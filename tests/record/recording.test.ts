import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { afterAll, expect, test } from "vitest";
import { createRecording, openRecording } from "../../src/record/file.ts";
import { fakeEvents, keep, readAll, recordingBytes, smallHeader } from "../helpers/recordings.ts";

const folder = mkdtempSync(join(tmpdir(), "recording-"));
afterAll(() => rmSync(folder, { recursive: true }));

test("a recording read back has the header and the events that were written, of every kind", async () => {
  const events = fakeEvents(100, 1);
  const read = readAll(await recordingBytes(events));
  expect(read.header).toEqual(smallHeader());
  expect(read.events).toEqual(events);
  expect(read.damage).toEqual([]);
});

test("a recording in a file gives its events again and again, and its index counts them", async () => {
  const path = join(folder, "again.brk");
  const events = fakeEvents(60, 2);
  const writer = await createRecording(path, smallHeader());
  for (const event of events) writer.write(event);
  await writer.close();
  const recording = await openRecording(path);
  expect(recording.header).toEqual(smallHeader());
  for (let pass = 0; pass < 2; pass++) expect(Array.from(recording.events(), keep).length).toBe(60);
  const index = await recording.index();
  expect(index.rebuilt).toBe(false);
  expect(index.counts.depth).toBe(12);
  recording.close();
});
