import type { Pose } from "../geometry/optics.ts";
import { IDENTITY } from "../geometry/rigid.ts";
import type { KeyframeReader } from "../track/keyframes.ts";
import type { KnownPlace } from "../track/known-place.ts";
import type { Revisits } from "../track/revisits.ts";
import { FrameSampler } from "../track/sampler.ts";
import type { MaskedFrame, Skip } from "./frame.ts";
import type { PoseAnswer, PoseSources } from "./pose-sources.ts";
import type { OpenSensor } from "./sensors.ts";
import type { Settings } from "./settings.ts";
import { MICROSECONDS, samplerSettings } from "./stage-settings.ts";
import { DepthTracking, type Placed, type Trackable, type Tracking } from "./tracking.ts";

/**
 * Creates the pose finder at the first frame that needs it. It may wrap the default one. Changed settings do not reach
 * what it creates.
 */
export type OpenTracking = (openUsual: () => Tracking) => Tracking;

/** Results for a frame that was offered. */
export interface PlaceListener<F extends MaskedFrame> {
  placed(frame: F, placed: Placed): void;
  skipped(skip: Skip): void;
}

/**
 * Third stage: finds the pose of each frame, or waits for it, one frame per sensor and for a bounded time; a sensor's newer frame
 * replaces the one that waits.
 */
export class Placing<F extends MaskedFrame> {
  readonly #poses: PoseSources;
  readonly #listener: PlaceListener<F>;
  readonly #openTracking: OpenTracking | null;
  #settings: Settings;
  /** Makes samples of a sensor's depth; null for a planar scan, and when poses are given. */
  #samplers: readonly (FrameSampler | null)[];
  #waiting: (F | null)[];
  /** Made at the first frame when poses are tracked; and the usual one, if it was made. */
  #tracking: Tracking | null = null;
  #usualTracking: DepthTracking | null = null;
  /** The place of an earlier run that tracking looks for; null without one. */
  #place: KnownPlace | null = null;
  /** Where the base stands when tracking starts: the world's origin, or where it was when the map was cleared. */
  #start: Pose = IDENTITY;

  constructor(
    sensors: readonly OpenSensor[],
    settings: Settings,
    poses: PoseSources,
    { listener, openTracking = null }: { listener: PlaceListener<F>; openTracking?: OpenTracking | null },
  ) {
    this.#poses = poses;
    this.#listener = listener;
    this.#openTracking = openTracking;
    this.#settings = settings;
    this.#samplers = openSamplers(sensors, settings);
    this.#waiting = sensors.map(() => null);
  }

  /**
   * Prepares other settings or sensors; nothing changes until the returned function is called. Frames that wait are dropped.
   * @throws {RangeError} if they do not fit
   */
  prepare(sensors: readonly OpenSensor[], settings: Settings): () => void {
    const samplers = openSamplers(sensors, settings);
    return () => {
      this.#settings = settings;
      this.#samplers = samplers;
      this.#waiting = sensors.map(() => null);
      this.#usualTracking?.change(settings);
    };
  }

  /** From now on looks for the place of an earlier run. */
  seek(place: KnownPlace): void {
    this.#place = place;
    this.#usualTracking?.seek(place);
  }

  /** Goes on looking for it, after a frame was answered. */
  seekOn(): void {
    if (this.#place !== null) this.#usualTracking?.revisits?.seekOn();
  }

  /** No longer looks for it. */
  giveUpSeeking(): void {
    this.#place = null;
    this.#usualTracking?.revisits?.giveUpSeeking();
  }

  /** What is known of this place for later runs: keyframes within a budget of bytes, and surfels; null unless poses are tracked. */
  memory(budget: number): KnownPlace | null {
    const tracking = this.#usualTracking;
    const store = tracking?.revisits?.store;
    return store === undefined ? null : { frames: store.memory(budget), maps: tracking!.maps };
  }

  /** Restarts tracking at the present place of the base. It no longer looks for the place of an earlier run. */
  clear(): void {
    this.#place = null;
    this.#tracking = null;
    this.#usualTracking = null;
  }

  /** A sensor's next frame has arrived: drops the one that waits. */
  overtake(sensor: number, bySequence: number): void {
    const frame = this.#waiting[sensor] ?? null;
    if (frame !== null) this.#skip(frame, "overtaken", `by frame ${bySequence}`);
    this.#waiting[sensor] = null;
  }

  /** Takes a frame and its pose, if known. */
  offer(frame: F, pose: PoseAnswer): void {
    if (pose.kind === "not yet") this.#waiting[frame.sensor] = frame;
    else this.#settle(frame, pose);
  }

  /** Tries again to find the poses of waiting frames, at time `now`. */
  retry(now: number): void {
    for (let sensor = 0; sensor < this.#waiting.length; sensor++) {
      const frame = this.#waiting[sensor] ?? null;
      if (frame === null) continue;
      const pose = this.#poses.at(sensor, frame.time);
      if (pose.kind === "not yet") {
        if (now - frame.time <= this.#settings["pose.maxWait"] * MICROSECONDS) continue;
        this.#skip(frame, "no pose", "none came in time");
      } else this.#settle(frame, pose);
      this.#waiting[sensor] = null;
    }
  }

  /** The end of the events. */
  finish(): void {
    for (const frame of this.#waiting) {
      if (frame !== null) this.#skip(frame, "no pose", "the recording ended");
    }
    this.#waiting.fill(null);
  }

  /** Whether the head becomes lost because no frame has come until `now`. */
  isLostAt(now: number): boolean {
    if (this.#waiting.some((frame) => frame !== null)) return false;
    return this.#tracking?.noFrameUntil(now, this.#poses.hasInertial(now)) === true;
  }

  /** Keyframes and loops of tracked poses; null when poses are given, or none are kept. */
  get revisits(): Revisits | null {
    return this.#usualTracking?.revisits ?? null;
  }

  /** The keyframes of this run alone, after its place was found. */
  ownKeyframes(): KeyframeReader {
    return this.#usualTracking?.revisits?.ownKeyframes() ?? { next: () => null };
  }

  /** The keyframes at their present poses, for rebuilding the map. */
  keyframes(): KeyframeReader {
    return this.#tracking?.keyframes() ?? { next: () => null };
  }

  #skip({ time, sensor, sequence }: F, why: Skip["why"], detail: string): void {
    this.#listener.skipped({ time, sensor, sequence, why, detail });
  }

  #settle(frame: F, pose: Exclude<PoseAnswer, { kind: "not yet" }>): void {
    if (pose.kind === "none") {
      this.#skip(frame, "no pose", pose.why);
    } else if (pose.kind === "located") {
      this.#listener.placed(frame, {
        ...pose,
        isFit: true,
        state: null,
        notes: [],
        newFromOld: null,
        isPlaceFound: false,
      });
    } else {
      const placed = this.#track(frame, pose);
      if (placed.state !== null) this.#start = placed.worldFromBase;
      this.#listener.placed(frame, placed);
    }
  }

  #track(frame: F, at: Trackable): Placed {
    const { time, sensor, depth, unitsPerMetre, showsRoom } = frame;
    this.#tracking ??= this.#open(frame, at);
    const sampler = this.#samplers[sensor] ?? null;
    const { attitude, odometry, baseFromLens, inertial } =
      sampler === null ? { ...this.#poses.unjumped(at), inertial: null } : this.#poses.steadied(at, time);
    return this.#tracking.place({
      time,
      sensor,
      sampler,
      depth,
      unitsPerMetre,
      isClear: showsRoom,
      isFloorZero: this.#poses.hasLensReference(sensor),
      attitude,
      odometry,
      baseFromLens,
      inertial,
    });
  }

  #open({ sensor, time }: F, { baseFromLens }: Trackable): Tracking {
    // A reference, if known, defines the world by its first pose; nothing else of it is used.
    const start = this.#poses.referenceOfBase(sensor, time, baseFromLens) ?? this.#start;
    const openUsual = () => {
      this.#usualTracking = new DepthTracking(start, this.#settings);
      if (this.#place !== null) this.#usualTracking.seek(this.#place);
      return this.#usualTracking;
    };
    return this.#openTracking?.(openUsual) ?? openUsual();
  }
}

/** @throws {RangeError} if a setting does not fit */
function openSamplers(sensors: readonly OpenSensor[], settings: Settings): (FrameSampler | null)[] {
  const isTracked = settings["pose.source"] === "tracked";
  return sensors.map(({ optics, mask }) =>
    isTracked && optics.model !== "scan" ? new FrameSampler(mask.rays, samplerSettings(settings)) : null,
  );
}
