import { hypot3, square } from "../../src/geometry/elementary.ts";
import type { Pose } from "../../src/geometry/optics.ts";
import { angleBetween, compose, invert } from "../../src/geometry/rigid.ts";
import {
  absoluteTrajectoryError,
  type ErrorSummary,
  relativePoseError,
} from "../../src/geometry/trajectory.ts";
import { Head, type HeadOptions } from "../../src/head/head.ts";
import type { HeadOutput } from "../../src/head/outputs.ts";
import { resolveSettings, SETTINGS, SettingError, type Settings } from "../../src/head/settings.ts";
import { floorSettings } from "../../src/head/stage-settings.ts";
import type { GridView } from "../../src/map/grid.ts";
import { BLOCK_VOXELS } from "../../src/map/grid.ts";
import { COLUMN } from "../../src/map/layers.ts";
import { decodePlace } from "../../src/place/place-file.ts";
import { openRecording, type Recording } from "../../src/record/file.ts";
import type { HeadEvent, ReferenceEvent, Setup } from "../../src/sense/events.ts";
import type { TrackNote } from "../../src/track/frame.ts";
import type { StampedPose } from "../output/csv.ts";
import { OutputDigest } from "./digest.ts";
import {
  frameName,
  type HeldOutScore,
  HOLD_OUT,
  HoldOut,
  type Question,
  Questions,
  scoreHeldOut,
} from "./held-out.ts";
import { NoPoseError } from "./no-pose.ts";
import { readAhead, readHere, type Stretch } from "./source.ts";

export interface ReplayOptions {
  /** Settings that override those in the recording's header. */
  readonly settings?: Readonly<Record<string, unknown>>;
  /** Let another thread read and unpack the file ahead. */
  readonly isAhead?: boolean;
  /** Keep every second frame out of the map and predict it. */
  readonly holdOut?: boolean;
  /** The pose finder, instead of the default one. */
  readonly openTracking?: HeadOptions["openTracking"];
  /** Bytes of a place file: the head looks for its place in it. */
  readonly place?: Uint8Array;
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
  readonly trajectoryError: TrajectoryError | null;
  /** Number of frames by pose class, and events of tracking; empty when poses were not tracked. */
  readonly holds: Readonly<Record<string, number>>;
  readonly notes: readonly { readonly time: number; readonly note: TrackNote }[];
}

/** Sturm et al. 2012; metres and radians. */
export interface TrajectoryError {
  /** After the best rigid alignment, and without alignment. */
  readonly aligned: ErrorSummary;
  readonly unaligned: ErrorSummary;
  /** Drift over about one second. */
  readonly relativeTranslation: ErrorSummary;
  readonly relativeRotation: ErrorSummary;
  /** Length of the true path, and error of the last pose (distance, angle) from a common first pose. */
  readonly way: number;
  readonly endDistance: number;
  readonly endAngle: number;
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

/** Settings of the core in a recording's header; its other entries describe how it was made. */
export function settingsOf(header: {
  readonly settings: Readonly<Record<string, unknown>>;
}): Record<string, unknown> {
  return Object.fromEntries(
    Object.entries(header.settings).filter(([name]) => Object.hasOwn(SETTINGS, name)),
  );
}

/**
 * Feeds a recording through the head, as fast as it goes.
 * @throws {DecodeError | SettingError | RangeError | NoPoseError} and file errors, as from opening it
 */
export async function replayRecording(path: string, options: ReplayOptions = {}): Promise<Replay> {
  const recording = await openRecording(path);
  try {
    return await run(recording, options.isAhead ? readAhead(path) : readHere(recording), options);
  } finally {
    recording.close();
  }
}

/** Statistics of a run's outputs. */
class RunNotes {
  readonly digest = new OutputDigest();
  readonly skipped: Record<string, number> = {};
  readonly positions: StampedPose[] = [];
  readonly holds: Record<string, number> = {};
  readonly notes: { time: number; note: TrackNote }[] = [];
  /** Poses of frames whose true pose is known, and microseconds of the frames. */
  readonly truth: Pose[] = [];
  readonly found: Pose[] = [];
  readonly foundAt: number[] = [];
  /** Of frames kept out of the map, by their names. */
  readonly heldPoses = new Map<string, Pose>();
  /** Frames with a pose, those of them that were mapped, and frames that never arrived. */
  placed = 0;
  frames = 0;
  missed = 0;
  readonly #references = new Map<number, ReferenceEvent>();

  takeReference(event: ReferenceEvent): void {
    this.#references.set(event.time, event);
  }

  take(outputs: readonly HeadOutput[]): void {
    for (const output of outputs) {
      this.digest.add(output);
      if (output.kind === "track") this.notes.push({ time: output.time, note: output.note });
      if (output.kind === "skipped") this.skipped[output.why] = (this.skipped[output.why] ?? 0) + 1;
      if (output.kind !== "frame") continue;
      this.placed++;
      if (output.track !== null) this.holds[output.track.hold] = (this.holds[output.track.hold] ?? 0) + 1;
      const reference = this.#references.get(output.time);
      if (reference !== undefined) {
        this.found.push(reference.of === "base" ? output.worldFromBase : output.worldFromLens);
        this.truth.push(reference.pose);
        this.foundAt.push(output.time);
      }
      this.missed += output.missed;
      if (output.revision === 0) {
        this.heldPoses.set(frameName(output.sensor, output.sequence), output.worldFromLens);
        continue;
      }
      this.frames++;
      this.positions.push({ time: output.time, pose: output.worldFromBase });
    }
  }
}

async function run(
  recording: Recording,
  stretches: AsyncIterable<Stretch>,
  options: ReplayOptions,
): Promise<Replay> {
  const settings = resolveSettings({ ...settingsOf(recording.header), ...options.settings });
  // With held-out frames the file is read once more to score them; the work's share is chosen by hand.
  const mappingShare = options.holdOut === true ? 0.8 : 1;
  const scoring = (share: number) => options.onProgress?.(mappingShare + (1 - mappingShare) * share);
  const { openTracking } = options;
  const head = openHead(recording.header.setup, settings, openTracking === undefined ? {} : { openTracking });
  if (options.place !== undefined) head.seek(decodePlace(options.place, floorSettings(settings)));
  const notes = new RunNotes();
  const times: number[] = [];
  const kinds = new Set<HeadEvent["kind"]>();
  let events = 0;
  let first = Number.NaN;
  let last = Number.NaN;
  const start = performance.now();
  let damage = 0;
  for await (const stretch of stretches) {
    for (const event of stretch.events) {
      events++;
      kinds.add(event.kind);
      if (Number.isNaN(first)) first = event.time;
      if (!(event.time <= last)) last = event.time;
      if (event.kind === "reference") notes.takeReference(event);
      if (options.holdOut === true) {
        // The choice of mapped frames is made here, not by the load of the recording head.
        if (events === 1) head.take({ kind: "shed", time: event.time, level: HOLD_OUT });
        if (event.kind === "shed") continue;
      }
      const before = performance.now();
      notes.take(head.take(event));
      if (event.kind === "depth") times.push(performance.now() - before);
      if (events % 256 === 0) options.onProgress?.(mappingShare * stretch.share());
    }
    damage = stretch.damage();
  }
  notes.take(head.finish());
  if (notes.placed === 0 && times.length > 0) throw new NoPoseError(settings["pose.source"], kinds);
  const taken = (performance.now() - start) / 1000;
  digestMap(head.grid, (bytes) => notes.digest.bytes(bytes));
  const heldOut =
    options.holdOut === true
      ? scoreHeldOut(head, questionsOf(recording, settings["map.maxRange"], scoring), notes.heldPoses)
      : null;
  options.onProgress?.(1);
  times.sort((a, b) => a - b);
  const isTruthGiven = settings["pose.source"] === "reference";
  const summary: ReplaySummary = {
    events,
    frames: notes.frames,
    skipped: notes.skipped,
    missed: notes.missed,
    recorded: Number.isNaN(first) ? 0 : (last - first) / 1e6,
    taken,
    frameMedian: times[times.length >> 1] ?? 0,
    frame99: times[Math.floor(times.length * 0.99)] ?? 0,
    damage,
    map: summarizeMap(head),
    hash: notes.digest.finish(),
    heldOut,
    trajectoryError: isTruthGiven ? null : trajectoryError(notes.truth, notes.found, notes.foundAt),
    holds: notes.holds,
    notes: notes.notes,
  };
  return { head, settings, path: notes.positions, summary };
}

/** @throws {SettingError} where settings do not fit the sensors or each other */
function openHead(setup: Setup, settings: Settings, options: HeadOptions): Head {
  try {
    return new Head(setup, settings, options);
  } catch (error) {
    if (error instanceof RangeError) throw new SettingError(error.message);
    throw error;
  }
}

/** Of the frames that are held out, read once more. */
function* questionsOf(
  recording: Recording,
  maxRange: number,
  onProgress: (share: number) => void,
): Generator<Question> {
  const questions = new Questions(recording.header.setup, maxRange);
  const holdOut = new HoldOut();
  let frames = 0;
  for (const event of recording.events()) {
    if (event.kind !== "depth" || !holdOut.isHeldOut(event.sensor)) continue;
    if (++frames % 16 === 0) onProgress(recording.position.offset / recording.size);
    yield questions.of(event);
  }
}

export function trajectoryError(
  truth: Pose[],
  found: Pose[],
  times: readonly number[],
): TrajectoryError | null {
  const count = truth.length;
  if (count < 3) return null;
  const seconds = (times[count - 1]! - times[0]!) / 1e6;
  const step = Math.min(count - 1, Math.max(1, Math.round((count - 1) / Math.max(seconds, 1e-6))));
  const relative = relativePoseError(truth, found, step);
  let way = 0;
  for (let i = 1; i < count; i++) way += apart(truth[i - 1]!, truth[i]!);
  // Error at the end, from a common first pose.
  const moved = compose(invert(truth[0]!), truth[count - 1]!);
  const believed = compose(invert(found[0]!), found[count - 1]!);
  return {
    aligned: absoluteTrajectoryError(truth, found, "rigid"),
    unaligned: absoluteTrajectoryError(truth, found, "none"),
    relativeTranslation: relative.translation,
    relativeRotation: relative.rotation,
    way,
    endDistance: apart(moved, believed),
    endAngle: angleBetween(moved.rotation, believed.rotation),
  };
}

const apart = ({ position: [a, b, c] }: Pose, { position: [x, y, z] }: Pose): number =>
  hypot3(x - a, y - b, z - c);

/** Feeds every block to `update` in a fixed order: key, revision, voxels. */
export function digestMap(grid: GridView, update: (bytes: Uint8Array) => void): void {
  const order = Int32Array.from({ length: grid.count }, (_, id) => id);
  order.sort((a, b) => grid.keyOf(a) - grid.keyOf(b));
  const bytes = new Uint8Array(8 + BLOCK_VOXELS);
  const words = new Int32Array(bytes.buffer, 0, 2);
  for (const id of order) {
    words[0] = grid.keyOf(id);
    words[1] = grid.revisionOf(id);
    grid.copyBlock(id, bytes.subarray(8));
    update(bytes);
  }
}

function summarizeMap(head: Head): MapSummary {
  const { grid, layers, floor } = head;
  const cell = square(grid.voxelSize);
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
