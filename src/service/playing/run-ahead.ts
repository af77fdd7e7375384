import type { Pose } from "../../geometry/optics.ts";
import { toYawPitchRoll } from "../../geometry/rigid.ts";
import type { Settings } from "../../head/settings.ts";
import { REACH_STATES } from "../../terms/safety.ts";
import { CURVE_BYTES, type CurvePoint, writeCurvePoint } from "../../wire/curve.ts";
import type { FromSensing } from "../sensing/sensing-messages.ts";
import { type Moment, MomentCollector } from "./moments.ts";
import type { FrameOutputs, Journal, PlayedHead } from "./played-head.ts";

/**
 * A second head that runs through the recording ahead of the playback, so that its moments, and the outputs of each frame, are known
 * early.
 */
export class RunAhead {
  readonly #first: number;
  readonly #frames: readonly number[];
  readonly journal: Journal;
  readonly #collector: MomentCollector;
  readonly #curve: DataView;
  #head: PlayedHead | null;
  #outputs: FrameOutputs = {};
  #done = 0;
  /** Mean interval between frames, microseconds. */
  readonly #interval: number;

  /**
   * @param frames  times of the recording's frames, with its start time `first`
   * @param journal receives the outputs of each frame
   * @param open    opens a head at the start of the recording
   */
  constructor(
    { frames, first }: { readonly frames: readonly number[]; readonly first: number },
    settings: Settings,
    journal: Journal,
    open: (hear: (message: FromSensing) => void) => PlayedHead,
  ) {
    this.#first = first;
    this.#frames = frames;
    this.#interval = (frames.at(-1)! - frames[0]!) / Math.max(1, frames.length - 1);
    this.journal = journal;
    this.#collector = new MomentCollector(first, settings["guard.topSpeed"]);
    this.#curve = new DataView(new ArrayBuffer(CURVE_BYTES * frames.length));
    this.#head = open((message) => {
      const { kind } = message;
      this.#collector.hear(message);
      if (kind === "reach" || kind === "brinks") this.#outputs[kind] = message;
      else if (kind === "frame") this.#outputs[kind] = { ...message, cost: this.#head?.cost ?? message.cost };
    });
    this.#head.hold();
  }

  get isDone(): boolean {
    return this.#head === null;
  }

  /** The moments so far. */
  get moments(): readonly Moment[] {
    return this.#collector.moments;
  }

  /** Share of the frames that are done, 0 to 1. */
  get share(): number {
    return this.#frames.length === 0 ? 1 : this.#done / this.#frames.length;
  }

  /** The curve of the message `recording`, for the frames that are done. */
  get curve(): Uint8Array {
    return new Uint8Array(this.#curve.buffer.slice(0, CURVE_BYTES * this.#done));
  }

  /** Works for a time. @param slice milliseconds */
  work(slice: number): void {
    const begun = performance.now();
    while (this.#head !== null && performance.now() - begun < slice) {
      const head = this.#head;
      if (head.next?.kind === "depth" && head.frames > 0) this.#keep(head.frames);
      if (head.next === null) {
        this.#keep(head.frames);
        this.#head = null;
      } else head.step();
    }
  }

  /** Keeps the outputs of a frame, which are complete when the next frame comes. */
  #keep(frames: number): void {
    if (frames === 0 || frames > this.#frames.length) return;
    if (!this.journal.has(frames)) this.journal.add(frames, this.#outputs);
    this.#done = frames;
    const { reach, frame } = this.#outputs;
    if (reach?.kind !== "reach") return;
    const { pace, state } = reach.body;
    const limitAge = pace?.limit?.ageMs ?? null;
    const sensed = frame?.kind === "frame" ? frame : null;
    writeCurvePoint(this.#curve, frames - 1, {
      at: this.#frames[frames - 1]! - this.#first,
      pace: pace?.forward ?? 0,
      room: (pace?.roomMm ?? 0) / 1000,
      cause: pace?.limit?.cause ?? null,
      state: REACH_STATES.indexOf(state),
      age: limitAge === null ? null : limitAge / 1000,
      load: (1000 * (sensed?.cost ?? 0)) / Math.max(1, this.#interval),
      place: sensed && placeOf(sensed.worldFromBase),
    });
  }
}

/** Place on the floor and heading. */
function placeOf({ position, rotation }: Pose): NonNullable<CurvePoint["place"]> {
  return { x: position[0], y: position[1], heading: toYawPitchRoll(rotation)[0] };
}
