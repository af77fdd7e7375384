import type { HeadEvent } from "../../../src/sense/events.ts";
import { Publisher } from "../../../src/service/publisher.ts";
import {
  type FrameSlotMemory,
  FrameWriter,
  frameSlotMemory,
} from "../../../src/service/sensing/frame-slot.ts";
import { Sensing } from "../../../src/service/sensing/sensing.ts";
import type { SensedFrame, SensedReach } from "../../../src/service/sensing/sensing-messages.ts";
import { BLIND_AFTER } from "../../../src/terms/freshness.ts";
import { decodeFromServer } from "../../../src/wire/codec.ts";
import type { Answer, PlacedQuestion } from "../../../src/wire/messages.ts";
import type { BoardInLoop } from "./board-in-loop.ts";
import type { Reach } from "./obedience.ts";
import type { Rig } from "./rig.ts";

/** Microseconds of the simulated clock. */
type Micro = number;

/** Of a message from the head's socket to the base. */
const TRANSPORT = 2_000;
/** A frame's reach is sent after this share of the frame's processing time. */
const REACH_SHARE = 0.3;
/** Processing time of any other message. */
const EVENT_COST = 30;
/** Interval in which the service checks for missing frames, and the sensing thread for due work. */
const WATCH_EVERY = 50_000;
const BEAT_EVERY = 100_000;

/**
 * The product's sensing path and publisher on a clock that the drive moves, in this process: what `Service` does around them with
 * sockets and timers is done here with due times. So a drive runs at full speed, and is the same on every run. A reach
 * passes through the wire's codec, as on its way to a base.
 */
export class ClockedHead {
  readonly #rig: Rig;
  readonly #hear: (reach: Reach, at: Micro) => void;
  readonly #see: (frame: SensedFrame) => void;
  readonly #board: BoardInLoop | null;
  readonly #slots: readonly FrameSlotMemory[];
  readonly #writers: readonly FrameWriter[];
  #sensing: Sensing;
  #clock: Micro = 0;
  /** Messages that arrived and were not processed yet, oldest first. */
  #inbox: { readonly arrived: Micro; readonly event: HeadEvent }[] = [];
  /** Per sensor: whether a frame is unread; a client sends no other meanwhile. */
  readonly #isOnItsWay: boolean[];
  #busyUntil: Micro = 0;
  /** Outputs of the sensing thread, and when the service receives them. */
  #outbox: { readonly at: Micro; readonly reach: SensedReach }[] = [];
  /** During processing: when the output is sent. */
  #saidAt: Micro = 0;
  #publisher: Publisher;
  #nextWatch: Micro = 0;
  #nextBeat: Micro = 0;
  #sequence = 0;
  #answer: Answer | null = null;
  /** The place of the newest frame, and its time; null before the first. */
  place: Pick<SensedFrame, "time" | "worldFromBase"> | null = null;
  /** Slow-down factor. */
  slowness = 1;
  /** The head hangs. */
  isFrozen = false;
  isDead = false;
  /** Number of frames, and their processing time on this machine, milliseconds. */
  frames = 0;
  spent = 0;

  /**
   * @param hear gets each reach when it reaches the base
   * @param see  gets each frame when the head has processed it
   * @param board gets each reach as it leaves the head
   */
  constructor(
    rig: Rig,
    hear: (reach: Reach, at: Micro) => void,
    see: (frame: SensedFrame) => void = () => {},
    board: BoardInLoop | null = null,
  ) {
    this.#board = board;
    this.#rig = rig;
    this.#hear = hear;
    this.#see = see;
    this.#slots = rig.setup.sensors.map(({ optics }) => frameSlotMemory(optics.width * optics.height));
    this.#writers = this.#slots.map((memory) => new FrameWriter(memory));
    this.#isOnItsWay = rig.setup.sensors.map(() => false);
    this.#sensing = this.#open();
    this.#publisher = this.#openPublisher();
  }

  #openPublisher(): Publisher {
    const { setup, settings } = this.#rig;
    return new Publisher({
      board: this.#board,
      mode: {
        lateness: (age, holds = Number.POSITIVE_INFINITY) =>
          age > 1e6 * BLIND_AFTER ? "blind" : age >= holds ? "late" : null,
        waiverIn: () => null,
        offered: () => {},
      },
      head: { setup, settings, post: () => {} },
      clients: {
        offer: (topic, message) => {
          if (topic !== "reach") return;
          const now = this.#clock;
          const reach = decodeFromServer(message.finish("binary", ++this.#sequence, now));
          if (reach?.kind === "reach") this.#hear(reach, now + TRANSPORT);
        },
        tellFinding: () => {},
        rateOf: () => 0,
      },
      metrics: { age: { observe: () => {} } },
      glance: null,
      now: () => this.#clock,
      isAssumed: () => false,
      isSeeking: () => false,
      isConfigured: () => true,
    });
  }

  #open(): Sensing {
    return new Sensing(
      { setup: this.#rig.setup, settings: this.#rig.settings, slots: this.#slots, blocksEvery: 1e12 },
      (message) => {
        if (message.kind === "reach") this.#outbox.push({ at: this.#saidAt, reach: message });
        if (message.kind === "frame") {
          this.place = message;
          this.#see(message);
        }
        if (message.kind === "answer") this.#answer = message.answer;
      },
      () => this.#clock,
    );
  }

  /** Asks the head; its answer comes at once. Null when it has none, or refuses. */
  ask(question: PlacedQuestion): Answer | null {
    this.#answer = null;
    if (!this.isDead && !this.isFrozen) this.#sensing.take({ kind: "ask", ticket: 1, question });
    return this.#answer;
  }

  /** Restarts like a new process: without memory. */
  restart(now: Micro): void {
    this.#sensing = this.#open();
    this.#inbox = [];
    this.#outbox = [];
    this.#isOnItsWay.fill(false);
    this.#clock = now;
    this.#publisher = this.#openPublisher();
    this.#board?.restart();
    this.#busyUntil = now;
    this.isDead = false;
  }

  /** Delivers a message; a frame only if the previous one was read. */
  deliver(event: HeadEvent, now: Micro): void {
    if (this.isDead) return;
    if (event.kind === "depth") {
      if (this.#isOnItsWay[event.sensor]) return;
      this.#isOnItsWay[event.sensor] = true;
    }
    this.#inbox.push({ arrived: now, event });
  }

  /** Lets the head do all work due up to `now`. */
  run(now: Micro): void {
    if (this.isDead || this.isFrozen) {
      this.#busyUntil = Math.max(this.#busyUntil, now);
      this.#nextWatch = Math.max(this.#nextWatch, now);
      return;
    }
    for (;;) {
      const next = this.#inbox[0];
      const takes = next === undefined ? Number.POSITIVE_INFINITY : Math.max(next.arrived, this.#busyUntil);
      const says = this.#outbox[0]?.at ?? Number.POSITIVE_INFINITY;
      const first = Math.min(takes, says, this.#nextWatch);
      if (first > now) return;
      this.#clock = first;
      if (first === says) this.#publisher.takeReach(this.#outbox.shift()!.reach);
      else if (first === takes) this.#sense(this.#inbox.shift()!.event, takes);
      else {
        this.#publisher.watch();
        this.#nextWatch += WATCH_EVERY;
      }
    }
  }

  #sense(event: HeadEvent, at: Micro): void {
    const begun = performance.now();
    const cost = 1000 * Number(this.#rig.knobs["head.cost"]) * this.slowness;
    if (at >= this.#nextBeat) {
      this.#saidAt = at;
      this.#sensing.beat(0);
      this.#nextBeat = at + BEAT_EVERY;
    }
    if (event.kind === "depth") {
      const { sensor, time, sequence, counts, amplitude } = event;
      this.#isOnItsWay[sensor] = false;
      const writer = this.#writers[sensor]!;
      writer.counts.set(counts);
      if (amplitude !== null) writer.amplitude.set(amplitude);
      writer.publish({ time, arrival: at, sequence, hasAmplitude: amplitude !== null });
      this.#saidAt = at + REACH_SHARE * cost;
      this.#sensing.take({ kind: "frame", sensor });
      this.#busyUntil = at + cost;
      this.frames++;
    } else {
      const own = EVENT_COST * this.slowness;
      // A frame may have waited for this sample: then its reach and all further outputs follow now.
      this.#saidAt = at + own;
      this.#sensing.take({ kind: "event", event });
      this.#busyUntil = at + own;
    }
    this.spent += performance.now() - begun;
  }
}
