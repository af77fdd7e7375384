import { mkdirSync, mkdtempSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { encode } from "fast-png";
import { afterAll, afterEach, beforeEach, vi } from "vitest";
import { openRecording } from "../../src/record/file.ts";
import type { RecordingHeader } from "../../src/record/format.ts";
import type { DepthEvent, HeadEvent } from "../../src/sense/events.ts";

/** A folder of its own for each test file, removed at the end. */
export function temporaryFolder(): string {
  const folder = mkdtempSync(join(tmpdir(), "import-"));
  afterAll(() => rmSync(folder, { recursive: true }));
  return folder;
}

/** What a command printed in the current test. */
export function captured(): { out: string; trouble: string } {
  const text = { out: "", trouble: "" };
  beforeEach(() => {
    text.out = "";
    text.trouble = "";
    vi.spyOn(console, "log").mockImplementation((line: string) => {
      text.out += `${line}\n`;
    });
    vi.spyOn(console, "error").mockImplementation((line: string) => {
      text.trouble += `${line}\n`;
    });
  });
  afterEach(() => vi.restoreAllMocks());
  return text;
}

/** Everything in a recording; images are copies. */
export async function readRecording(path: string): Promise<{ header: RecordingHeader; events: HeadEvent[] }> {
  const recording = await openRecording(path, { strict: true });
  try {
    const events: HeadEvent[] = [];
    for (const event of recording.events())
      events.push(event.kind === "depth" ? { ...event, counts: event.counts.slice() } : event);
    return { header: recording.header, events };
  } finally {
    recording.close();
  }
}

export const depthEvents = (events: readonly HeadEvent[]) =>
  events.filter((event): event is DepthEvent => event.kind === "depth");

/** Pixel i of frame n. */
export const pixel = (n: number, i: number) => 1000 * n + 257 * i;

/** Four by three pixels of 16-bit grey. */
export const tinyPng = (n: number) =>
  encode({
    width: 4,
    height: 3,
    depth: 16,
    channels: 1,
    data: Uint16Array.from({ length: 12 }, (_, i) => pixel(n, i)),
  });

export const LENS = ["--fx", "4", "--fy", "4", "--cx", "1.5", "--cy", "1"];

/** A folder of tiny frames 7 to 10 and a trajectory log that moves along x: at 0.1 m times the frame's number. */
export function writeTinySet(folder: string): { depth: string; log: string } {
  const depth = join(folder, "depth");
  mkdirSync(depth, { recursive: true });
  let text = "";
  for (const n of [7, 8, 9, 10]) {
    writeFileSync(join(depth, `${String(n).padStart(3, "0")}.png`), tinyPng(n));
    text += `${n} ${n} ${n + 1}\n1 0 0 ${n / 10}\n0 1 0 0.5\n0 0 1 0\n0 0 0 1\n`;
  }
  const log = join(folder, "trajectory.log");
  writeFileSync(log, text);
  return { depth, log };
}
