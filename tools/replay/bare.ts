import { createHash } from "node:crypto";
import type { Pose } from "../../src/geometry/optics.ts";
import { Head } from "../../src/head/head.ts";
import type { HeadOutput } from "../../src/head/outputs.ts";
import type { Settings } from "../../src/head/settings.ts";
import type { Setup } from "../../src/sense/events.ts";
import { frameName, type HeldOutScore, HOLD_OUT, type Question, scoreHeldOut } from "./held-out.ts";
import type { Prepared } from "./prepared.ts";
import { digestMap, type TrajectoryError, trajectoryError } from "./run.ts";
import type { TrackLog } from "./track-log.ts";

interface BareReplay {
  readonly head: Head;
  readonly heldOut: HeldOutScore;
  readonly frameTime: number;
  readonly recorded: number;
  readonly trajectory: TrajectoryError | null;
  readonly hash: string;
}

/**
 * Feeds a prepared recording through a bare head, and asks its map for the held-out frames.
 * @param log poses found before, or to be found and kept; null to find them
 */
export function replayBare(
  setup: Setup,
  settings: Settings,
  events: Iterable<Prepared>,
  log: TrackLog | null = null,
): BareReplay {
  const openTracking = log === null ? {} : { openTracking: log.open.bind(log) };
  // What it cost to find poses is part of what a frame costs, also for those who are told them.
  const told = log?.isWhole === true ? log.time : 0;
  const head = new Head(setup, settings, { isBare: true, ...openTracking });
  const hash = createHash("sha256");
  const found = new Track();
  const questions: Question[] = [];
  let [frames, taken] = [0, 0];
  let [first, last] = [Number.NaN, Number.NaN];
  for (const one of events) {
    const event = "event" in one ? one.event : one;
    if (Number.isNaN(first)) {
      first = event.time;
      head.take({ kind: "shed", time: first, level: HOLD_OUT });
    }
    if (!(event.time <= last)) last = event.time;
    if (event.kind === "reference") found.references.set(event.time, event);
    if ("event" in one) {
      head.isClear = one.isClear;
      if (one.question !== null) questions.push(one.question);
    }
    const before = performance.now();
    const outputs = head.take(event);
    // A frame that waits for its pose is placed by a later event.
    taken += performance.now() - before;
    if ("event" in one) frames++;
    found.take(outputs);
  }
  found.take(head.finish());
  log?.finish();
  for (const { position, rotation } of found.found) hash.update(Float64Array.of(...position, ...rotation));
  digestMap(head.grid, (bytes) => void hash.update(bytes));
  return {
    head,
    heldOut: scoreHeldOut(head, questions, found.held),
    frameTime: (told + taken) / Math.max(1, frames),
    recorded: Number.isNaN(first) ? 0 : (last - first) / 1e6,
    trajectory: settings["pose.source"] === "reference" ? null : found.error(),
    hash: hash.digest("hex"),
  };
}

/** Poses that were found, beside those that are true. */
class Track {
  readonly references = new Map<number, { readonly of: string; readonly pose: Pose }>();
  /** worldFromLens of the frames kept out of the map, by `frameName`. */
  readonly held = new Map<string, Pose>();
  readonly found: Pose[] = [];
  readonly #truth: Pose[] = [];
  readonly #beside: Pose[] = [];
  readonly #times: number[] = [];

  take(outputs: readonly HeadOutput[]): void {
    for (const output of outputs) {
      if (output.kind !== "frame") continue;
      this.found.push(output.worldFromLens);
      if (output.revision === 0)
        this.held.set(frameName(output.sensor, output.sequence), output.worldFromLens);
      const reference = this.references.get(output.time);
      if (reference === undefined) continue;
      this.#truth.push(reference.pose);
      this.#beside.push(reference.of === "base" ? output.worldFromBase : output.worldFromLens);
      this.#times.push(output.time);
    }
  }

  error(): TrajectoryError | null {
    return trajectoryError(this.#truth, this.#beside, this.#times);
  }
}
