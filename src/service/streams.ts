import { missingStreams, POSE_STREAMS, type PoseStream } from "../head/pose-needs.ts";
import type { Settings } from "../head/settings.ts";
import type { EventCounts } from "./sensing/sensing-messages.ts";

/** Microseconds between reports of what has come: a stream may be that much older than it looks. */
const REPORT_EVERY = 500_000;

/** Knows which streams that poses are made of come, and which have stopped. */
export class Streams {
  readonly #silentAfter: number;
  readonly #started: number;
  /** When a report had any of it last. */
  readonly #last = new Map<PoseStream, number>();
  readonly #silent = new Set<PoseStream>();

  /** @param silentAfter microseconds; @param now of the head's clock, as everywhere here */
  constructor(silentAfter: number, now: number) {
    this.#silentAfter = silentAfter + REPORT_EVERY;
    this.#started = now;
  }

  /** What has come since the last report. @returns streams that come again after a silence */
  add(counts: EventCounts, now: number): readonly PoseStream[] {
    const back: PoseStream[] = [];
    for (const stream of POSE_STREAMS) {
      if ((counts[stream] ?? 0) === 0) continue;
      this.#last.set(stream, now);
      if (this.#silent.delete(stream)) back.push(stream);
    }
    return back;
  }

  /** Streams that have fallen silent since this was asked last, and for how many seconds. */
  newlySilent(now: number): readonly { readonly stream: PoseStream; readonly seconds: number }[] {
    const found: { stream: PoseStream; seconds: number }[] = [];
    for (const [stream, last] of this.#last) {
      if (this.#silent.has(stream) || now - last <= this.#silentAfter) continue;
      this.#silent.add(stream);
      found.push({ stream, seconds: (now - last) / 1e6 });
    }
    return found;
  }

  /** What frames need for a pose and what does not come, in words; null when all of it comes. */
  missing(source: Settings["pose.source"], now: number): string | null {
    return missingStreams(source, (stream) => {
      const last = this.#last.get(stream) ?? this.#started; // a head that has just started waits for its first report
      return now - last <= this.#silentAfter;
    });
  }
}
