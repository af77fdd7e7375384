import { statSync } from "node:fs";
import { join } from "node:path";
import { openRecording } from "../../record/file.ts";
import type { HeadEvent, Setup } from "../../sense/events.ts";
import { troubleText } from "../file-trouble.ts";
import { DisturbanceWatch } from "./disturbance.ts";
import { type Kept, type KeptNews, KeptStretches, type Reason, type Stretch } from "./kept-stretches.ts";
import { SegmentRing } from "./ring.ts";

export interface PretriggerSettings {
  readonly folder: string;
  /** Most bytes of the ring, and of all kept recordings. */
  readonly ring: number;
  readonly kept: number;
  /** Microseconds: length of a segment of the ring; time that is kept before a reason, and after it. */
  readonly segment: number;
  readonly before: number;
  readonly after: number;
}

/** News of the recorder. */
export type PretriggerNews = KeptNews | { readonly kind: "well" };

/** A stretch whose end is still in the future. */
interface OpenStretch extends Stretch {
  readonly reasons: Reason[];
  readonly texts: string[];
  until: number;
  /** Latest end, however many reasons follow. */
  readonly latest: number;
}

/** Back-off after a disk error, milliseconds. */
const BACK_OFF = 5000;
/** Reasons in quick succession share one stretch, which is at most this many times `after` long. */
const MOST_AFTER = 4;
/** Most texts of one stretch. */
const MOST_TEXTS = 20;

/**
 * The pre-trigger recorder. It records the last minutes into a ring all the time, and keeps a stretch of it when something happens.
 *
 * Disk errors are not thrown. They are reported, the oldest segments are deleted, and the disk is tried again later.
 */
export class PretriggerRecorder {
  readonly #settings: PretriggerSettings;
  readonly #say: (news: PretriggerNews) => void;
  readonly #wallClock: () => Date;
  readonly #steadyClock: () => number;
  readonly #ring: SegmentRing;
  readonly #kept: KeptStretches;
  #openStretch: OpenStretch | null = null;
  #disturbance: DisturbanceWatch | null = null;
  #pausedUntil = Number.NEGATIVE_INFINITY;
  #isInTrouble = false;
  /** Time of the newest event. */
  #newest = Number.NEGATIVE_INFINITY;

  /**
   * Restores the state of an earlier run: stretches to be joined, and the last recording, if that run ended without closing it.
   * @param wallClock   for names and lists
   * @param steadyClock milliseconds, for waits
   */
  constructor(
    settings: PretriggerSettings,
    say: (news: PretriggerNews) => void,
    { wallClock = () => new Date(), steadyClock = () => performance.now() } = {},
  ) {
    this.#settings = settings;
    this.#say = say;
    this.#wallClock = wallClock;
    this.#steadyClock = steadyClock;
    const { folder, ring, kept, segment } = settings;
    this.#ring = new SegmentRing(join(folder, "ring"), ring, segment, (error) => this.#refused(error));
    this.#kept = new KeptStretches(join(folder, "kept"), kept, say);
    this.#guarded(() => {
      this.#ring.restore();
      this.#kept.restore();
      this.#kept.whenJoined(() => this.#keepBrokenOff());
    });
  }

  /** Keeps the last segments of a run that did not close: after a power cut, a crash, or a fall. */
  async #keepBrokenOff(): Promise<void> {
    const { before, segment } = this.#settings;
    const paths = this.#ring.leftBehind(1 + Math.ceil(before / segment));
    const last = paths.at(-1);
    if (last === undefined) return;
    try {
      const recording = await openRecording(last);
      const isClosed = recording.hasIndex();
      recording.close();
      if (isClosed) return;
    } catch {
      return; // without a header there is nothing in it
    }
    await this.#kept.keepNow(paths, {
      reasons: ["broken off"],
      texts: ["the run before ended without closing its recording"],
      at: statSync(last).mtime,
      from: Number.NEGATIVE_INFINITY,
      until: Number.POSITIVE_INFINITY,
    });
    this.#ring.forgetLeftBehind(); // so that the next start does not keep it again
  }

  /** Sets sensors and settings of the following events. */
  begin(setup: Setup, settings: Readonly<Record<string, unknown>>): void {
    this.#guarded(() => this.#ring.begin(setup, settings));
    this.#disturbance = new DisturbanceWatch(setup);
  }

  take(event: HeadEvent): void {
    this.#newest = Math.max(this.#newest, event.time);
    if (event.kind === "shed") this.#ring.shed = event;
    const disturbed = this.#disturbance?.take(event) ?? null;
    if (disturbed !== null) this.keep(disturbed.reason, disturbed.text);
    if (!this.#ring.isBegun || this.#steadyClock() < this.#pausedUntil) return;
    this.#guarded(() => {
      this.#ring.endSegmentBefore(event.time);
      if (this.#openStretch !== null && this.#newest >= this.#openStretch.until)
        this.#finish(this.#openStretch);
      if (!this.#ring.write(event) || !this.#isInTrouble) return;
      this.#isInTrouble = false;
      this.#say({ kind: "well" });
    });
  }

  /** Keeps a stretch around the newest event. */
  keep(reason: Reason, text: string): void {
    const { before, after } = this.#settings;
    const now = this.#newest;
    const stretch = this.#openStretch;
    if (stretch === null) {
      this.#openStretch = {
        reasons: [reason],
        texts: [text],
        at: this.#wallClock(),
        from: now - before,
        until: now + after,
        latest: now + MOST_AFTER * after,
      };
      return;
    }
    stretch.until = Math.min(stretch.latest, now + after);
    if (!stretch.reasons.includes(reason)) stretch.reasons.push(reason);
    if (!stretch.texts.includes(text) && stretch.texts.length < MOST_TEXTS) stretch.texts.push(text);
  }

  #finish(stretch: OpenStretch): void {
    this.#openStretch = null;
    this.#ring.endSegment();
    const paths = this.#ring.between(stretch.from, stretch.until);
    if (paths.length > 0) this.#kept.keep(paths, stretch);
  }

  /** Ends the segment, and waits until all stretches are joined. */
  async close(): Promise<void> {
    this.#guarded(() => {
      this.#ring.endSegment();
      if (this.#openStretch !== null) this.#finish(this.#openStretch);
    });
    await this.#kept.joined;
  }

  /** All kept stretches, oldest first. */
  list(): Kept[] {
    return this.#kept.list();
  }

  #guarded(work: () => void): void {
    try {
      work();
    } catch (error) {
      this.#refused(error as Error);
    }
  }

  /** Handles a disk error: deletes the oldest segments, and backs off. */
  #refused(error: Error): void {
    this.#ring.giveUpSegment();
    this.#pausedUntil = this.#steadyClock() + BACK_OFF;
    if (!this.#isInTrouble) this.#say({ kind: "trouble", why: troubleText(error) });
    this.#isInTrouble = true;
  }
}
