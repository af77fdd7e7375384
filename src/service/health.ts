import { STREAM_NAMES } from "../head/pose-needs.ts";
import type { Draft } from "../wire/messages.ts";
import type { MotorBoard } from "./base/motor-board.ts";
import type { Config } from "./config.ts";
import type { SavedMap } from "./maps/saved-map.ts";
import type { Metrics } from "./metrics.ts";
import type { Mode } from "./mode.ts";
import { overtakenIn } from "./sensing/frame-slot.ts";
import type { HeadLink } from "./sensing/head-link.ts";
import {
  addCounts,
  type EventTotals,
  type FromSensing,
  type SensedFrame,
} from "./sensing/sensing-messages.ts";
import type { Clients } from "./sockets/clients.ts";
import { Streams } from "./streams.ts";
import { headTime } from "./time.ts";

/** Pulses over which rates are averaged. */
const RATE_PULSES = 5;
/** Frame costs kept for the pulse. */
const COSTS = 256;
/** Largest factor on the intervals of messages to watchers while work is shed. */
const MOST_STRETCH = 4;
/** Microseconds without a load report after which the head's thread counts as hung. It reports twice a second. */
const HUNG_AFTER = 5e6;
/** Microseconds over which a sensor's frame rate is averaged. */
const RATE_WINDOW = 2e6;

interface SensorWatch {
  isSilent: boolean;
  /** Whether a note was sent that its frames have had no pose for long. */
  isUnplaced: boolean;
  /** When its last frame arrived, used or left out. */
  heard: number | null;
  /** Since when its frames are left out without a pose; null when the last one had a pose. */
  unplacedSince: number | null;
  /** Arrival times of the frames in the last RATE_WINDOW. */
  recent: number[];
  skipped: number;
  missed: number;
  frames: number;
  /** Capture time of the newest frame. */
  newest: number | null;
  /** The last message of its source. */
  why: string | null;
}

export interface HealthParts {
  readonly config: Pick<Config, "blind">;
  readonly mode: Mode;
  readonly head: HeadLink;
  readonly clients: Clients;
  readonly metrics: Metrics;
  readonly savedMap: SavedMap;
  /** Null without a motor board on a serial line. */
  readonly board: Pick<MotorBoard, "status"> | null;
}

/** Monitors the sensors and the load of the head, for the pulse. */
export class Health {
  readonly #parts: HealthParts;
  readonly #started = headTime();
  readonly #watches = new Map<string, SensorWatch>();
  readonly #streams: Streams;
  readonly #costs: number[] = [];
  #lastLoad = headTime();
  #busy = 0;
  #shed = 0;
  #blocks = 0;
  #leftOut = 0;
  /** Events since the last pulse, and in earlier pulses, newest last. */
  #events: EventTotals = {};
  readonly #recent: { readonly time: number; readonly events: EventTotals }[] = [];

  constructor(parts: HealthParts) {
    this.#parts = parts;
    this.#streams = new Streams(parts.config.blind, this.#started);
  }

  /** Whether the head's thread is responsive. */
  get isAlive(): boolean {
    return headTime() - this.#lastLoad < HUNG_AFTER;
  }
  /** Microseconds since the start. */
  get uptime(): number {
    return headTime() - this.#started;
  }
  /** Load of the head's thread, 0 to 1. */
  get busy(): number {
    return this.#busy;
  }
  /** Level n of load shedding: one frame in 2^n is mapped. */
  get shed(): number {
    return this.#shed;
  }
  /** Number of blocks of the map. */
  get blocks(): number {
    return this.#blocks;
  }
  /** Frames that the pre-trigger recorder had to leave out. */
  get leftOut(): number {
    return this.#leftOut;
  }

  /** Forgets the sensors, because another head has others. */
  forget(): void {
    this.#watches.clear();
    this.#costs.length = 0;
  }

  #watchOf(name: string): SensorWatch {
    let watch = this.#watches.get(name);
    if (watch === undefined) {
      watch = {
        isSilent: false,
        isUnplaced: false,
        heard: null,
        unplacedSince: null,
        recent: [],
        skipped: 0,
        missed: 0,
        frames: 0,
        newest: null,
        why: null,
      };
      this.#watches.set(name, watch);
    }
    return watch;
  }

  #nameOf(sensor: number): string {
    return this.#parts.head.setup.sensors[sensor]?.name ?? "";
  }

  /** Notes a source's message about its sensor. */
  say(sensor: string, why: string): void {
    this.#watchOf(sensor).why = why;
  }

  takeFrame(frame: SensedFrame): void {
    const { metrics, clients } = this.#parts;
    const name = this.#nameOf(frame.sensor);
    const watch = this.#watchOf(name);
    watch.frames++;
    watch.missed += frame.missed;
    watch.newest = frame.time;
    watch.recent.push(headTime());
    watch.unplacedSince = null;
    metrics.frames.inc({ sensor: name });
    if (frame.missed > 0) metrics.missed.inc({ sensor: name }, frame.missed);
    metrics.cost.observe(frame.cost / 1000);
    if (this.#costs.push(frame.cost) > COSTS) this.#costs.shift();
    if (watch.isUnplaced) clients.note("sensor", `frames of ${name} have a pose again`);
    watch.isUnplaced = false;
    this.#hears(watch, name);
  }

  #hears(watch: SensorWatch, name: string): void {
    watch.heard = headTime();
    if (!watch.isSilent) return;
    watch.isSilent = false;
    this.#parts.clients.note("sensor", `${name} sends again`);
  }

  takeSkipped({ sensor, why, detail }: FromSensing & { kind: "skipped" }): void {
    const name = this.#nameOf(sensor);
    const watch = this.#watchOf(name);
    watch.skipped++;
    this.#hears(watch, name);
    // A frame that waits for its pose is overtaken by the next one. The cause is the missing pose stream.
    const missing = why === "unfit" ? null : this.#missing(headTime());
    if (missing !== null) watch.unplacedSince ??= headTime();
    watch.why = missing === null ? `${why}: ${detail}` : `no pose: ${missing} is missing`;
    this.#parts.metrics.skipped.inc({ sensor: name, why });
  }

  takeLoad({ busy, shed, isHot, blocks, revision, events, leftOut }: FromSensing & { kind: "load" }): void {
    const { clients, metrics, savedMap } = this.#parts;
    this.#lastLoad = headTime();
    if (shed !== this.#shed) {
      clients.note(
        "load",
        shed === 0
          ? "every frame is mapped again"
          : `one frame in ${2 ** shed} is mapped${isHot ? ": the board comes near its limit of temperature" : ""}`,
      );
    }
    this.#busy = busy;
    this.#shed = shed;
    clients.stretchWatchers(Math.min(MOST_STRETCH, 2 ** shed));
    this.#blocks = blocks;
    savedMap.changed(revision);
    for (const [kind, count] of Object.entries(events)) metrics.events.inc({ kind }, count);
    addCounts(this.#events, events);
    for (const stream of this.#streams.add(events, headTime())) {
      clients.note("sensor", `${STREAM_NAMES[stream]} is back`);
    }
    this.#leftOut = leftOut;
  }

  /** Missing streams that poses need; null when none is missing, or when the events come from a recording. */
  #missing(now: number): string | null {
    if (this.#parts.mode.lateness(Number.POSITIVE_INFINITY) === null) return null; // a recording may be paused
    return this.#streams.missing(this.#parts.head.settings["pose.source"], now);
  }

  #isOverdue(since: number | null, now: number): boolean {
    return since !== null && this.#parts.mode.lateness(now - since) === "blind";
  }

  /** Sends one note for each sensor and stream that falls silent, and for frames without a pose, with the missing stream. Called often. */
  watch(): void {
    const now = headTime();
    if (this.#parts.mode.lateness(Number.POSITIVE_INFINITY) === null) return;
    const say = (text: string) => this.#parts.clients.note("sensor", text);
    for (const { stream, seconds } of this.#streams.newlySilent(now)) {
      say(`${STREAM_NAMES[stream]}: no data for ${seconds.toFixed(1)} s`);
    }
    for (const { name } of this.#parts.head.setup.sensors) {
      const watch = this.#watchOf(name);
      if (!watch.isSilent && this.#isOverdue(watch.heard, now)) {
        watch.isSilent = true;
        say(`${name} has sent nothing for ${((now - watch.heard!) / 1e6).toFixed(1)} s`);
      }
      if (!watch.isUnplaced && this.#isOverdue(watch.unplacedSince, now)) {
        const missing = this.#missing(now);
        if (missing === null || watch.isSilent) continue;
        watch.isUnplaced = true;
        const source = this.#parts.head.settings["pose.source"];
        say(`frames of ${name} have no pose: ${missing} is missing (pose.source is ${source})`);
      }
    }
  }

  #sensors(now: number): Draft<"pulse">["sensors"] {
    return this.#parts.head.setup.sensors.map(({ name }, i) => {
      const watch = this.#watchOf(name);
      watch.recent = watch.recent.filter((time) => now - time < RATE_WINDOW);
      const { newest, recent, frames, missed, skipped, why } = watch;
      return {
        name,
        state: watch.heard === null ? "waiting" : this.#isOverdue(watch.heard, now) ? "silent" : "running",
        rate: (1e6 * recent.length) / RATE_WINDOW,
        age: newest === null ? null : Math.max(0, now - newest),
        frames,
        missed,
        overtaken: overtakenIn(this.#parts.head.slots[i]!),
        skipped,
        why,
      };
    });
  }

  /** Makes the next pulse, and resets the counts. */
  pulse(): Draft<"pulse"> {
    const now = headTime();
    this.#recent.push({ time: now, events: this.#events });
    this.#events = {};
    if (this.#recent.length > RATE_PULSES) this.#recent.shift();
    // Counts arrive in batches, at the rate of the pulses. The mean over several pulses is steady.
    const [first, ...later] = this.#recent;
    const seconds = Math.max(1e-3, (now - first!.time) / 1e6);
    const perSecond = (kind: keyof EventTotals): number =>
      later.reduce((sum, { events }) => sum + (events[kind] ?? 0), 0) / seconds;
    const costs = this.#costs.toSorted((a, b) => a - b);
    const { savedMap, clients, board } = this.#parts;
    return {
      kind: "pulse",
      time: now,
      uptime: now - this.#started,
      sensors: this.#sensors(now),
      samples: {
        orientation: perSecond("orientation"),
        inertial: perSecond("inertial"),
        motion: perSecond("motion"),
      },
      load: {
        busy: this.#busy,
        shed: this.#shed,
        median: costs[costs.length >> 1] ?? 0,
        p99: costs[Math.floor(costs.length * 0.99)] ?? 0,
        worst: costs.at(-1) ?? 0,
      },
      map: {
        blocks: this.#blocks,
        revision: savedMap.revision,
        saved: savedMap.savedAt,
        isAssumed: savedMap.isAssumed,
        isSeeking: savedMap.isSeeking,
        undoLeft: savedMap.undoLeft(now),
      },
      ...(board !== null && { board: board.status() }),
      clients: clients.count,
      memory: process.memoryUsage.rss(),
    };
  }
}
