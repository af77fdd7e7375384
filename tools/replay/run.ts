import { createHash } from "node:crypto";
import type { Pose } from "../../src/geometry/optics.ts";
import { absoluteTrajectoryError, type ErrorSummary } from "../../src/geometry/trajectory.ts";
import { Head } from "../../src/head/head.ts";
import type { HeadOutput } from "../../src/head/outputs.ts";
import { resolveSettings, SETTINGS, type Settings } from "../../src/head/settings.ts";
import { BLOCK_VOXELS, type BlockGrid } from "../../src/map/grid.ts";
import { COLUMN } from "../../src/map/layers.ts";
import { openRecording, type Recording } from "../../src/record/file.ts";
import type { StampedPose } from "../output/csv.ts";
import { type HeldOutScore, scoreHeldOut } from "./held-out.ts";

export interface ReplayOptions {
  /** Settings that go over those in the recording's header. */
  readonly settings?: Readonly<Record<string, unknown>>;
  /** Keep every second frame out of the map and predict it. */
  readonly holdOut?: boolean;
  /** Called now and then with the share of the file that was read. */
  readonly onProgress?: (share: number) => void;
}

export interface ReplaySummary {
  readonly events: number;
  readonly frames: number;
  /** Frames left out, by reason. */
  readonly skipped: Readonly<Record<string, number>>;
  /** Frames that never arrived, by their sequence numbers. */
  readonly missed: number;
  /** Seconds of recording, and of replaying it. */
  readonly recorded: number;
  readonly taken: number;
  /** Milliseconds the head took for a depth frame. */
  readonly frameMedian: number;
  readonly frame99: number;
  /** Damaged stretches of the file. */
  readonly damage: number;
  readonly map: MapSummary;
  /** SHA-256 over all outputs and the map: the same recording and settings give the same. */
  readonly hash: string;
  readonly heldOut: HeldOutScore | null;
  /** Against the recording's reference, when poses come from elsewhere. */
  readonly trajectoryError: ErrorSummary | null;
}

interface MapSummary {
  readonly blocks: number;
  readonly size: number;
  /** m^2 of columns with floor, free space or obstacles. */
  readonly area: number;
  readonly blockedArea: number;
  readonly floorMean: number;
  readonly floorDeviation: number;
}

export interface Replay {
  readonly head: Head;
  readonly settings: Settings;
  readonly path: readonly StampedPose[];
  readonly summary: ReplaySummary;
}

/** Settings of the core that a recording's header carries; other entries of it are about its making. */
export function settingsOf(header: {
  readonly settings: Readonly<Record<string, unknown>>;
}): Record<string, unknown> {
  return Object.fromEntries(
    Object.entries(header.settings).filter(([name]) => Object.hasOwn(SETTINGS, name)),
  );
}

/**
 * Feeds a recording through the head, as fast as it goes.
 * @throws {DecodeError | SettingError | RangeError} and file errors, as from opening it
 */
export async function replayRecording(path: string, options: ReplayOptions = {}): Promise<Replay> {
  const recording = await openRecording(path);
  try {
    return run(recording, options);
  } finally {
    recording.close();
  }
}

function run(recording: Recording, options: ReplayOptions): Replay {
  const settings = resolveSettings({ ...settingsOf(recording.header), ...options.settings });
  const head = new Head(recording.header.setup, settings);
  const digest = createHash("sha256");
  const skipped: Record<string, number> = {};
  const times: number[] = [];
  const positions: StampedPose[] = [];
  const references = new Map<number, Pose>();
  const heldPoses = new Map<number, Pose>();
  let events = 0;
  let frames = 0;
  let missed = 0;
  let first = Number.NaN;
  let last = Number.NaN;
  let depthFrames = 0;
  const note = (outputs: readonly HeadOutput[]): void => {
    for (const output of outputs) {
      digest.update(JSON.stringify(output));
      if (output.kind === "skipped") skipped[output.why] = (skipped[output.why] ?? 0) + 1;
      if (output.kind !== "frame") continue;
      missed += output.missed;
      if (output.revision === 0) {
        heldPoses.set(output.sequence, output.worldFromLens);
        continue;
      }
      frames++;
      positions.push({ time: output.time, pose: output.worldFromBase });
    }
  };
  const start = performance.now();
  for (const event of recording.events()) {
    events++;
    if (Number.isNaN(first)) first = event.time;
    if (!(event.time <= last)) last = event.time;
    if (event.kind === "reference" && event.of === "base") references.set(event.time, event.pose);
    if (event.kind === "depth") {
      head.isMapping = !(options.holdOut === true && depthFrames++ % 2 === 1);
      const before = performance.now();
      note(head.take(event));
      times.push(performance.now() - before);
    } else {
      note(head.take(event));
    }
    if (events % 256 === 0) options.onProgress?.(recording.position.offset / recording.size);
  }
  note(head.finish());
  const taken = (performance.now() - start) / 1000;
  digestMap(head.grid, (bytes) => digest.update(bytes));
  const heldOut =
    options.holdOut === true ? scoreHeldOut(recording, head, heldPoses, options.onProgress) : null;
  options.onProgress?.(1);
  times.sort((a, b) => a - b);
  const summary: ReplaySummary = {
    events,
    frames,
    skipped,
    missed,
    recorded: Number.isNaN(first) ? 0 : (last - first) / 1e6,
    taken,
    frameMedian: times[times.length >> 1] ?? 0,
    frame99: times[Math.floor(times.length * 0.99)] ?? 0,
    damage: recording.damage.length,
    map: summarizeMap(head),
    hash: digest.digest("hex"),
    heldOut,
    trajectoryError: trajectoryError(settings, positions, references),
  };
  return { head, settings, path: positions, summary };
}

function trajectoryError(
  settings: Settings,
  path: readonly StampedPose[],
  references: ReadonlyMap<number, Pose>,
): ErrorSummary | null {
  if (settings["pose.source"] === "reference") return null;
  const known = path.filter(({ time }) => references.has(time));
  if (known.length < 3) return null;
  return absoluteTrajectoryError(
    known.map(({ time }) => references.get(time)!),
    known.map(({ pose }) => pose),
    "rigid",
  );
}

/** Feeds every block to `update` in a fixed order: key, revision, voxels. */
export function digestMap(grid: BlockGrid, update: (bytes: Uint8Array) => void): void {
  const order = Int32Array.from({ length: grid.count }, (_, id) => id);
  order.sort((a, b) => grid.keys[a]! - grid.keys[b]!);
  const bytes = new Uint8Array(8 + BLOCK_VOXELS);
  const words = new Int32Array(bytes.buffer, 0, 2);
  for (const id of order) {
    words[0] = grid.keys[id]!;
    words[1] = grid.revision[id]!;
    grid.copyBlock(id, bytes.subarray(8));
    update(bytes);
  }
}

function summarizeMap(head: Head): MapSummary {
  const { grid, layers, floor } = head;
  const cell = grid.voxelSize ** 2;
  const box = layers.bounds();
  let known = 0;
  let blocked = 0;
  let count = 0;
  let sum = 0;
  let squares = 0;
  for (let row = 0; row < (box?.rows ?? 0); row++) {
    for (let col = 0; col < box!.columns; col++) {
      const kind = layers.kindAt(box!.col + col, box!.row + row);
      if (kind !== COLUMN.unseen) known++;
      if (kind === COLUMN.blocked) blocked++;
      const height = floor.heightAt(box!.col + col, box!.row + row);
      if (Number.isNaN(height)) continue;
      count++;
      sum += height;
      squares += height * height;
    }
  }
  const mean = count > 0 ? sum / count : Number.NaN;
  return {
    blocks: grid.count,
    size: grid.byteSize,
    area: known * cell,
    blockedArea: blocked * cell,
    floorMean: mean,
    floorDeviation: count > 0 ? Math.sqrt(Math.max(0, squares / count - mean * mean)) : Number.NaN,
  };
}
