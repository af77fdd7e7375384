import type { MessagePort } from "node:worker_threads";
import { crc32c } from "../../coding/crc32c.ts";
import type { Pose } from "../../geometry/optics.ts";
import { Head } from "../../head/head.ts";
import type { HeadOutput, ReachOutput, TrackState } from "../../head/outputs.ts";
import { resolveSettings, SettingError, type Settings } from "../../head/settings.ts";
import { BLOCK_VOXELS } from "../../map/grid.ts";
import { changedSince, decodeSnapshot, encodeSnapshot, SnapshotError } from "../../map/snapshot.ts";
import type { HeadEvent, Setup } from "../../sense/events.ts";
import { encodeClasses, MOST_BLOCK_BYTES } from "../../wire/blocks.ts";
import type { Answer, Question } from "../../wire/messages.ts";
import { PretriggerTap } from "../pretrigger/tap.ts";
import { FrameReader, type FrameSlotMemory } from "./frame-slot.ts";
import { Governor } from "./governor.ts";
import { reachOfMap } from "./map-reach.ts";
import { type Picture, Pictures, type PicturesWanted } from "./pictures.ts";
import { answer } from "./questions.ts";
import { type ReachBody, reachOfFrame, reachOfMemory, reachOfObstacles } from "./reach-body.ts";

/** What the sensing thread is given at its start. */
export interface SensingStart {
  readonly setup: Setup;
  readonly settings: Readonly<Record<string, unknown>>;
  readonly slots: readonly FrameSlotMemory[];
  /** Microseconds between looks for changed blocks. */
  readonly blocksEvery: number;
  /** To the thread that records the last minutes; none without it. */
  readonly pretrigger?: MessagePort | null;
}

/** What the sensing thread is told. */
export type ToSensing =
  | { readonly kind: "event"; readonly event: Exclude<HeadEvent, { kind: "depth" }> }
  | { readonly kind: "frame"; readonly sensor: number }
  | { readonly kind: "ask"; readonly ticket: number; readonly question: Question }
  | {
      readonly kind: "change";
      readonly ticket: number;
      readonly settings: Readonly<Record<string, number | string>>;
    }
  | {
      readonly kind: "sensors";
      readonly ticket: number;
      readonly setup: Setup;
      readonly slots: readonly FrameSlotMemory[];
    }
  | { readonly kind: "clear"; readonly ticket: number }
  /** How often pictures are wanted, microseconds; 0 is never. */
  | { readonly kind: "pictures"; readonly wanted: PicturesWanted }
  | { readonly kind: "snapshot"; readonly ticket: number }
  | { readonly kind: "load"; readonly ticket: number; readonly bytes: Uint8Array };

/** What the base must know, said before anything else of a frame. */
export interface SensedReach {
  readonly kind: "reach";
  readonly time: number;
  /** The sensor's number of the newest frame in it. */
  readonly frame: number;
  readonly body: ReachBody;
}

/** A frame that went through the head. */
export interface SensedFrame {
  readonly kind: "frame";
  readonly sensor: number;
  readonly time: number;
  readonly sequence: number;
  readonly missed: number;
  readonly revision: number;
  readonly worldFromBase: Pose;
  /** How well it is known, when it is tracked. */
  readonly track: TrackState | null;
  /** Milliseconds that the frame took. */
  readonly cost: number;
}

/** Events by kind; frames are told one by one. */
export type EventCounts = Readonly<EventTotals>;
export type EventTotals = Partial<Record<HeadEvent["kind"], number>>;

export function addCounts(into: EventTotals, counts: EventCounts): void {
  for (const [kind, count] of Object.entries(counts) as [HeadEvent["kind"], number][]) {
    into[kind] = (into[kind] ?? 0) + count;
  }
}

/** What the sensing thread says. */
export type FromSensing =
  | Picture
  | { readonly kind: "ready"; readonly voxelSize: number; readonly settings: Settings }
  | SensedReach
  | SensedFrame
  | Extract<HeadOutput, { kind: "finding" | "waiver" | "knock" | "track" }>
  | { readonly kind: "brinks"; readonly time: number; readonly brinks: ReachOutput["brinks"] }
  | { readonly kind: "skipped"; readonly sensor: number; readonly why: string; readonly detail: string }
  | { readonly kind: "blocks"; readonly revision: number; readonly count: number; readonly bytes: Uint8Array }
  | {
      readonly kind: "load";
      readonly busy: number;
      readonly shed: number;
      readonly blocks: number;
      readonly revision: number;
      /** What came in since the last report. */
      readonly events: EventCounts;
      /** Frames that the pretrigger had no time for, since the start. */
      readonly leftOut: number;
    }
  | {
      readonly kind: "answer";
      readonly ticket: number;
      readonly time: number | null;
      readonly revision: number;
      readonly answer: Answer | null;
    }
  | { readonly kind: "changed"; readonly ticket: number; readonly settings: Settings }
  | {
      readonly kind: "done";
      readonly ticket: number;
      readonly bytes: Uint8Array | null;
      readonly revision: number;
    }
  | { readonly kind: "refused"; readonly ticket: number; readonly message: string };

/** Microseconds between reports of the load. */
const LOAD_EVERY = 500_000;

/**
 * The sensing path around a head: newest frames out of their slots, reach first, then what the map has to say. Runs in its
 * own thread (sensing-worker.ts); everything comes in by `take` and goes out by `say`.
 */
export class Sensing {
  readonly #head: Head;
  readonly #say: (message: FromSensing) => void;
  readonly #now: () => number;
  readonly #blocksEvery: number;
  #readers: FrameReader[];
  readonly #governor: Governor;
  /** The level of shedding that the head was told, and the one that a played recording asks for. */
  #shedLevel = 0;
  #playedShed = 0;
  /** Of each sensor's newest frame. */
  readonly #sequences: number[] = [];
  readonly #pictures: Pictures;
  readonly #voxels = new Uint8Array(BLOCK_VOXELS);
  #ids = new Int32Array(1024);
  #toldRevision = 0;
  #frame = 0;
  /** Of what the head is at. */
  #isReachTold = false;
  #nextBlocks = 0;
  #nextLoad = 0;
  #worked = 0;
  #events: EventTotals = {};
  readonly #pretrigger: PretriggerTap | null;
  #loadSince: number;
  #last: { readonly time: number; readonly worldFromBase: Pose } | null = null;

  /**
   * @param now microseconds of the head's clock
   * @throws {SettingError | RangeError} if the setup or the settings do not fit
   */
  constructor(start: SensingStart, say: (message: FromSensing) => void, now: () => number) {
    this.#head = new Head(start.setup, resolveSettings(start.settings), {
      onReach: (outputs) => {
        this.#tellReach(outputs);
        this.#isReachTold = true;
      },
    });
    this.#readers = start.slots.map((memory) => new FrameReader(memory));
    this.#say = say;
    this.#now = now;
    this.#blocksEvery = start.blocksEvery;
    this.#loadSince = now();
    this.#pretrigger = start.pretrigger ? new PretriggerTap(start.pretrigger) : null;
    this.#pretrigger?.begin(start.setup, this.#head.settings);
    this.#governor = new Governor();
    this.#pictures = new Pictures(this.#head, say);
    say({ kind: "ready", voxelSize: this.#head.grid.voxelSize, settings: this.#head.settings });
  }

  take(message: ToSensing): void {
    const begun = this.#now();
    this.#handle(message);
    const now = this.#now();
    this.#worked += now - begun;
    this.tick(now);
  }

  /** A timer of this thread went off, so many microseconds late. */
  beat(late: number): void {
    this.#governor.beat(late);
    this.tick();
  }

  /** What is due even when nothing comes in; called after each message and with each beat. */
  tick(now = this.#now()): void {
    this.#publishBlocks(now);
    if (now >= this.#nextLoad) this.#reportLoad(now);
  }

  /** Pictures of the newest frame, whether they are due or not. */
  showAgain(): void {
    this.#pictures.again(this.#now());
  }

  #handle(message: ToSensing): void {
    switch (message.kind) {
      case "event": {
        const begun = this.#now();
        if (message.event.kind === "shed") {
          this.#playedShed = message.event.level;
          this.#shed(message.event.time);
          break;
        }
        this.#events[message.event.kind] = (this.#events[message.event.kind] ?? 0) + 1;
        this.#pretrigger?.take(message.event);
        this.#tell(this.#head.take(message.event), begun);
        break;
      }
      case "frame":
        this.#takeFrame(message.sensor);
        break;
      case "ask": {
        const { layers, floor, grid, settings } = this.#head;
        const place = {
          ...{ layers, floor, columnSize: grid.voxelSize, clearanceLimit: settings["body.clearanceLimit"] },
          worldFromBase: this.#last?.worldFromBase ?? null,
          ...{ grid, footing: this.#head.footing, trail: this.#pictures.trail },
          time: this.#last?.time ?? 0,
        };
        const found = answer(message.question, place);
        const time = this.#last?.time ?? null;
        this.#say({ kind: "answer", ticket: message.ticket, time, revision: grid.frame, answer: found });
        break;
      }
      case "change":
        this.#try(message.ticket, () => {
          this.#head.change(resolveSettings({ ...this.#head.settings, ...message.settings }));
          this.#pretrigger?.begin(this.#head.setup, this.#head.settings);
          this.#say({ kind: "changed", ticket: message.ticket, settings: this.#head.settings });
        });
        break;
      case "sensors":
        this.#try(message.ticket, () => {
          this.#head.change(this.#head.settings, message.setup);
          this.#pretrigger?.begin(this.#head.setup, this.#head.settings);
          // A reader knows which buffer of its slot is its own: one that goes on is kept.
          this.#readers = message.slots.map((memory, i) => {
            const known = this.#readers[i];
            return known?.is(memory) ? known : new FrameReader(memory);
          });
          this.#done(message.ticket, null);
        });
        break;
      case "pictures":
        this.#pictures.want(message.wanted, this.#now());
        break;
      case "clear":
        this.#try(message.ticket, () => {
          this.#head.clear();
          this.#pictures.trail.clear();
          this.#toldRevision = this.#head.grid.frame;
          this.#done(message.ticket, null);
        });
        break;
      case "snapshot":
        this.#try(message.ticket, () => this.#done(message.ticket, encodeSnapshot(this.#head.grid, crc32c)));
        break;
      case "load":
        this.#try(message.ticket, () => {
          this.#load(message.bytes);
          this.#done(message.ticket, null);
        });
        break;
      default:
        message satisfies never;
    }
  }

  #try(ticket: number, work: () => void): void {
    try {
      work();
    } catch (error) {
      const isExpected =
        error instanceof SettingError || error instanceof RangeError || error instanceof SnapshotError;
      if (!isExpected) throw error;
      this.#say({ kind: "refused", ticket, message: error.message });
    }
  }

  #done(ticket: number, bytes: Uint8Array | null): void {
    this.#say({ kind: "done", ticket, bytes, revision: this.#head.grid.frame });
  }

  #load(bytes: Uint8Array): void {
    const saved = decodeSnapshot(bytes, crc32c);
    const { grid } = this.#head;
    if (saved.voxelSize !== grid.voxelSize) {
      throw new SnapshotError(
        `the snapshot's voxels are ${saved.voxelSize} m, the head's ${grid.voxelSize} m`,
        16,
      );
    }
    this.#head.load(saved);
  }

  #takeFrame(sensor: number): void {
    const frame = this.#readers[sensor]?.take() ?? null;
    if (frame === null) return; // a newer notice took it already
    const { time, sequence, counts, amplitude } = frame;
    const begun = this.#now();
    const missed = Math.max(0, sequence - (this.#sequences[sensor] ?? sequence - 1) - 1);
    this.#sequences[sensor] = sequence;
    this.#frame = sequence;
    const event = { kind: "depth", time, sensor, sequence, counts, amplitude } as const;
    this.#tell(this.#head.take(event), begun);
    this.#pretrigger?.take(event);
    this.#governor.add(frame.arrival, this.#now() - begun, missed);
    this.#shed(time);
    this.#pictures.take({ sensor, time, sequence, amplitude }, this.#now());
  }

  /** Tells the head and the pre-trigger ring how much is shed, when that has changed. */
  #shed(time: number): void {
    const level = Math.max(this.#governor.shed, this.#playedShed);
    if (level === this.#shedLevel) return;
    this.#shedLevel = level;
    const begun = this.#now();
    const event = { kind: "shed", time, level } as const;
    this.#pretrigger?.take(event);
    this.#tell(this.#head.take(event), begun);
  }

  #tell(outputs: readonly HeadOutput[], begun: number): void {
    if (outputs.length === 0) return;
    if (!this.#isReachTold) this.#tellReach(outputs);
    this.#isReachTold = false;
    for (const output of outputs) {
      switch (output.kind) {
        case "frame": {
          const { sensor, time, sequence, missed, revision, worldFromBase, track } = output;
          const cost = (this.#now() - begun) / 1000;
          this.#last = { time, worldFromBase };
          const known = track?.hold ?? this.#head.settings["pose.source"];
          this.#pictures.trail.add(time, revision, worldFromBase, known);
          this.#say({ kind: "frame", sensor, time, sequence, missed, revision, worldFromBase, track, cost });
          break;
        }
        case "skipped":
          this.#say({ kind: "skipped", sensor: output.sensor, why: output.why, detail: output.detail });
          break;
        case "waiver":
        case "finding":
        case "knock":
          this.#say(output);
          break;
        case "track":
          // What lies behind is bent otherwise now.
          if (output.note.what === "loop closed" && output.note.distance > 0) this.#pictures.trail.clear();
          this.#say(output);
          break;
        case "reach":
          this.#say({ kind: "brinks", time: output.time, brinks: output.brinks });
          break;
        case "glance":
        case "layers":
          break; // in the reach; the head's own
        default:
          output satisfies never;
      }
    }
  }

  /** One reach for all that one event brought: the one that knows most. */
  #tellReach(outputs: readonly HeadOutput[]): void {
    const say = (time: number, body: ReachBody) =>
      this.#say({ kind: "reach", time, frame: this.#frame, body });
    const range = this.#head.settings["guard.maxReach"];
    const known = outputs.findLast((output) => output.kind === "reach");
    if (known !== undefined) {
      say(known.time, reachOfMemory(known, range));
      return;
    }
    const glance = outputs.findLast((output) => output.kind === "glance");
    if (glance !== undefined) {
      // While a pose is known now and then, the frame waits for it a moment: its reach with memory follows.
      say(glance.time, { ...reachOfFrame(glance, range), waiver: this.#head.waiverAt(glance.time) });
      return;
    }
    const frame = outputs.findLast((output) => output.kind === "frame");
    if (frame === undefined || this.#seesFloor) return;
    const { layers, grid } = this.#head;
    say(frame.time, reachOfObstacles(reachOfMap(layers, grid.voxelSize, frame.worldFromBase)));
  }

  /** Whether any sensor is one that the guard judges. */
  get #seesFloor(): boolean {
    return this.#head.setup.sensors.some(({ optics }) => optics.model !== "scan");
  }

  #publishBlocks(now: number): void {
    const { grid } = this.#head;
    if (now < this.#nextBlocks || grid.frame === this.#toldRevision) return;
    this.#nextBlocks = now + this.#blocksEvery;
    if (this.#ids.length < grid.count) this.#ids = new Int32Array(2 * grid.count);
    const count = changedSince(grid, this.#toldRevision, this.#ids);
    this.#toldRevision = grid.frame;
    if (count === 0) return;
    const out = new Uint8Array(count * MOST_BLOCK_BYTES);
    let at = 0;
    for (let n = 0; n < count; n++) {
      const id = this.#ids[n]!;
      grid.copyBlock(id, this.#voxels);
      at = encodeClasses(grid.keyOf(id), grid.revisionOf(id), this.#voxels, out, at);
    }
    this.#say({ kind: "blocks", revision: grid.frame, count, bytes: out.slice(0, at) });
  }

  #reportLoad(now: number): void {
    const busy = this.#worked / Math.max(1, now - this.#loadSince);
    const { grid } = this.#head;
    this.#say({
      ...{
        kind: "load",
        busy,
        shed: this.#shedLevel,
        blocks: grid.count,
        revision: grid.frame,
        events: this.#events,
      },
      leftOut: this.#pretrigger?.leftOut ?? 0,
    });
    this.#events = {};
    this.#worked = 0;
    this.#loadSince = now;
    this.#nextLoad = now + LOAD_EVERY;
  }
}
