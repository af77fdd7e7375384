import {
  type Dirent,
  existsSync,
  linkSync,
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
import { troubleText } from "../file-trouble.ts";
import { makeFolder } from "../make-folder.ts";

/** Reasons to keep a stretch. */
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

/** A kept stretch, which is a complete recording. */
export interface Kept {
  /** Name of its file. */
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

/** The time range to be kept, and the reasons. */
export interface Stretch {
  readonly reasons: readonly Reason[];
  readonly texts: readonly string[];
  readonly at: Date;
  /** Microseconds of the head's clock. */
  readonly from: number;
  readonly until: number;
}

/** Description of a stretch, stored in its folder of linked segments; null bounds are open. */
interface About {
  readonly about: Omit<Kept, "seconds" | "bytes">;
  readonly bounds: { readonly from: number | null; readonly until: number | null };
}

/** Events that are copied before the thread handles other work. */
const AT_ONCE = 32;
/** Most characters of the mark at the end of a kept recording. */
const LONGEST_MARK = 500;

/**
 * The folder of kept stretches. Segments are linked into a work folder at once, before the ring can drop them, and joined into one recording
 * later. A work folder that is left from an earlier run is joined at the start.
 */
export class KeptStretches {
  readonly #folder: string;
  readonly #most: number;
  readonly #say: (news: KeptNews) => void;
  #joining: Promise<void> = Promise.resolve();
  /** Reused for all recordings, because a head runs for weeks and new buffers would be garbage. */
  readonly #out = new MsgpackWriter();
  readonly #memory = new ReadMemory();

  /** @param most bytes of all recordings. Beyond it the oldest are deleted, except those that a person asked for. */
  constructor(folder: string, most: number, say: (news: KeptNews) => void) {
    this.#folder = folder;
    this.#most = most;
    this.#say = say;
  }

  /** Makes the folder, and joins the work folders of an earlier run. @throws file errors */
  restore(): void {
    makeFolder(this.#folder);
    for (const entry of readdirSync(this.#folder, { withFileTypes: true })) {
      if (isWork(entry)) this.#join(join(this.#folder, entry.name));
    }
  }

  /** Keeps segments of a ring, in order. @throws file errors when they cannot be linked */
  keep(paths: readonly string[], stretch: Stretch): void {
    this.#join(this.#link(paths, stretch));
  }

  /** Resolves when all stretches so far are joined. */
  get joined(): Promise<void> {
    return this.#joining;
  }

  /** Queues other work after the stretches so far, and before later ones. */
  whenJoined(work: () => Promise<void>): void {
    this.#joining = this.#joining.then(work);
  }

  /** Keeps segments from within such work. @throws file errors when they cannot be linked */
  keepNow(paths: readonly string[], stretch: Stretch): Promise<void> {
    return this.#joinNow(this.#link(paths, stretch));
  }

  /** All kept stretches, oldest first. */
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
            return []; // a description that a killed run wrote in part; its recording is complete
          }
        });
    } catch {
      return [];
    }
  }

  /** Links segments into a work folder, with the stretch's description. */
  #link(paths: readonly string[], { reasons, texts, at, from, until }: Stretch): string {
    const name = this.#freeName(at, reasons[0]!);
    const work = join(this.#folder, `.${name}`);
    makeFolder(work);
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
      // The links stay, and are joined at the next start.
      this.#say({ kind: "trouble", why: `not kept: ${troubleText(error)}` });
    }
  }

  /** Joins the linked segments into one recording. @returns null when they contain nothing of the stretch */
  async #copy(work: string): Promise<Kept | null> {
    const { about, bounds } = JSON.parse(readFileSync(join(work, "about.json"), "utf8")) as About;
    const part = join(work, "joined.part");
    const joiner = new Joiner(part, about.text, bounds, this.#out);
    const segments = readdirSync(work).filter((name) => name.endsWith(".brk"));
    for (const name of segments.sort()) {
      const recording = await openRecording(join(work, name), { memory: this.#memory }).catch(() => null);
      if (recording === null) continue; // the run was killed before it wrote the header
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

  /** Over the budget, deletes the oldest recordings, except those that a person asked for. */
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

/** Copies the events within the bounds from segments, one after the other, into one recording. */
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
  /** The level of load shedding before the first event within the bounds. */
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
    // A recording cannot contain events of two setups. The later segments are kept, because they contain the reason.
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
