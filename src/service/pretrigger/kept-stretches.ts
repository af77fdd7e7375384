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
import { createRecordingNow, openRecording, type Recording } from "../../record/file.ts";
import { ReadMemory } from "../../record/reader.ts";
import type { RecordingWriter } from "../../record/writer.ts";
import type { ShedEvent } from "../../sense/events.ts";

/** Why a stretch was kept. */
export const REASONS = [
  "knock",
  "tilt",
  "lift",
  "brink",
  "lost",
  "frozen",
  "waiver",
  "asked",
  "broken off",
] as const;
export type Reason = (typeof REASONS)[number];

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

export type KeptNews =
  | { readonly kind: "kept"; readonly kept: Kept }
  | { readonly kind: "trouble"; readonly why: string };

/** What is to be kept, and why. */
export interface Stretch {
  readonly reasons: readonly Reason[];
  readonly texts: readonly string[];
  readonly at: Date;
  /** Microseconds of the head's clock. */
  readonly from: number;
  readonly until: number;
}

/** What the folder of linked segments says of itself; null bounds are open. */
interface About {
  readonly about: Omit<Kept, "seconds" | "bytes">;
  readonly bounds: { readonly from: number | null; readonly until: number | null };
}

/** Events copied between two pauses for other work. */
const AT_ONCE = 32;
/** Characters of the mark at the end of a kept recording. */
const LONGEST_MARK = 500;

/**
 * The folder of what was kept. Segments are linked into a work folder at once, before the ring can drop them, and joined to one
 * recording when there is time; a work folder that is found at the start is joined then.
 */
export class KeptStretches {
  readonly #folder: string;
  readonly #most: number;
  readonly #say: (news: KeptNews) => void;
  #joining: Promise<void> = Promise.resolve();
  /** Joining happens for weeks: buffers are used again, or each would be garbage. */
  readonly #out = new MsgpackWriter();
  readonly #memory = new ReadMemory();

  /** @param most bytes of all recordings; beyond that the oldest go that were not asked for */
  constructor(folder: string, most: number, say: (news: KeptNews) => void) {
    this.#folder = folder;
    this.#most = most;
    this.#say = say;
  }

  /** Makes the folder, and joins what an earlier run has linked. @throws file errors */
  takeUp(): void {
    mkdirSync(this.#folder, { recursive: true });
    for (const entry of readdirSync(this.#folder, { withFileTypes: true })) {
      if (isWork(entry)) this.#join(join(this.#folder, entry.name));
    }
  }

  /** Keeps these segments from a ring, in their order. @throws file errors when they cannot be linked */
  keep(paths: readonly string[], stretch: Stretch): void {
    this.#join(this.#link(paths, stretch));
  }

  /** Resolves when all that is to be kept so far is joined. */
  get joined(): Promise<void> {
    return this.#joining;
  }

  /** Does other work when all that is to be kept so far is joined, and before anything that comes later. */
  whenJoined(work: () => Promise<void>): void {
    this.#joining = this.#joining.then(work);
  }

  /** Keeps these segments within such work. @throws file errors when they cannot be linked */
  keepNow(paths: readonly string[], stretch: Stretch): Promise<void> {
    return this.#joinNow(this.#link(paths, stretch));
  }

  /** All that was kept, oldest first. */
  list(): Kept[] {
    try {
      return readdirSync(this.#folder)
        .filter((name) => name.endsWith(".json"))
        .sort()
        .flatMap((name) => {
          try {
            const about = JSON.parse(readFileSync(join(this.#folder, name), "utf8")) as Kept;
            return existsSync(join(this.#folder, about.name)) ? [about] : [];
          } catch {
            return []; // half-written by a killed run; the recording itself is whole
          }
        });
    } catch {
      return [];
    }
  }

  /** Links segments into a work folder, with what is to be said of them. */
  #link(paths: readonly string[], { reasons, texts, at, from, until }: Stretch): string {
    const name = this.#freeName(at, reasons[0]!);
    const work = join(this.#folder, `.${name}`);
    mkdirSync(work, { recursive: true });
    const about: About = {
      about: { name: `${name}.brk`, reasons, text: texts.join("; "), at: at.toISOString() },
      bounds: {
        from: Number.isFinite(from) ? from : null,
        until: Number.isFinite(until) ? until : null,
      },
    };
    writeFileSync(join(work, "about.json"), JSON.stringify(about));
    paths.forEach((path, n) => {
      const link = join(work, `${String(n).padStart(4, "0")}.brk`);
      if (!existsSync(link)) linkSync(path, link);
    });
    return work;
  }

  #freeName(at: Date, reason: Reason): string {
    const stamp = at.toISOString().slice(0, 19).replaceAll(":", "-");
    const stem = `${stamp}-${reason.replace(" ", "-")}`;
    const isTaken = (one: string) =>
      existsSync(join(this.#folder, `${one}.brk`)) || existsSync(join(this.#folder, `.${one}`));
    let name = stem;
    for (let n = 2; isTaken(name); n++) name = `${stem}-${n}`;
    return name;
  }

  #join(work: string): void {
    this.#joining = this.#joining.then(() => this.#joinNow(work));
  }

  async #joinNow(work: string): Promise<void> {
    try {
      const kept = await this.#copy(work);
      rmSync(work, { recursive: true, force: true });
      if (kept === null) return;
      this.#dropOver(kept.name);
      this.#say({ kind: "kept", kept });
    } catch (error) {
      // The links stay: they are joined at the next start.
      this.#say({ kind: "trouble", why: `not kept: ${(error as Error).message}` });
    }
  }

  /** Makes one recording of the linked segments. @returns null when nothing of the stretch is in them */
  async #copy(work: string): Promise<Kept | null> {
    const { about, bounds } = JSON.parse(readFileSync(join(work, "about.json"), "utf8")) as About;
    const part = join(work, "joined.part");
    const joiner = new Joiner(part, about.text, bounds, this.#out);
    const segments = readdirSync(work).filter((name) => name.endsWith(".brk"));
    for (const name of segments.sort()) {
      const recording = await openRecording(join(work, name), { memory: this.#memory }).catch(() => null);
      if (recording === null) continue; // killed before its header was written
      await joiner.add(recording);
      recording.close();
    }
    const seconds = await joiner.close(`${about.reasons.join(", ")}: ${about.text}`);
    if (seconds === null) return null;
    const kept: Kept = { ...about, seconds, bytes: statSync(part).size };
    renameSync(part, join(this.#folder, kept.name));
    writeFileSync(join(this.#folder, `${kept.name.slice(0, -4)}.json`), JSON.stringify(kept));
    return kept;
  }

  /** Over the budget the oldest goes that was not asked for. */
  #dropOver(newest: string): void {
    const all = this.list();
    let size = all.reduce((sum, { bytes }) => sum + bytes, 0);
    for (const { name, reasons, bytes } of all) {
      if (size <= this.#most) return;
      if (reasons.includes("asked") || name === newest) continue;
      rmSync(join(this.#folder, name), { force: true });
      rmSync(join(this.#folder, `${name.slice(0, -4)}.json`), { force: true });
      size -= bytes;
    }
  }
}

/** Copies what lies within the bounds out of segments, one after the other, into one recording. */
class Joiner {
  readonly #path: string;
  readonly #text: string;
  readonly #from: number;
  readonly #until: number;
  readonly #out: MsgpackWriter;
  #writer: RecordingWriter | null = null;
  #setup = "";
  #first = Number.POSITIVE_INFINITY;
  #last = Number.NEGATIVE_INFINITY;
  /** What the head shed before the first event within the bounds. */
  #shed: ShedEvent | null = null;

  constructor(path: string, text: string, { from, until }: About["bounds"], out: MsgpackWriter) {
    this.#path = path;
    this.#text = text;
    this.#from = from ?? Number.NEGATIVE_INFINITY;
    this.#until = until ?? Number.POSITIVE_INFINITY;
    this.#out = out;
  }

  async add(recording: Recording): Promise<void> {
    const { header } = recording;
    // Events of other sensors cannot be in one recording with these. The reason is in the later segment.
    if (this.#writer !== null && JSON.stringify(header.setup) !== this.#setup) {
      await this.#writer.close();
      this.#writer = null;
    }
    if (this.#writer === null) {
      rmSync(this.#path, { force: true });
      this.#writer = createRecordingNow(this.#path, { ...header, about: this.#text }, { out: this.#out });
      this.#setup = JSON.stringify(header.setup);
      this.#first = Number.POSITIVE_INFINITY;
      this.#last = Number.NEGATIVE_INFINITY;
    }
    let count = 0;
    for (const event of recording.events()) {
      if (event.kind === "shed" && event.time < this.#from) this.#shed = event;
      if (event.time < this.#from || event.time > this.#until) continue;
      if (this.#shed !== null) this.#writer.write({ ...this.#shed, time: event.time });
      this.#shed = null;
      this.#writer.write(event);
      this.#first = Math.min(this.#first, event.time);
      this.#last = Math.max(this.#last, event.time);
      if (++count % AT_ONCE === 0) await new Promise<void>((resolve) => setImmediate(resolve));
    }
  }

  /** Ends the recording with a mark. @returns its length in seconds; null when it is empty */
  async close(mark: string): Promise<number | null> {
    const isEmpty = this.#last < this.#first;
    if (!isEmpty) {
      this.#writer?.write({ kind: "mark", time: this.#last, text: mark.slice(0, LONGEST_MARK) });
    }
    await this.#writer?.close();
    return isEmpty ? null : (this.#last - this.#first) / 1e6;
  }
}

const isWork = (entry: Dirent): boolean => entry.isDirectory() && entry.name.startsWith(".");
