import type { Settings } from "../../head/settings.ts";
import type { FromServer } from "../../wire/messages.ts";
import type { FromSensing } from "../sensing/sensing-messages.ts";
import type { FrameOutputs, Journal, PlayedHead } from "./played-head.ts";
import type { RunAhead } from "./run-ahead.ts";

export type BaselineMessage = Omit<FromServer<"baseline">, "kind" | "sequence" | "time">;

/** The message without a comparison. */
export const noBaseline = (frame: number): BaselineMessage => ({
  frame,
  changes: [],
  reach: null,
  position: null,
  class: null,
});

/** A second head with the baseline's settings, for the comparison with changed settings. */
export class Baseline {
  readonly settings: Settings;
  readonly journal: Journal;
  /** Runs a head with these settings to the end of the recording, beside the playback. */
  readonly ahead: RunAhead;
  readonly #open: (settings: Settings, hear: (message: FromSensing) => void) => PlayedHead;
  /** Computes frames that are missing in the journal; null until one is needed. */
  #head: PlayedHead | null = null;
  #outputs: FrameOutputs = {};

  /**
   * @param ahead the head ahead with the baseline's settings, whose journal has the outputs so far
   * @param open  opens a head at the start of the recording
   */
  constructor(
    settings: Settings,
    ahead: RunAhead,
    open: (settings: Settings, hear: (message: FromSensing) => void) => PlayedHead,
  ) {
    this.settings = settings;
    this.ahead = ahead;
    this.journal = ahead.journal;
    this.#open = open;
  }

  /**
   * Runs the baseline's head up to a frame.
   * @param slice milliseconds of work
   * @returns whether the frame is reached
   */
  reach(frames: number, slice: number): boolean {
    const begun = performance.now();
    while (!this.journal.has(frames)) {
      if (performance.now() - begun > slice) return false;
      const head = this.#headBefore(frames);
      const isDue = head.next?.kind === "depth" && head.frames > 0;
      if (isDue) this.journal.add(head.frames, this.#outputs);
      if (isDue && head.frames === frames) break;
      head.step();
      if (head.next === null) this.journal.add(head.frames, this.#outputs);
    }
    return true;
  }

  #headBefore(frames: number): PlayedHead {
    if (this.#head !== null && this.#head.frames <= frames && this.#head.next !== null) return this.#head;
    this.#outputs = {};
    this.#head = this.#open(this.settings, (message) => {
      const { kind } = message;
      if (kind === "reach" || kind === "frame" || kind === "brinks") this.#outputs[kind] = message;
    });
    this.#head.hold();
    return this.#head;
  }

  /** The baseline's outputs of a frame, and its differences from `settings`. */
  messageOf(frames: number, settings: Readonly<Record<string, number | string>>): BaselineMessage {
    const { reach, frame } = this.journal.get(frames) ?? {};
    const body = reach?.kind === "reach" ? reach.body : null;
    const sensed = frame?.kind === "frame" ? frame : null;
    return {
      frame: frames,
      changes: Object.entries(this.settings)
        .filter(([name, value]) => settings[name] !== value)
        .map(([name, baseline]) => ({ name, baseline, now: settings[name]! })),
      reach: body && {
        state: body.state,
        first: body.first,
        step: body.step,
        range: body.range,
        pace: body.pace,
        distanceMm: body.distanceMm,
        what: body.what,
      },
      position: sensed?.worldFromBase.position ?? null,
      class: sensed && (sensed.track?.hold ?? String(this.settings["pose.source"])),
    };
  }
}
