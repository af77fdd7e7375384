import { createHash } from "node:crypto";
import type { Pose } from "../../src/geometry/optics.ts";
import type { MaskedFrame } from "../../src/head/frame.ts";
import { Mapping } from "../../src/head/mapping.ts";
import { type OpenTracking, Placing } from "../../src/head/place.ts";
import { PoseSources } from "../../src/head/pose-sources.ts";
import { type OpenSensor, openSensors } from "../../src/head/sensors.ts";
import type { Settings } from "../../src/head/settings.ts";
import type { Placed } from "../../src/head/tracking.ts";
import type { FloorView } from "../../src/map/floor.ts";
import type { GridView } from "../../src/map/grid.ts";
import type { LayersView } from "../../src/map/layers.ts";
import type { ReferenceEvent, Setup } from "../../src/sense/events.ts";
import { frameName, type HeldOutScore, type Question, scoreHeldOut } from "./held-out.ts";
import type { Prepared, PreparedFrame } from "./prepared.ts";
import { digestMap, type TrajectoryError, trajectoryError } from "./run.ts";
import type { TrackLog } from "./track-log.ts";

/** A frame that has its pose. */
export interface BareFrame {
  readonly frame: MaskedFrame;
  readonly placed: Placed;
  /** Whether it was written to the map. */
  readonly isWritten: boolean;
}

/**
 * The stages of a head that make poses and a map, fed with frames that are masked and judged already: no glance, reach or pace, and
 * layers at the end alone. Poses and map come out as those of a whole head.
 */
export class BareHead {
  readonly setup: Setup;
  readonly #settings: Settings;
  readonly #sensors: readonly OpenSensor[];
  readonly #poses: PoseSources;
  readonly #placing: Placing<MaskedFrame>;
  readonly #mapping: Mapping;
  readonly #frames: BareFrame[] = [];

  constructor(setup: Setup, settings: Settings, openTracking: OpenTracking | null = null) {
    this.setup = setup;
    this.#settings = settings;
    this.#sensors = openSensors(setup, settings);
    this.#poses = new PoseSources(setup, settings);
    this.#mapping = new Mapping(this.#sensors, settings);
    const listener = {
      placed: (frame: MaskedFrame, placed: Placed) => this.#map(frame, placed),
      skipped: () => {},
    };
    this.#placing = new Placing(this.#sensors, settings, this.#poses, { listener, openTracking });
  }

  get settings(): Settings {
    return this.#settings;
  }
  get grid(): GridView {
    return this.#mapping.grid;
  }
  get floor(): FloorView {
    return this.#mapping.floor;
  }
  get layers(): LayersView {
    return this.#mapping.layers;
  }

  /** Takes a frame or another event. Returns the frames that have their poses now; the next call overwrites the list. */
  take(one: Prepared): readonly BareFrame[] {
    this.#frames.length = 0;
    if ("event" in one) {
      this.#takeFrame(one);
    } else {
      this.#poses.take(one);
      this.#placing.retry(one.time);
      this.#placing.isLostAt(one.time);
    }
    return this.#frames;
  }

  /** No more will come: the layers follow the map. */
  finish(): void {
    if (!this.#mapping.areLayersFresh) this.#mapping.updateLayers();
  }

  #takeFrame({ event: { time, sensor, sequence, counts }, isClear, question }: PreparedFrame): void {
    this.#placing.overtake(sensor, sequence);
    const pose = this.#poses.at(sensor, time);
    const { unitsPerMetre } = this.#sensors[sensor]!.mask;
    // One that waits outlives its maker's array.
    const depth = pose.kind === "not yet" ? counts.slice() : counts;
    const isMapped = question === null;
    const frame = { time, sensor, sequence, depth, unitsPerMetre, isMapped, showsRoom: isClear };
    this.#placing.offer(frame, pose);
  }

  #map(frame: MaskedFrame, placed: Placed): void {
    if (placed.newFromOld !== null) this.#mapping.remake(this.#placing.keyframes());
    const { revision } = this.#mapping.add(frame, placed);
    this.#frames.push({ frame, placed, isWritten: revision > 0 });
  }
}

interface BareReplay {
  readonly head: BareHead;
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
  // What it cost to find poses is part of what a frame costs, also where they are told.
  const told = log?.isWhole === true ? log.time : 0;
  const head = new BareHead(setup, settings, log === null ? null : log.open.bind(log));
  const hash = createHash("sha256");
  const found = new Track();
  const questions: Question[] = [];
  let [frames, taken] = [0, 0];
  let [first, last] = [Number.NaN, Number.NaN];
  for (const one of events) {
    const event = "event" in one ? one.event : one;
    if (Number.isNaN(first)) first = event.time;
    if (!(event.time <= last)) last = event.time;
    if (event.kind === "reference") found.references.set(event.time, event);
    if ("event" in one && one.question !== null) questions.push(one.question);
    const before = performance.now();
    const placed = head.take(one);
    // A frame that waits for its pose is placed by a later event.
    taken += performance.now() - before;
    if ("event" in one) frames++;
    found.take(placed);
  }
  head.finish();
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
  readonly references = new Map<number, ReferenceEvent>();
  /** worldFromLens of the frames kept out of the map, by `frameName`. */
  readonly held = new Map<string, Pose>();
  readonly found: Pose[] = [];
  readonly #truth: Pose[] = [];
  readonly #beside: Pose[] = [];
  readonly #times: number[] = [];

  take(frames: readonly BareFrame[]): void {
    for (const { frame, placed, isWritten } of frames) {
      this.found.push(placed.worldFromLens);
      if (!isWritten) this.held.set(frameName(frame.sensor, frame.sequence), placed.worldFromLens);
      const reference = this.references.get(frame.time);
      if (reference === undefined) continue;
      this.#truth.push(reference.pose);
      this.#beside.push(reference.of === "base" ? placed.worldFromBase : placed.worldFromLens);
      this.#times.push(frame.time);
    }
  }

  error(): TrajectoryError | null {
    return trajectoryError(this.#truth, this.#beside, this.#times);
  }
}
