import type { HeadEvent } from "../../../src/sense/events.ts";
import { type FrameSlotMemory, FrameWriter, frameSlotMemory } from "../../../src/service/frame-slot.ts";
import { type SensedReach, Sensing } from "../../../src/service/sensing.ts";
import { BLIND_AFTER, LATE_AFTER } from "../../../src/terms/freshness.ts";
import { END } from "../../../src/terms/safety.ts";
import type { Reach } from "./obedience.ts";
import type { Rig } from "./rig.ts";

/** Microseconds of a clock that only the drive moves. */
type Micro = number;

/** Of a message from the head's socket to the base. */
const TRANSPORT = 2_000;
/** A frame's reach is said after this share of what the frame costs. */
const REACH_SHARE = 0.3;
/** What any other message costs. */
const EVENT_COST = 30;
/** The service looks this often whether frames stay away, and the sensing thread what is due. */
const WATCH_EVERY = 50_000;
const BEAT_EVERY = 100_000;

const STANDING: NonNullable<Reach["pace"]> = {
  forward: 0,
  backward: 0,
  left: 0,
  right: 0,
  arcsForward: [],
  arcsBackward: [],
  roomMm: 0,
  limit: END.unseen,
};

/**
 * The product's sensing path on a clock of the drive's own, in this process: what `Service` does around it with sockets and timers
 * is done here with due times, by the same rules. So a drive runs as fast as the machine can, and the same on every run.
 */
export class ClockedHead {
  readonly #rig: Rig;
  readonly #hear: (reach: Reach, at: Micro) => void;
  readonly #slots: readonly FrameSlotMemory[];
  readonly #writers: readonly FrameWriter[];
  #sensing: Sensing;
  #clock: Micro = 0;
  /** What arrived and was not taken yet, oldest first. */
  #inbox: { readonly arrived: Micro; readonly event: HeadEvent }[] = [];
  /** Per sensor: whether a frame of it was sent that the head has not read yet; a client sends no other meanwhile. */
  readonly #isOnItsWay: boolean[];
  #busyUntil: Micro = 0;
  /** What the sensing thread said, and when the service gets it. */
  #outbox: { readonly at: Micro; readonly reach: SensedReach }[] = [];
  /** While something is taken: when what it says is said. */
  #saidAt: Micro = 0;
  #last: SensedReach | null = null;
  #lastState: Reach["state"] = "blind";
  #lastPublished: Micro = 0;
  #nextWatch: Micro = 0;
  #nextBeat: Micro = 0;
  #sequence = 0;
  /** Times as slow as usual. */
  slowness = 1;
  /** Neither reads nor says anything. */
  isFrozen = false;
  isDead = false;
  /** Frames taken, and milliseconds of this machine that the head took for all. */
  frames = 0;
  spent = 0;

  /** @param hear gets each reach when it reaches the base */
  constructor(rig: Rig, hear: (reach: Reach, at: Micro) => void) {
    this.#rig = rig;
    this.#hear = hear;
    this.#slots = rig.setup.sensors.map(({ optics }) => frameSlotMemory(optics.width * optics.height));
    this.#writers = this.#slots.map((memory) => new FrameWriter(memory));
    this.#isOnItsWay = rig.setup.sensors.map(() => false);
    this.#sensing = this.#open();
  }

  #open(): Sensing {
    return new Sensing(
      { setup: this.#rig.setup, settings: this.#rig.settings, slots: this.#slots, blocksEvery: 1e12 },
      (message) => {
        if (message.kind === "reach") this.#outbox.push({ at: this.#saidAt, reach: message });
      },
      () => this.#clock,
    );
  }

  /** Begins anew, as a process that was started again does: nothing is remembered. */
  restart(now: Micro): void {
    this.#sensing = this.#open();
    this.#inbox = [];
    this.#outbox = [];
    this.#isOnItsWay.fill(false);
    this.#last = null;
    this.#lastState = "blind";
    this.#busyUntil = now;
    this.isDead = false;
  }

  /** Something arrives; a frame only if the one before has been read. */
  deliver(event: HeadEvent, now: Micro): void {
    if (this.isDead) return;
    if (event.kind === "depth") {
      if (this.#isOnItsWay[event.sensor]) return;
      this.#isOnItsWay[event.sensor] = true;
    }
    this.#inbox.push({ arrived: now, event });
  }

  /** Lets the head do what is due up to `now`. */
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
      if (first === says) this.#take(this.#outbox.shift()!.reach, says);
      else if (first === takes) this.#sense(this.#inbox.shift()!.event, takes);
      else {
        this.#watch(this.#nextWatch);
        this.#nextWatch += WATCH_EVERY;
      }
    }
  }

  #sense(event: HeadEvent, at: Micro): void {
    const begun = performance.now();
    const cost = 1000 * Number(this.#rig.knobs["head.cost"]) * this.slowness;
    this.#clock = at;
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
      // A frame may have waited for this sample: then its reach and all that follows come now.
      this.#saidAt = at + own;
      this.#sensing.take({ kind: "event", event });
      this.#busyUntil = at + own;
    }
    this.spent += performance.now() - begun;
  }

  #stateBy(age: Micro): "late" | "blind" | null {
    return age > 1e6 * BLIND_AFTER ? "blind" : age > 1e6 * LATE_AFTER ? "late" : null;
  }

  #take(reach: SensedReach, now: Micro): void {
    if (this.#last === null || reach.time >= this.#last.time) this.#last = reach;
    this.#publish(this.#last, now);
  }

  #watch(now: Micro): void {
    if (this.#last === null) return;
    const state = this.#stateBy(now - this.#last.time);
    if (state !== null && (state !== this.#lastState || now - this.#lastPublished > 90_000)) {
      this.#publish(this.#last, now);
    }
  }

  #publish({ time, frame, body }: SensedReach, now: Micro): void {
    const state = this.#stateBy(now - time) ?? body.state;
    this.#lastState = state;
    this.#lastPublished = now;
    const isStopped = state !== "clear" && state !== "dark";
    const reach: Reach = {
      kind: "reach",
      sequence: ++this.#sequence,
      time,
      age: Math.max(0, now - time),
      frame,
      ...body,
      state,
      pace: isStopped && body.pace !== null ? STANDING : body.pace,
    };
    this.#hear(reach, now + TRANSPORT);
  }
}
