import { isDeepStrictEqual } from "node:util";
import { resolveSettings, SettingError, type Settings } from "../head/settings.ts";
import type { Recording } from "../record/file.ts";
import type { HeadEvent } from "../sense/events.ts";
import type { FromClient, FromServer } from "../wire/messages.ts";
import { FrameWriter, frameSlotMemory } from "./frame-slot.ts";
import { type Moment, Noticer, type Outline, outlineOf } from "./moments.ts";
import {
  addCounts,
  type EventTotals,
  type FromSensing,
  Sensing,
  type SensingStart,
  type ToSensing,
} from "./sensing.ts";

export interface PlayingStart extends SensingStart {
  readonly path: string;
}

export type PlayWish = Omit<FromClient<"play">, "kind" | "id">;
export type ToPlaying =
  | ToSensing
  | { readonly kind: "play"; readonly ticket: number; readonly wish: PlayWish }
  | { readonly kind: "bookmark"; readonly text: string };

export type Position = Omit<FromServer<"playing">, "kind" | "sequence" | "time">;
export type Baseline = Omit<FromServer<"baseline">, "kind" | "sequence" | "time">;
export type FromPlaying =
  | FromSensing
  /** The head begins anew: what was sent of its map is void. */
  | { readonly kind: "restarted" }
  | ({ readonly kind: "baseline" } & Baseline)
  | ({ readonly kind: "playing" } & Position)
  | {
      readonly kind: "recording";
      readonly length: number;
      readonly frames: number;
      readonly moments: readonly Moment[];
    };

/** Messages are listened for at least this often while the head is on its way, milliseconds. */
const SLICE = 12;
/** Behind by more than this, the recording plays slower than was asked, microseconds. */
const MOST_BEHIND = 250_000;
/** Between two rounds, microseconds. */
const PAUSE = 1_500_000;
const TELL_EVERY = 100_000;
/** Frames of which what the head said is kept; some 4 kB each. */
const MOST_KEPT = 8192;

/** What the head said last before a frame. */
type Said = Partial<Record<"reach" | "frame" | "brinks", FromSensing>>;
const TELL_BASELINE_EVERY = 60_000;
const TELL_MOMENTS_EVERY = 500_000;

/** What another head, with the settings of before, says of the same frames. */
interface Shadow {
  readonly settings: Settings;
  readonly journal: Map<number, Said>;
  /** Follows where the journal does not go yet. */
  run: Run | null;
  said: Said;
}

/** A head on its way through the recording from the start, fed with the recording's own times. */
class Run {
  readonly sensing: Sensing;
  readonly #events: Iterator<HeadEvent>;
  readonly #writers: readonly FrameWriter[];
  /** The event to be taken next; null at the end. */
  next: HeadEvent | null;
  /** Frames taken. */
  frames = 0;
  /** The head's clock: the time of the newest event. It stands while nothing is to be published of the map. */
  clock: number;
  time: number;
  isHolding = false;
  /** Milliseconds that the newest frame has taken so far. */
  #begun = 0;

  /** @param start its slots are the run's own. @throws {SettingError | RangeError} when the settings do not fit */
  constructor(recording: Recording, start: SensingStart, first: number, say: (message: FromSensing) => void) {
    this.clock = this.time = first;
    this.#writers = start.slots.map((memory) => new FrameWriter(memory));
    this.sensing = new Sensing(start, say, () => this.clock);
    this.#events = recording.events();
    this.next = this.#events.next().value ?? null;
  }

  get cost(): number {
    return performance.now() - this.#begun;
  }

  step(): void {
    const event = this.next;
    if (event === null) return;
    this.time = event.time;
    if (!this.isHolding) this.clock = event.time;
    this.#begun = performance.now();
    if (event.kind === "depth") {
      this.frames++;
      this.#takeFrame(event);
    } else this.sensing.take({ kind: "event", event });
    this.next = this.#events.next().value ?? null;
  }

  #takeFrame({ sensor, time, sequence, counts, amplitude }: Extract<HeadEvent, { kind: "depth" }>): void {
    const writer = this.#writers[sensor];
    if (writer === undefined) return;
    writer.counts.set(counts);
    if (amplitude !== null) writer.amplitude.set(amplitude);
    writer.publish({ time, arrival: time, sequence, hasAmplitude: amplitude !== null });
    this.sensing.take({ kind: "frame", sensor });
  }

  /** Publishes what waits of the map. */
  release(blocksEvery: number): void {
    this.isHolding = false;
    this.clock = Math.max(this.time, this.clock + blocksEvery);
    this.sensing.tick(this.clock);
    this.clock = this.time;
  }
}

/**
 * A recording played through a head, which can be moved about in it. The head is deterministic, so going back is beginning
 * anew and running up to there: what is shown of a frame is what the head says of it, whichever way one came. Each frame is
 * mapped; where the machine is too slow, the recording plays slower.
 *
 * What it said of each frame is kept, so that numbers are there at once on the way back; the map follows.
 *
 * Places are between frames: all that comes before the next frame has been taken. Stamps of what is said are moved to the
 * head's clock of now, as if the recording happened now.
 */
export class Playing {
  readonly #recording: Recording;
  readonly #start: SensingStart;
  readonly #say: (message: FromPlaying) => void;
  readonly #now: () => number;
  readonly #outline: Outline;
  readonly #noticer = new Noticer();
  readonly #marks: Moment[] = [];
  /** Since the last report. */
  #events: EventTotals = {};
  #settings: Settings;
  #run: Run;
  #speed = 1;
  #repeat = true;
  /** Frames after which it stands still, or goes on if `isPassing`; null while it just plays. */
  #goal: number | null = null;
  #goalFrom = 0;
  #isPassing = false;
  /** The head began anew, and what is shown is still of the one before. */
  #isAnew = false;
  #anchorHead: number;
  #anchorTime: number;
  #resumeAt = 0;
  #shown = { frames: 0, time: 0 };
  /** The newest of each, and what it was behind so many frames. */
  #said: Said = {};
  #journal = new Map<number, Said>();
  /** What the settings are compared with; null while they are those of the start, or were kept. */
  #shadow: Shadow | null = null;
  #toldBaseline = 0;
  #heldBlocks: FromSensing[] = [];
  #questions: ToSensing[] = [];
  #wanted: ToSensing | null = null;
  #isReady = false;
  #size = { blocks: 0, revision: 0 };
  #worked = 0;
  #loadSince: number;
  #told = 0;
  #toldMoments = Number.NEGATIVE_INFINITY;
  #areMomentsNew = true;
  #timer: ReturnType<typeof setTimeout> | null = null;

  /** @throws {SettingError | RangeError} when setup or settings do not fit */
  constructor(
    recording: Recording,
    start: SensingStart,
    say: (message: FromPlaying) => void,
    now: () => number,
  ) {
    this.#recording = recording;
    this.#start = start;
    this.#say = say;
    this.#now = now;
    this.#settings = resolveSettings(start.settings);
    this.#outline = outlineOf(recording.outline());
    this.#anchorHead = this.#loadSince = now();
    this.#anchorTime = this.#outline.first;
    this.#run = this.#open();
    this.#tell();
    this.#wake(0);
  }

  #open(settings = this.#settings, hear = (message: FromSensing) => this.#hear(message)): Run {
    // Slots of its own: a writer and a reader share one from its beginning.
    const slots = this.#start.setup.sensors.map(({ optics }) =>
      frameSlotMemory(optics.width * optics.height),
    );
    return new Run(this.#recording, { ...this.#start, slots, settings }, this.#outline.first, hear);
  }

  take(message: ToPlaying): void {
    switch (message.kind) {
      case "play":
        this.#play(message.wish);
        this.#say({ kind: "done", ticket: message.ticket, bytes: null, revision: 0 });
        break;
      case "bookmark":
        this.#marks.push({ at: this.#at, what: "mark", text: message.text });
        this.#areMomentsNew = true;
        this.#wake(0);
        break;
      case "change":
        this.#change(message.ticket, message.settings);
        break;
      case "clear":
      case "load":
      case "sensors":
        this.#refuse(message.ticket, "this head plays a recording, which makes its map");
        break;
      case "event":
      case "frame":
        break; // a recording's own come from its file
      case "pictures":
        this.#wanted = message;
        this.#run.sensing.take(message);
        break;
      default:
        if (this.#goal === null) this.#run.sensing.take(message);
        else this.#questions.push(message);
    }
  }

  #refuse(ticket: number, message: string): void {
    this.#say({ kind: "refused", ticket, message });
  }

  /** Other settings: the head begins anew with them and comes up to the same frame. */
  #change(ticket: number, change: Readonly<Record<string, number | string>>): void {
    const before = this.#settings;
    try {
      this.#settings = resolveSettings({ ...before, ...change });
      if (this.#settings["map.voxelSize"] !== before["map.voxelSize"]) {
        throw new SettingError("map.voxelSize cannot change while a recording is played");
      }
      const to = this.#goal ?? this.#run.frames;
      this.#begin();
      this.#noticer.forget();
      this.#areMomentsNew = true;
      this.#shadow ??= { settings: before, journal: this.#journal, run: null, said: {} };
      this.#journal = new Map();
      if (isDeepStrictEqual(this.#shadow.settings, this.#settings)) {
        this.#journal = this.#shadow.journal;
        this.#shadow = null;
      }
      this.#tellBaseline();
      this.#head(to, this.#goal !== null ? this.#isPassing : this.#speed > 0);
      this.#say({ kind: "changed", ticket, settings: this.#settings });
    } catch (error) {
      if (!(error instanceof SettingError) && !(error instanceof RangeError)) throw error;
      this.#settings = before;
      this.#refuse(ticket, error.message);
    }
  }

  get #at(): number {
    return Math.max(0, this.#shown.time - this.#outline.first);
  }

  #play({ to, step, speed, repeat, baseline }: PlayWish): void {
    if (baseline === true) {
      this.#shadow = null;
      this.#tellBaseline();
    }
    if (repeat !== undefined) this.#repeat = repeat;
    if (speed !== undefined) {
      this.#anchor();
      this.#speed = speed;
      if (this.#goal !== null) this.#isPassing = speed > 0;
      else if (speed === 0) this.#head(this.#run.frames, false);
      else if (this.#run.next === null) this.#head(0, true);
    }
    const here = this.#goal ?? this.#run.frames;
    if (to !== undefined) this.#head(this.#framesAt(to), this.#speed > 0);
    else if (step !== undefined) {
      this.#speed = 0;
      this.#head(here + step, false);
    }
    this.#wake(0);
  }

  /** How many frames there are up to a time from the start. */
  #framesAt(to: number): number {
    const { frames, first } = this.#outline;
    let count = 0;
    while (count < frames.length && frames[count]! - first <= to) count++;
    return count;
  }

  /** Makes for the place behind so many frames: there is something to be seen from the first on. */
  #head(frames: number, isPassing: boolean): void {
    const goal = Math.min(Math.max(1, frames), this.#outline.frames.length);
    if (goal < this.#run.frames) this.#begin();
    this.#goal = goal;
    this.#goalFrom = this.#run.frames;
    this.#isPassing = isPassing;
    this.#run.isHolding = true;
    const known = this.#journal.get(goal);
    if (known !== undefined) {
      this.#anchorHead = this.#now();
      this.#anchorTime = this.#outline.frames[goal - 1]!;
      this.#showAll(known, goal);
    }
    this.#tell();
    this.#wake(0);
  }

  #begin(): void {
    this.#run = this.#open();
    if (this.#wanted !== null) this.#run.sensing.take(this.#wanted);
    this.#noticer.again();
    this.#run.isHolding = true;
    this.#isAnew = true;
    this.#said = {};
    this.#heldBlocks = [];
  }

  /** From here on the recording's time goes with the head's clock. */
  #anchor(): void {
    this.#anchorHead = this.#now();
    this.#anchorTime = this.#run.time;
  }

  /** The head's clock when something of the recording's time is shown. */
  #stamp(time: number): number {
    return Math.round(this.#anchorHead + (time - this.#anchorTime) / (this.#speed || 1));
  }

  #wake(milliseconds: number): void {
    if (this.#timer !== null) clearTimeout(this.#timer);
    this.#timer = setTimeout(() => this.#go(), milliseconds);
  }

  #go(): void {
    this.#timer = null;
    const begun = performance.now();
    let pause = this.#goal !== null ? this.#catchUp(begun) : this.#follow(begun);
    if (this.#shadow !== null && this.#goal === null && this.#shade(this.#shadow)) pause = 0;
    this.#worked += performance.now() - begun;
    this.#report();
    if (pause !== null) this.#wake(pause);
  }

  /** On the way to a goal. @returns milliseconds until the next turn, null when it stands */
  #catchUp(begun: number): number | null {
    const run = this.#run;
    while (performance.now() - begun < SLICE) {
      const isThere = run.frames >= this.#goal! && (run.next === null || run.next.kind === "depth");
      if (isThere) {
        this.#arrive();
        this.#toldBaseline = 0;
        return this.#speed > 0 ? 0 : null;
      }
      this.#step();
    }
    return 0;
  }

  /** One event; what was said of a frame is known when the next one comes. */
  #step(): void {
    const run = this.#run;
    if (run.next?.kind === "depth") this.#keep();
    run.step();
    if (run.next === null) this.#keep();
  }

  #keep(): void {
    const { frames } = this.#run;
    if (frames === 0 || this.#journal.has(frames)) return;
    this.#journal.set(frames, { ...this.#said });
    if (this.#journal.size > MOST_KEPT) this.#journal.delete(this.#journal.keys().next().value!);
  }

  /** Lets the head of before come up to what is shown. @returns whether it is still on its way */
  #shade(shadow: Shadow): boolean {
    const { frames } = this.#shown;
    const begun = performance.now();
    while (!shadow.journal.has(frames)) {
      if (performance.now() - begun > SLICE) return true;
      if (shadow.run === null || shadow.run.frames > frames || shadow.run.next === null) {
        shadow.said = {};
        shadow.run = this.#open(shadow.settings, (message) => {
          const { kind } = message;
          if (kind === "reach" || kind === "frame" || kind === "brinks") shadow.said[kind] = message;
        });
        shadow.run.isHolding = true;
      }
      const { run } = shadow;
      const isDue = run.next?.kind === "depth" && run.frames > 0;
      if (isDue) shadow.journal.set(run.frames, { ...shadow.said });
      if (isDue && run.frames === frames) break;
      run.step();
      if (run.next === null) shadow.journal.set(run.frames, { ...shadow.said });
    }
    if (this.#now() - this.#toldBaseline > TELL_BASELINE_EVERY || this.#speed === 0) this.#tellBaseline();
    return false;
  }

  /** What the head of before says of what is shown; or that there is none. */
  #tellBaseline(): void {
    this.#toldBaseline = this.#now();
    const { frames } = this.#shown;
    const [settings, shadow] = [this.#settings as Readonly<Record<string, number | string>>, this.#shadow];
    if (shadow === null) {
      this.#say({ kind: "baseline", frame: frames, changes: [], reach: null, position: null, class: null });
      return;
    }
    const { reach, frame } = shadow.journal.get(frames) ?? {};
    const body = reach?.kind === "reach" ? reach.body : null;
    const changes = Object.entries(shadow.settings)
      .filter(([name, value]) => settings[name] !== value)
      .map(([name, baseline]) => ({ name, baseline, now: settings[name]! }));
    this.#say({
      ...{ kind: "baseline", frame: frames, changes },
      reach: body && {
        ...{ state: body.state, first: body.first, step: body.step, range: body.range, pace: body.pace },
        ...{ distanceMm: body.distanceMm, what: body.what },
      },
      position: frame?.kind === "frame" ? frame.worldFromBase.position : null,
      class: frame?.kind === "frame" ? (frame.track?.hold ?? String(shadow.settings["pose.source"])) : null,
    });
  }

  #arrive(): void {
    this.#goal = null;
    if (!this.#isPassing) this.#speed = 0;
    this.#anchor();
    if (this.#isAnew) {
      this.#isAnew = false;
      this.#say({ kind: "restarted" });
    }
    for (const blocks of this.#heldBlocks) this.#say(blocks);
    this.#heldBlocks = [];
    this.#showAll(this.#said, this.#run.frames);
    this.#run.release(this.#start.blocksEvery);
    this.#run.sensing.showAgain();
    const questions = this.#questions;
    this.#questions = [];
    for (const question of questions) this.#run.sensing.take(question);
    this.#tell();
  }

  #showAll(said: Said, frames: number): void {
    this.#shown = { frames, time: this.#outline.frames[frames - 1] ?? this.#outline.first };
    for (const kind of ["reach", "frame", "brinks"] as const) {
      const one = said[kind];
      if (one !== undefined) this.#show(one);
    }
  }

  /** In step with the clock. */
  #follow(begun: number): number | null {
    if (this.#speed === 0) return null;
    const run = this.#run;
    while (performance.now() - begun < SLICE) {
      if (run.next === null) return this.#end();
      const now = this.#now();
      const early = this.#stamp(run.next.time) - now;
      if (early > 500) return Math.min(50, early / 1000);
      if (early < -MOST_BEHIND) {
        this.#anchorHead = now;
        this.#anchorTime = run.next.time;
      }
      this.#step();
      this.#shown = { frames: run.frames, time: this.#outline.frames[run.frames - 1] ?? run.time };
    }
    return 0;
  }

  #end(): number | null {
    const now = this.#now();
    if (!this.#repeat || this.#outline.frames.length === 0) {
      this.#speed = 0;
      this.#tell();
      return null;
    }
    if (this.#resumeAt === 0) this.#resumeAt = now + PAUSE;
    if (now < this.#resumeAt) return 50;
    this.#resumeAt = 0;
    this.#head(0, true);
    return 0;
  }

  #hear(message: FromSensing): void {
    const isOnTheWay = this.#goal !== null;
    switch (message.kind) {
      case "ready":
        if (!this.#isReady) this.#say(message);
        this.#isReady = true;
        break;
      case "load":
        this.#size = { blocks: message.blocks, revision: message.revision };
        if (!isOnTheWay) addCounts(this.#events, message.events);
        break;
      case "frame":
      case "reach":
      case "brinks": {
        this.#notice(message);
        const known = message.kind === "frame" ? { ...message, cost: this.#run.cost } : message;
        this.#said[message.kind] = known;
        if (!isOnTheWay) this.#show(known);
        break;
      }
      case "knock":
      case "waiver":
      case "finding":
      case "track":
        this.#notice(message);
        if (!isOnTheWay) this.#say({ ...message, time: this.#stamp(message.time) });
        break;
      case "image":
      case "ground":
      case "trail":
        if (!isOnTheWay) this.#say({ ...message, time: this.#stamp(message.time) });
        break;
      case "skipped":
        if (!isOnTheWay) this.#say(message);
        break;
      case "blocks":
        if (isOnTheWay) this.#heldBlocks.push(message);
        else this.#say(message);
        break;
      case "answer":
        this.#say({ ...message, time: message.time === null ? null : this.#stamp(message.time) });
        break;
      default:
        this.#say(message);
    }
  }

  #notice(message: FromSensing): void {
    if (this.#noticer.hear(message, this.#outline.first)) this.#areMomentsNew = true;
  }

  #show(message: FromSensing): void {
    if (message.kind !== "reach" && message.kind !== "frame" && message.kind !== "brinks") return;
    this.#say({ ...message, time: this.#stamp(message.time) });
  }

  /** What is due now and then, also while it stands: called a few times a second. */
  tick(): void {
    this.#report();
  }

  #report(): void {
    const now = this.#now();
    if (now - this.#told >= TELL_EVERY && (this.#speed > 0 || this.#goal !== null)) this.#tell();
    if (this.#areMomentsNew && now - this.#toldMoments >= TELL_MOMENTS_EVERY) this.#tellMoments(now);
    if (now - this.#loadSince < TELL_MOMENTS_EVERY) return;
    const busy = Math.min(1, (1000 * this.#worked) / (now - this.#loadSince));
    this.#say({ kind: "load", busy, shed: 0, ...this.#size, events: this.#events, leftOut: 0 });
    this.#events = {};
    this.#worked = 0;
    this.#loadSince = now;
  }

  #tell(): void {
    this.#told = this.#now();
    const goal = this.#goal;
    const { frames, first } = this.#outline;
    const way = goal === null ? 0 : goal - this.#goalFrom;
    this.#say({
      kind: "playing",
      ...{ at: this.#at, frame: this.#shown.frames, speed: this.#speed, repeat: this.#repeat },
      goal: goal === null ? null : Math.max(0, (frames[goal - 1] ?? first) - first),
      share: goal === null ? 1 : way <= 0 ? 0 : (this.#run.frames - this.#goalFrom) / way,
    });
  }

  #tellMoments(now: number): void {
    this.#areMomentsNew = false;
    this.#toldMoments = now;
    const { frames, first, last, moments } = this.#outline;
    const all = [...moments, ...this.#noticer.moments, ...this.#marks].sort((a, b) => a.at - b.at);
    this.#say({ kind: "recording", length: last - first, frames: frames.length, moments: all });
  }
}
