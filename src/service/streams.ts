import { missingStreams, POSE_STREAMS, type PoseStream } from "../head/pose-needs.ts";
import type { Settings } from "../head/settings.ts";
import type { EventCounts } from "./sensing/sensing-messages.ts";

/** Microseconds between two reports of arrived events: the age of a stream is uncertain by this much. */
const REPORT_EVERY = 500_000;

/** Tracks which of the streams that poses need are arriving. */
export class Streams {
  readonly #silentAfter: number;
  readonly #started: number;
  /** Time of the last report with any event of each stream. */
  readonly #last = new Map<PoseStream, number>();
  readonly #silent = new Set<PoseStream>();

  /** @param silentAfter microseconds; @param now of the head's clock, as everywhere here */
  constructor(silentAfter: number, now: number) {
    this.#silentAfter = silentAfter + REPORT_EVERY;
    this.#started = now;
  }

  /** Takes the counts since the last report. @returns streams that arrive again after a silence */
  add(counts: EventCounts, now: number): readonly PoseStream[] {
    const back: PoseStream[] = [];
    for (const stream of POSE_STREAMS) {
      if ((counts[stream] ?? 0) === 0) continue;
      this.#last.set(stream, now);
      if (this.#silent.delete(stream)) back.push(stream);
    }
    return back;
  }

  /** Streams that have become silent since the last call, with seconds of silence. */
  newlySilent(now: number): readonly { readonly stream: PoseStream; readonly seconds: number }[] {
    const found: { stream: PoseStream; seconds: number }[] = [];
    for (const [stream, last] of this.#last) {
      if (this.#silent.has(stream) || now - last <= this.#silentAfter) continue;
      this.#silent.add(stream);
      found.push({ stream, seconds: (now - last) / 1e6 });
    }
    return found;
  }

  /** The streams that frames need for a pose and that do not arrive, in words; null when none is missing. */
  missing(source: Settings["pose.source"], now: number): string | null {
    return missingStreams(source, (stream) => {
      const last = this.#last.get(stream) ?? this.#started; // before the first report
      return now - last <= this.#silentAfter;
    });
  }
}
