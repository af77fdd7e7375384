import type { Recording } from "../../record/file.ts";
import type { HeadEvent } from "../../sense/events.ts";
import { FrameWriter, frameSlotMemory } from "../sensing/frame-slot.ts";
import { Sensing } from "../sensing/sensing.ts";
import type { FromSensing, SensingStart } from "../sensing/sensing-messages.ts";

/** The latest outputs of a head at a frame. */
export type FrameOutputs = Partial<Record<"reach" | "frame" | "brinks", FromSensing>>;

/** A head that runs through a recording once, on the recording's own times. */
export class PlayedHead {
  readonly sensing: Sensing;
  readonly #events: Iterator<HeadEvent>;
  readonly #writers: readonly FrameWriter[];
  #next: HeadEvent | null;
  #frames = 0;
  #time: number;
  /** The clock by which the map is published: the time of the newest event, or during a hold of the last event before it. */
  #clock: number;
  #isHolding = false;
  /** Start of the work on the newest event, milliseconds of this process. */
  #begun = 0;

  /**
   * @param start its slots are not used, because writer and reader of a slot must be made together
   * @param first start time of the recording
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

  /** The next event; null at the end. */
  get next(): HeadEvent | null {
    return this.#next;
  }
  /** Number of frames so far. */
  get frames(): number {
    return this.#frames;
  }
  /** Time of the newest event in the recording. */
  get time(): number {
    return this.#time;
  }
  /** Milliseconds of work on the newest event so far. */
  get cost(): number {
    return performance.now() - this.#begun;
  }
  /** Whether all events between the newest frame and the next one are done. */
  get isBetweenFrames(): boolean {
    return this.#next === null || this.#next.kind === "depth";
  }

  /** Stops publishing the map until `release`. */
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

  /** Publishes the pending changes of the map. */
  release(): void {
    this.#isHolding = false;
    this.#clock = this.#time;
    this.sensing.publishMap();
  }
}

/** Most frames in a journal; some 4 kB each. */
const MOST_KEPT = 8192;

/** The outputs of a head, frame by frame. */
export class Journal {
  readonly #outputs = new Map<number, FrameOutputs>();

  has(frames: number): boolean {
    return this.#outputs.has(frames);
  }
  get(frames: number): FrameOutputs | undefined {
    return this.#outputs.get(frames);
  }
  add(frames: number, outputs: FrameOutputs): void {
    this.#outputs.set(frames, { ...outputs });
    if (this.#outputs.size > MOST_KEPT) this.#outputs.delete(this.#outputs.keys().next().value!);
  }
}
