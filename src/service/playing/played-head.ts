import type { Recording } from "../../record/file.ts";
import type { HeadEvent } from "../../sense/events.ts";
import { FrameWriter, frameSlotMemory } from "../sensing/frame-slot.ts";
import { Sensing } from "../sensing/sensing.ts";
import type { FromSensing, SensingStart } from "../sensing/sensing-messages.ts";

/** What a head said last before a frame. */
export type Said = Partial<Record<"reach" | "frame" | "brinks", FromSensing>>;

/** A head on its way through a recording from its start, fed with the recording's own times. */
export class PlayedHead {
  readonly sensing: Sensing;
  readonly #events: Iterator<HeadEvent>;
  readonly #writers: readonly FrameWriter[];
  #next: HeadEvent | null;
  #frames = 0;
  #time: number;
  /** The head's clock, by which the map is published: the time of the newest event, or of the one before the hold. */
  #clock: number;
  #isHolding = false;
  /** When the newest event was begun with, milliseconds of this process. */
  #begun = 0;

  /**
   * @param start its slots are not used: a writer and a reader must share a slot from its beginning
   * @param first time at which the recording begins
   * @throws {SettingError | RangeError} when setup or settings do not fit
   */
  constructor(recording: Recording, start: SensingStart, first: number, say: (message: FromSensing) => void) {
    this.#clock = this.#time = first;
    const slots = start.setup.sensors.map(({ optics }) => frameSlotMemory(optics.width * optics.height));
    this.#writers = slots.map((memory) => new FrameWriter(memory));
    this.sensing = new Sensing({ ...start, slots }, say, () => this.#clock);
    this.#events = recording.events();
    this.#next = this.#events.next().value ?? null;
  }

  /** The event to be taken next; null at the end. */
  get next(): HeadEvent | null {
    return this.#next;
  }
  /** Frames taken. */
  get frames(): number {
    return this.#frames;
  }
  /** Of the newest event, by the recording. */
  get time(): number {
    return this.#time;
  }
  /** Milliseconds that the newest frame has taken so far. */
  get cost(): number {
    return performance.now() - this.#begun;
  }
  /** Whether everything that the recording has between the newest frame and the next was taken. */
  get isBetweenFrames(): boolean {
    return this.#next === null || this.#next.kind === "depth";
  }

  /** Publishes nothing of the map until `release`. */
  hold(): void {
    this.#isHolding = true;
  }

  step(): void {
    const event = this.#next;
    if (event === null) return;
    this.#time = event.time;
    if (!this.#isHolding) this.#clock = event.time;
    this.#begun = performance.now();
    if (event.kind === "depth") {
      this.#frames++;
      this.#takeFrame(event);
    } else this.sensing.take({ kind: "event", event });
    this.#next = this.#events.next().value ?? null;
  }

  #takeFrame({ sensor, time, sequence, counts, amplitude }: Extract<HeadEvent, { kind: "depth" }>): void {
    const writer = this.#writers[sensor];
    if (writer === undefined) return;
    writer.counts.set(counts);
    if (amplitude !== null) writer.amplitude.set(amplitude);
    writer.publish({ time, arrival: time, sequence, hasAmplitude: amplitude !== null });
    this.sensing.take({ kind: "frame", sensor });
  }

  /** Publishes what waits of the map. */
  release(blocksEvery: number): void {
    this.#isHolding = false;
    this.#clock = Math.max(this.#time, this.#clock + blocksEvery);
    this.sensing.tick(this.#clock);
    this.#clock = this.#time;
  }
}

/** Frames of which a journal keeps what a head said; some 4 kB each. */
const MOST_KEPT = 8192;

/** What a head said of each frame that it has passed. */
export class Journal {
  readonly #said = new Map<number, Said>();

  has(frames: number): boolean {
    return this.#said.has(frames);
  }
  get(frames: number): Said | undefined {
    return this.#said.get(frames);
  }
  add(frames: number, said: Said): void {
    this.#said.set(frames, { ...said });
    if (this.#said.size > MOST_KEPT) this.#said.delete(this.#said.keys().next().value!);
  }
}
