import type { Recording } from "../../record/file.ts";
import type { OutlineEvent } from "../../record/reader.ts";
import type { FromServer } from "../../wire/messages.ts";

export type LostPart = FromServer<"recording">["lost"][number];

/** Longest list of lost parts. The last one then covers all that follow. */
const MOST_PARTS = 100;

/** Finds when a recording is damaged: reads it without images, and notes between which events bytes were lost. */
export class LostParts {
  readonly #recording: Pick<Recording, "outline" | "damage">;
  readonly #found: { from: number | null; to: number | null; bytes: number; why: string }[] = [];
  #known = 0;
  #first = 0;

  constructor(recording: Pick<Recording, "outline" | "damage">) {
    this.#recording = recording;
  }

  /** The events of the recording. */
  *events(): Generator<OutlineEvent, void, undefined> {
    let last: number | null = null;
    for (const event of this.#recording.outline()) {
      this.#note(last, event.time);
      // Stamps of several sensors may be slightly out of order.
      this.#first = last === null ? event.time : Math.min(this.#first, event.time);
      last = event.time;
      yield event;
    }
    this.#note(last, null);
  }

  /** Damage that was passed since the last call lies between two events. */
  #note(from: number | null, to: number | null): void {
    const { damage } = this.#recording;
    const parts = damage.slice(this.#known);
    this.#known = damage.length;
    if (parts.length === 0) return;
    const bytes = parts.reduce((sum, { length }) => sum + length, 0);
    const last = this.#found.at(-1);
    if (this.#found.length < MOST_PARTS || last === undefined) {
      this.#found.push({ from, to, bytes, why: parts[0]!.reason });
    } else {
      last.to = to;
      last.bytes += bytes;
      last.why = "many damages from here on";
    }
  }

  /** The parts found so far, in microseconds from the start of the recording. */
  get found(): readonly LostPart[] {
    const since = (time: number | null): number | null =>
      time === null ? null : Math.max(0, time - this.#first);
    return this.#found.map(({ from, to, ...rest }) => ({ from: since(from), to: since(to), ...rest }));
  }
}
