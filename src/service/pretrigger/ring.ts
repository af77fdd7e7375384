import {
  type Dirent,
  existsSync,
  linkSync,
  mkdirSync,
  readdirSync,
  readFileSync,
  renameSync,
  rmSync,
  statSync,
  writeFileSync,
} from "node:fs";
import { join } from "node:path";
import { MsgpackWriter } from "../../coding/msgpack.ts";
import { createRecordingNow, openRecording } from "../../record/file.ts";
import type { RecordingHeader } from "../../record/format.ts";
import { ReadMemory } from "../../record/reader.ts";
import type { RecordingWriter } from "../../record/writer.ts";
import type { HeadEvent, Setup, ShedEvent } from "../../sense/events.ts";
import { ShakeWatch } from "./shake.ts";

/** Why a stretch was kept. */
export const REASONS = ["knock", "tilt", "lift", "brink", "lost", "waiver", "asked", "broken off"] as const;
export type Reason = (typeof REASONS)[number];

export interface PretriggerSettings {
  readonly folder: string;
  /** Bytes that the ring of the last minutes may take, and what is kept of it. */
  readonly ring: number;
  readonly kept: number;
  /** Microseconds of a segment; and what is kept before and after the reason. */
  readonly segment: number;
  readonly before: number;
  readonly after: number;
}

/** A stretch that was kept: a whole recording. */
export interface Kept {
  /** Of its file. */
  readonly name: string;
  readonly reasons: readonly Reason[];
  readonly text: string;
  /** ISO 8601, by the machine's wall clock. */
  readonly at: string;
  readonly seconds: number;
  readonly bytes: number;
}

/** What the pretrigger says of itself. */
export type PretriggerNews =
  | { readonly kind: "kept"; readonly kept: Kept }
  | { readonly kind: "trouble"; readonly why: string }
  | { readonly kind: "well" };

interface Segment {
  readonly path: string;
  from: number;
  until: number;
  bytes: number;
}

interface Wish {
  readonly reasons: Reason[];
  readonly texts: string[];
  readonly at: Date;
  /** Microseconds of the head's clock. */
  readonly from: number;
  until: number;
  /** Beyond which it is not put off any more. */
  readonly latest: number;
}

/** After the disk has refused something, milliseconds. */
const BACK_OFF = 5000;
/** Events copied between two looks at what else there is to do. */
const AT_ONCE = 32;
/** Reasons that come one after the other are one stretch, up to so many times `after`. */
const MOST_AFTER = 4;
const SOFTWARE = "brinkmap serve";

/**
 * An always-on recording of the last minutes on disk, within a budget of bytes, of which a stretch is kept when something
 * happens. The ring is made of segments, each a whole recording, so a killed process loses at most the record in flight. What
 * is to be kept is linked at once, before the ring can drop it, and joined to one file beside the work.
 *
 * Nothing that the disk does is thrown: it is said, the oldest of the ring makes room, and it is tried again later.
 */
export class Pretrigger {
  readonly #settings: PretriggerSettings;
  readonly #say: (news: PretriggerNews) => void;
  readonly #wallClock: () => Date;
  readonly #steadyClock: () => number;
  readonly #ring: Segment[] = [];
  /** Segments of an earlier run: only to be dropped. */
  readonly #old: Segment[] = [];
  #header: { readonly setup: Setup; readonly settings: Readonly<Record<string, unknown>> } | null = null;
  #writer: RecordingWriter | null = null;
  #wish: Wish | null = null;
  #shake: ShakeWatch | null = null;
  #count = 0;
  #pausedUntil = Number.NEGATIVE_INFINITY;
  #isInTrouble = false;
  #newest = Number.NEGATIVE_INFINITY;
  /** How much the head sheds: said again at the start of each segment, which may be all that is kept. */
  #shed: ShedEvent | null = null;
  #joining: Promise<void> = Promise.resolve();
  /** Recording and joining go on for weeks: their buffers are used again, or the collector would have to find them. */
  readonly #out = new MsgpackWriter();
  readonly #joined = new MsgpackWriter();
  readonly #memory = new ReadMemory();

  /**
   * Takes up what an earlier run has left: stretches to be joined, and what it recorded last if it broke off.
   * @param wallClock   for names and lists
   * @param steadyClock milliseconds, for waiting
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
    this.#guarded(() => this.#takeUp());
  }

  get #ringFolder(): string {
    return join(this.#settings.folder, "ring");
  }
  get #keptFolder(): string {
    return join(this.#settings.folder, "kept");
  }

  #takeUp(): void {
    mkdirSync(this.#ringFolder, { recursive: true });
    mkdirSync(this.#keptFolder, { recursive: true });
    for (const entry of readdirSync(this.#keptFolder, { withFileTypes: true })) {
      if (isWork(entry)) this.#join(join(this.#keptFolder, entry.name));
    }
    const names = readdirSync(this.#ringFolder)
      .filter((name) => /^\d{8}\.brk$/.test(name))
      .sort();
    for (const name of names) {
      const path = join(this.#ringFolder, name);
      this.#old.push({ path, from: 0, until: 0, bytes: statSync(path).size });
    }
    this.#count = names.length === 0 ? 0 : Number(names.at(-1)!.slice(0, 8)) + 1;
    this.#joining = this.#joining.then(() => this.#keepBrokenOff());
  }

  /** What was recorded last by a run that did not close it: a power cut, a crash, a fall. */
  async #keepBrokenOff(): Promise<void> {
    const last = this.#old.at(-1);
    if (last === undefined) return;
    try {
      const recording = await openRecording(last.path);
      const isClosed = recording.hasIndex();
      recording.close();
      if (isClosed) return;
    } catch {
      return; // not even a header: there is nothing in it
    }
    const { before, segment } = this.#settings;
    const count = 1 + Math.ceil(before / segment);
    const text = "the run before ended without closing its recording";
    const at = statSync(last.path).mtime;
    const work = this.#link(this.#old.slice(-count), {
      ...{ reasons: ["broken off"], texts: [text], at },
      ...{ from: Number.NEGATIVE_INFINITY, until: Number.POSITIVE_INFINITY, latest: 0 },
    });
    await this.#joinNow(work);
    // Not again after the next start.
    rmSync(last.path, { force: true });
    this.#old.pop();
  }

  /** What comes from now on was made by these sensors, with these settings. */
  begin(setup: Setup, settings: Readonly<Record<string, unknown>>): void {
    this.#guarded(() => this.#endSegment());
    this.#header = { setup, settings };
    this.#shake = new ShakeWatch(setup);
  }

  take(event: HeadEvent): void {
    this.#newest = Math.max(this.#newest, event.time);
    if (event.kind === "shed") this.#shed = event;
    const shaken = this.#shake?.take(event) ?? null;
    if (shaken !== null) this.keep(shaken.reason, shaken.text);
    if (this.#header === null || this.#steadyClock() < this.#pausedUntil) return;
    this.#guarded(() => {
      const current = this.#ring.at(-1);
      if (this.#writer !== null && event.time - current!.from >= this.#settings.segment) this.#endSegment();
      if (this.#wish !== null && this.#newest >= this.#wish.until) this.#finishWish();
      if (this.#writer === null) this.#beginSegment(event.time);
      try {
        this.#writer!.write(event);
      } catch (error) {
        if (error instanceof RangeError) return; // fits no sensor of these: nothing was written
        throw error;
      }
      const segment = this.#ring.at(-1)!;
      segment.until = Math.max(segment.until, event.time);
      segment.bytes = this.#writer!.size;
      if (this.#isInTrouble) {
        this.#isInTrouble = false;
        this.#say({ kind: "well" });
      }
    });
  }

  /** Keeps the last while, and the next. */
  keep(reason: Reason, text: string): void {
    const { before, after } = this.#settings;
    const now = this.#newest;
    if (this.#wish !== null) {
      this.#wish.until = Math.min(this.#wish.latest, now + after);
      if (!this.#wish.reasons.includes(reason)) this.#wish.reasons.push(reason);
      if (!this.#wish.texts.includes(text) && this.#wish.texts.length < 20) this.#wish.texts.push(text);
      return;
    }
    this.#wish = {
      ...{ reasons: [reason], texts: [text], at: this.#wallClock() },
      ...{ from: now - before, until: now + after, latest: now + MOST_AFTER * after },
    };
  }

  /** Ends the segment and waits until all that is to be kept is. */
  async close(): Promise<void> {
    this.#guarded(() => {
      this.#endSegment();
      if (this.#wish !== null) this.#finishWish();
    });
    await this.#joining;
  }

  /** All that was kept, oldest first. */
  list(): Kept[] {
    try {
      return readdirSync(this.#keptFolder)
        .filter((name) => name.endsWith(".json"))
        .sort()
        .flatMap((name) => {
          try {
            const about = JSON.parse(readFileSync(join(this.#keptFolder, name), "utf8")) as Kept;
            return existsSync(join(this.#keptFolder, about.name)) ? [about] : [];
          } catch {
            return []; // half-written by a killed run; the recording itself is whole
          }
        });
    } catch {
      return [];
    }
  }

  // --- the ring ---

  #guarded(work: () => void): void {
    try {
      work();
    } catch (error) {
      this.#refused(error as Error);
    }
  }

  /** The disk is full, or gone: the oldest makes room, and it is tried again in a while. */
  #refused(error: Error): void {
    // What has reached the disk stays readable; its index is left out.
    void this.#writer?.close().catch(() => {});
    this.#writer = null;
    this.#pausedUntil = this.#steadyClock() + BACK_OFF;
    this.#dropOldest();
    if (!this.#isInTrouble) this.#say({ kind: "trouble", why: error.message });
    this.#isInTrouble = true;
  }

  #beginSegment(time: number): void {
    this.#makeRoom();
    const path = join(this.#ringFolder, `${String(this.#count++).padStart(8, "0")}.brk`);
    this.#writer = createRecordingNow(path, this.#headerFor("the last minutes"), { out: this.#out });
    if (this.#shed !== null) this.#writer.write({ ...this.#shed, time });
    this.#ring.push({ path, from: time, until: time, bytes: this.#writer.size });
  }

  #headerFor(about: string): RecordingHeader {
    return { ...this.#header!, about, software: SOFTWARE };
  }

  #endSegment(): void {
    const writer = this.#writer;
    this.#writer = null;
    if (writer === null) return;
    void writer.close().catch((error: Error) => this.#refused(error));
    const segment = this.#ring.at(-1)!;
    segment.bytes = writer.size;
  }

  #makeRoom(): void {
    const size = (segments: readonly Segment[]) => segments.reduce((sum, { bytes }) => sum + bytes, 0);
    while (size(this.#old) + size(this.#ring) > this.#settings.ring && this.#dropOldest());
  }

  #dropOldest(): boolean {
    const oldest = this.#old.shift() ?? this.#ring.shift();
    if (oldest === undefined) return false;
    try {
      rmSync(oldest.path, { force: true });
    } catch {
      // The disk will not even let go of it; the next is tried later.
    }
    return true;
  }

  // --- what is kept ---

  #finishWish(): void {
    const wish = this.#wish!;
    this.#wish = null;
    this.#endSegment();
    const segments = this.#ring.filter(({ from, until }) => until >= wish.from && from <= wish.until);
    if (segments.length > 0) this.#join(this.#link(segments, wish));
  }

  /** Links the segments into a folder of their own, with what is to be said of them. @throws file errors */
  #link(segments: readonly Segment[], wish: Wish): string {
    const stamp = wish.at.toISOString().slice(0, 19).replaceAll(":", "-");
    const stem = `${stamp}-${wish.reasons[0]!.replace(" ", "-")}`;
    let name = stem;
    const isTaken = (one: string) =>
      existsSync(join(this.#keptFolder, `${one}.brk`)) || existsSync(join(this.#keptFolder, `.${one}`));
    for (let n = 2; isTaken(name); n++) name = `${stem}-${n}`;
    const work = join(this.#keptFolder, `.${name}`);
    mkdirSync(work, { recursive: true });
    const { reasons, texts, at, from, until } = wish;
    const about = { name: `${name}.brk`, reasons, text: texts.join("; "), at: at.toISOString() };
    const bounds = {
      from: Number.isFinite(from) ? from : null,
      until: Number.isFinite(until) ? until : null,
    };
    writeFileSync(join(work, "about.json"), JSON.stringify({ about, bounds }));
    segments.forEach(({ path }, n) => {
      const link = join(work, `${String(n).padStart(4, "0")}.brk`);
      if (!existsSync(link)) linkSync(path, link);
    });
    return work;
  }

  #join(work: string): void {
    this.#joining = this.#joining.then(() => this.#joinNow(work));
  }

  /** Makes one recording of the linked segments; what cannot be read of them is left out. */
  async #joinNow(work: string): Promise<void> {
    try {
      const { about, bounds } = JSON.parse(readFileSync(join(work, "about.json"), "utf8")) as {
        about: Omit<Kept, "seconds" | "bytes">;
        bounds: { from: number | null; until: number | null };
      };
      const from = bounds.from ?? Number.NEGATIVE_INFINITY;
      const until = bounds.until ?? Number.POSITIVE_INFINITY;
      const part = join(work, "joined.part");
      let writer: RecordingWriter | null = null;
      let setup = "";
      let [first, last] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
      let shed: ShedEvent | null = null;
      for (const name of readdirSync(work)
        .filter((one) => one.endsWith(".brk"))
        .sort()) {
        const recording = await openRecording(join(work, name), { memory: this.#memory }).catch(() => null);
        if (recording === null) continue; // killed before its header was out
        const { header } = recording;
        // Other sensors: what was before them cannot be in one recording with them. The reason is in the later one.
        if (writer !== null && JSON.stringify(header.setup) !== setup) {
          await writer.close();
          writer = null;
        }
        if (writer === null) {
          rmSync(part, { force: true });
          writer = createRecordingNow(part, { ...header, about: about.text }, { out: this.#joined });
          setup = JSON.stringify(header.setup);
          [first, last] = [Number.POSITIVE_INFINITY, Number.NEGATIVE_INFINITY];
        }
        let count = 0;
        for (const event of recording.events()) {
          if (event.kind === "shed" && event.time < from) shed = event;
          if (event.time < from || event.time > until) continue;
          if (shed !== null) writer.write({ ...shed, time: event.time });
          shed = null;
          writer.write(event);
          first = Math.min(first, event.time);
          last = Math.max(last, event.time);
          if (++count % AT_ONCE === 0) await new Promise<void>((resolve) => setImmediate(resolve));
        }
        recording.close();
      }
      if (writer === null || last < first) {
        await writer?.close();
        rmSync(work, { recursive: true, force: true });
        return;
      }
      writer.write({
        kind: "mark",
        time: last,
        text: `${about.reasons.join(", ")}: ${about.text}`.slice(0, 500),
      });
      await writer.close();
      const kept: Kept = { ...about, seconds: (last - first) / 1e6, bytes: statSync(part).size };
      renameSync(part, join(this.#keptFolder, kept.name));
      writeFileSync(join(this.#keptFolder, `${kept.name.slice(0, -4)}.json`), JSON.stringify(kept));
      rmSync(work, { recursive: true, force: true });
      this.#dropKept(kept.name);
      this.#say({ kind: "kept", kept });
    } catch (error) {
      // The links stay: it is tried again at the next start.
      this.#say({ kind: "trouble", why: `not kept: ${(error as Error).message}` });
    }
  }

  /** Over the budget the oldest goes that nobody has asked for; what was asked for stays. */
  #dropKept(newest: string): void {
    const all = this.list();
    let size = all.reduce((sum, { bytes }) => sum + bytes, 0);
    for (const { name, reasons, bytes } of all) {
      if (size <= this.#settings.kept) return;
      if (reasons.includes("asked") || name === newest) continue;
      rmSync(join(this.#keptFolder, name), { force: true });
      rmSync(join(this.#keptFolder, `${name.slice(0, -4)}.json`), { force: true });
      size -= bytes;
    }
  }
}

const isWork = (entry: Dirent): boolean => entry.isDirectory() && entry.name.startsWith(".");
