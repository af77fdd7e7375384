import { createHash } from "node:crypto";
import type { Pose } from "../../src/geometry/optics.ts";
import { Guard } from "../../src/guard/guard.ts";
import type { MaskedFrame } from "../../src/head/frame.ts";
import { motionAt } from "../../src/head/ground-motion.ts";
import { type Judged, Judging } from "../../src/head/judging.ts";
import { LocalFrame } from "../../src/head/local-frame.ts";
import { Mapping } from "../../src/head/mapping.ts";
import { type OpenTracking, Placing } from "../../src/head/place.ts";
import { PoseSources } from "../../src/head/pose-sources.ts";
import { type OpenSensor, openSensors } from "../../src/head/sensors.ts";
import type { Settings } from "../../src/head/settings.ts";
import { guardSettings } from "../../src/head/stage-settings.ts";
import type { Placed } from "../../src/head/tracking.ts";
import type { FloorView } from "../../src/map/floor.ts";
import type { GridView } from "../../src/map/grid.ts";
import type { LayersView } from "../../src/map/layers.ts";
import type { DepthEvent, ReferenceEvent, Setup } from "../../src/sense/events.ts";
import type { MaskResult } from "../../src/sense/mask.ts";
import { frameName, type HeldOutScore, type Question, scoreHeldOut } from "./held-out.ts";
import type { Found, Prepared, PreparedFrame } from "./prepared.ts";
import { digestMap, type TrajectoryError, trajectoryError } from "./run.ts";
import type { Seen, SightLog } from "./sight-log.ts";

/** A frame that has its pose. */
export interface BareFrame {
  readonly frame: MaskedFrame;
  readonly placed: Placed;
  /** Whether it was written to the map. */
  readonly isWritten: boolean;
}

/** Results of earlier replays that a bare head reuses. */
interface Told {
  readonly openTracking?: OpenTracking | null;
  readonly sights?: SightLog | null;
}

/**
 * The stages of a head that make poses and a map, fed with frames that are masked already: no reach or pace, and layers at the end alone.
 * Poses and map come out as those of a whole head.
 */
export class BareHead {
  readonly setup: Setup;
  readonly #settings: Settings;
  readonly #sensors: readonly OpenSensor[];
  readonly #poses: PoseSources;
  readonly #placing: Placing<MaskedFrame>;
  readonly #mapping: Mapping;
  readonly #judging: Judging;
  /** As the ground's of a whole head: images in the floor are counted in it. */
  readonly #local = new LocalFrame();
  readonly #sights: SightLog | null;
  /** What each sensor's newest frame is judged in: judging takes pixels out of it, and a frame that waits for its pose stays there. */
  readonly #images: readonly Pick<MaskResult, "depth" | "reason">[];
  readonly #frames: BareFrame[] = [];

  constructor(setup: Setup, settings: Settings, { openTracking = null, sights = null }: Told = {}) {
    this.setup = setup;
    this.#settings = settings;
    this.#sensors = openSensors(setup, settings);
    this.#poses = new PoseSources(setup, settings);
    this.#sights = sights;
    this.#images = this.#sensors.map(({ optics: { width, height } }) => ({
      depth: new Uint16Array(width * height),
      reason: new Uint8Array(width * height),
    }));
    // Refuses voxels that are too small before others make their tables for them.
    this.#mapping = new Mapping(this.#sensors, settings);
    this.#judging = new Judging(this.#sensors, new Guard(guardSettings(settings)));
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

  /** The end of the events: updates the layers. */
  finish(): void {
    if (!this.#mapping.areLayersFresh) this.#mapping.updateLayers();
  }

  #takeFrame(one: PreparedFrame): void {
    const { event, isLive, question } = one;
    const { time, sensor, sequence } = event;
    this.#placing.overtake(sensor, sequence);
    const pose = this.#poses.at(sensor, time);
    const levelFromLens = this.#poses.levelFromLens(sensor, time, pose);
    const { depth, reason } = this.#images[sensor]!;
    depth.set(event.counts);
    reason.set(one.reason);
    const look = (): Seen => this.#look(event, { sensor, masked: { depth, reason }, levelFromLens });
    const { isCovered, taken } = this.#sights?.next(look) ?? look();
    for (const pixel of taken) depth[pixel] = 0;
    const { unitsPerMetre } = this.#sensors[sensor]!.mask;
    const isMapped = question === null;
    const frame = { time, sensor, sequence, depth, unitsPerMetre, isMapped, showsRoom: isLive && !isCovered };
    this.#placing.offer(frame, pose);
  }

  #look({ time, counts, amplitude }: DepthEvent, frame: Judged): Seen {
    // Without amplitudes no images in the floor are looked for.
    if (amplitude === null) return { isCovered: this.#judging.isCovered(frame), taken: NONE };
    const judged = this.#judging.look(frame, amplitude, this.#local.at(time));
    const taken: number[] = [];
    const { depth } = frame.masked;
    for (let i = 0; i < depth.length; i++) if (depth[i] !== counts[i]) taken.push(i);
    return { isCovered: judged?.sight === "covered", taken: Uint32Array.from(taken) };
  }

  #map(frame: MaskedFrame, placed: Placed): void {
    if (placed.newFromOld !== null) this.#mapping.remake(this.#placing.keyframes());
    this.#local.advance(motionAt(frame.time, placed, this.#poses, this.#settings["pose.source"]));
    const { revision } = this.#mapping.add(frame, placed);
    this.#frames.push({ frame, placed, isWritten: revision > 0 });
  }
}

const NONE = new Uint32Array(0);

interface BareReplay {
  readonly head: BareHead;
  readonly heldOut: HeldOutScore;
  readonly frameTime: number;
  readonly recorded: number;
  readonly trajectory: TrajectoryError | null;
  readonly hash: string;
}

/**
 * Feeds a prepared recording through a bare head, and predicts the held-out frames from its map.
 * @param found poses and sights found before, or to be found and kept; null to find them
 */
export function replayBare(
  setup: Setup,
  settings: Settings,
  events: Iterable<Prepared>,
  found: Partial<Found> | null = null,
): BareReplay {
  // The time of finding poses is part of the frame time, also for logged poses.
  const { poses = null, sights = null } = found ?? {};
  const told = poses?.isWhole === true ? poses.time : 0;
  const head = new BareHead(setup, settings, { openTracking: poses?.open.bind(poses) ?? null, sights });
  const hash = createHash("sha256");
  const track = new Track();
  const questions: Question[] = [];
  let [frames, taken] = [0, 0];
  let [first, last] = [Number.NaN, Number.NaN];
  for (const one of events) {
    const event = "event" in one ? one.event : one;
    if (Number.isNaN(first)) first = event.time;
    if (!(event.time <= last)) last = event.time;
    if (event.kind === "reference") track.references.set(event.time, event);
    if ("event" in one && one.question !== null) questions.push(one.question);
    const before = performance.now();
    const placed = head.take(one);
    // A frame that waits for its pose is placed by a later event.
    taken += performance.now() - before;
    if ("event" in one) frames++;
    track.take(placed);
  }
  head.finish();
  poses?.finish();
  sights?.finish();
  for (const { position, rotation } of track.found) hash.update(Float64Array.of(...position, ...rotation));
  digestMap(head.grid, (bytes) => void hash.update(bytes));
  return {
    head,
    heldOut: scoreHeldOut(head, questions, track.held),
    frameTime: (told + taken) / Math.max(1, frames),
    recorded: Number.isNaN(first) ? 0 : (last - first) / 1e6,
    trajectory: settings["pose.source"] === "reference" ? null : track.error(),
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
