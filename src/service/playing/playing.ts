import { isDeepStrictEqual } from "node:util";
import { resolveSettings, SettingError, type Settings } from "../../head/settings.ts";
import type { Recording } from "../../record/file.ts";
import type { FromSensing, SensingStart, ToSensing } from "../sensing/sensing-messages.ts";
import { Baseline, noBaseline } from "./baseline.ts";
import { type Outline, outlineOf } from "./moments.ts";
import { type FrameOutputs, Journal, PlayedHead } from "./played-head.ts";
import { PlayingClock } from "./playing-clock.ts";
import type { FromPlaying, PlayWish, Position, ToPlaying } from "./playing-messages.ts";
import { PlayingReports } from "./playing-reports.ts";
import { RunAhead } from "./run-ahead.ts";

/** Milliseconds of work before the thread handles messages again. */
const SLICE = 12;
/** Microseconds: playback that is late by more than this is slowed down. */
const MOST_BEHIND = 250_000;
/** Milliseconds: longest wait before the next event is checked again. */
const LONGEST_WAIT = 50;
/** Microseconds: events that are due within this time are taken now. */
const EARLY = 500;
/** Microseconds: pause before the recording repeats. */
const PAUSE = 1_500_000;
/** Microseconds between two reports of the baseline. */
const TELL_BASELINE_EVERY = 60_000;
/** While the played head is busy, the head ahead gets one slice of time out of this many. */
const EVERY_NTH_AHEAD = 4;
/** Metres: least voxel size that a client may set. The demo's map takes 4.5 MB with it, nine times as much as with 0.05 m (`replay --set map.voxelSize=0.02`). */
const LEAST_VOXEL = 0.02;

/**
 * Plays a recording through a head, and seeks in it. To seek backwards, another head runs from the start up to the position. The head is
 * deterministic, so the outputs of a frame do not depend on earlier seeks. Every frame is mapped; on a slow machine the playback is slower.
 *
 * The outputs of each frame are kept in a journal, so that a seek to a known frame shows its numbers at once. The map follows when the head
 * has reached the frame.
 *
 * A position is a number of frames; it includes all events before the next frame. Stamps are converted to the present time of the head's
 * clock.
 */
export class Playing {
  readonly #recording: Recording;
  readonly #start: SensingStart;
  readonly #say: (message: FromPlaying) => void;
  readonly #now: () => number;
  readonly #outline: Outline;
  readonly #reports: PlayingReports;
  #settings: Settings;
  #head: PlayedHead;
  readonly #clock: PlayingClock;
  #repeat = true;
  /** The position that the head seeks, where it pauses, or plays on if `playsOn`; null while it plays or is paused. */
  #goal: number | null = null;
  #goalFrom = 0;
  #playsOn = false;
  /** Whether another head has begun, while the shown outputs are still of the last one. */
  #isRestarted = false;
  /** Time of the next repetition, by the head's clock; 0 while none is due. */
  #resumeAt = 0;
  #shown = { frames: 0, time: 0 };
  #outputs: FrameOutputs = {};
  #journal = new Journal();
  /** The head ahead. */
  #ahead: RunAhead;
  /** Slices of work since the head ahead had one. */
  #slicesWithoutAhead = 0;
  /** The baseline of the comparison; null while the settings are the baseline's own. */
  #baseline: Baseline | null = null;
  #toldBaseline = 0;
  /** Blocks and tiles of the map that are sent, and questions that are answered, after the seek. */
  #heldBlocks: FromSensing[] = [];
  #questions: ToSensing[] = [];
  #wanted: ToSensing | null = null;
  /** Goals to which ways are watched. */
  readonly #watched = new Map<number, ToSensing>();
  #isReady = false;
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
    this.#outline = outlineOf(recording);
    this.#reports = new PlayingReports(this.#outline, say, now());
    this.#clock = new PlayingClock(now(), this.#outline.first);
    this.#head = this.#open();
    this.#ahead = this.#runAhead();
    this.#tell();
    this.#wake(0);
  }

  #open(settings = this.#settings, hear = (message: FromSensing) => this.#hear(message)): PlayedHead {
    return new PlayedHead(this.#recording, { ...this.#start, settings }, this.#outline.first, hear);
  }

  #runAhead(): RunAhead {
    return new RunAhead(this.#outline, this.#settings, this.#journal, (hear) =>
      this.#open(this.#settings, hear),
    );
  }

  take(message: ToPlaying): void {
    switch (message.kind) {
      case "play":
        this.#play(message.wish);
        this.#say({ kind: "done", ticket: message.ticket, bytes: null, revision: 0 });
        break;
      case "bookmark":
        this.#reports.mark(this.#at, message.text);
        this.#wake(0);
        break;
      case "change":
        this.#change(message.ticket, message.settings);
        break;
      case "clear":
      case "undo":
      case "load":
      case "sensors":
        this.#refuse(message.ticket, "this head plays a recording, which makes its map");
        break;
      case "event":
      case "frame":
        break; // a recording's events come from its file
      case "pictures":
        this.#wanted = message;
        this.#head.sensing.take(message);
        break;
      case "watch":
        if (message.goal === null) this.#watched.delete(message.watch);
        else this.#watched.set(message.watch, message);
        this.#head.sensing.take(message);
        break;
      default:
        if (this.#goal === null) this.#head.sensing.take(message);
        else this.#questions.push(message);
    }
  }

  #refuse(ticket: number, message: string): void {
    this.#say({ kind: "refused", ticket, message });
  }

  /** Replaces the head by one with other settings, and runs it up to the same frame. */
  #change(ticket: number, change: Readonly<Record<string, number | string>>): void {
    const before = this.#settings;
    try {
      this.#settings = resolveSettings({ ...before, ...change });
      const isResized = this.#settings["map.voxelSize"] !== before["map.voxelSize"];
      if (isResized) this.#checkVoxels();
      const to = this.#goal ?? this.#head.frames;
      this.#begin();
      this.#baseline ??= new Baseline(before, this.#ahead, (settings, hear) => this.#open(settings, hear));
      if (isDeepStrictEqual(this.#baseline.settings, this.#settings)) {
        this.#journal = this.#baseline.journal;
        this.#ahead = this.#baseline.ahead;
        this.#baseline = null;
      } else {
        this.#journal = new Journal();
        this.#ahead = this.#runAhead();
      }
      this.#reports.restartAhead();
      this.#tellBaseline();
      // Before the messages of the seek, which are of the new map.
      if (isResized) this.#say({ kind: "resized", voxelSize: this.#settings["map.voxelSize"] });
      this.#seek(to, this.#goal !== null ? this.#playsOn : this.#clock.speed > 0);
      this.#say({ kind: "changed", ticket, settings: this.#settings });
    } catch (error) {
      if (!(error instanceof SettingError) && !(error instanceof RangeError)) throw error;
      this.#settings = before;
      this.#refuse(ticket, error.message);
    }
  }

  /** @throws {SettingError} for voxels that are too small, except those of the baseline */
  #checkVoxels(): void {
    const size = this.#settings["map.voxelSize"];
    if (size >= LEAST_VOXEL || size === this.#baseline?.settings["map.voxelSize"]) return;
    throw new SettingError(
      `map.voxelSize can be changed to ${LEAST_VOXEL} m or more while a recording is played, because three heads of smaller voxels may ` +
        `take too much memory: for ${size} m end the head, set it in the settings file (--config), start again`,
    );
  }

  get #at(): number {
    return Math.max(0, this.#shown.time - this.#outline.first);
  }

  #play({ to, step, speed, repeat, baseline }: PlayWish): void {
    if (baseline === true) {
      this.#baseline = null;
      this.#tellBaseline();
      this.#reports.restartAhead();
    }
    if (repeat !== undefined) this.#repeat = repeat;
    if (speed !== undefined) {
      this.#anchor();
      this.#clock.speed = speed;
      if (this.#goal !== null) this.#playsOn = speed > 0;
      else if (speed === 0) this.#seek(this.#head.frames, false);
      else if (this.#head.next === null) this.#seek(0, true);
    }
    const here = this.#goal ?? this.#head.frames;
    if (to !== undefined) this.#seek(this.#framesAt(to), this.#clock.speed > 0);
    else if (step !== undefined) {
      this.#clock.speed = 0;
      this.#seek(here + step, false);
    }
    this.#wake(0);
  }

  /** Number of frames up to a time from the start. */
  #framesAt(to: number): number {
    const { frames, first } = this.#outline;
    let count = 0;
    while (count < frames.length && frames[count]! - first <= to) count++;
    return count;
  }

  /** Seeks a position. The first position has one frame, so that there is something to show. */
  #seek(frames: number, playsOn: boolean): void {
    const goal = Math.min(Math.max(1, frames), this.#outline.frames.length);
    if (goal < this.#head.frames) this.#begin();
    this.#goal = goal;
    this.#goalFrom = this.#head.frames;
    this.#playsOn = playsOn;
    this.#head.hold();
    const known = this.#journal.get(goal);
    if (known !== undefined) {
      this.#clock.anchor(this.#now(), this.#outline.frames[goal - 1]!);
      this.#showAll(known, goal);
    }
    this.#tell();
    this.#wake(0);
  }

  #begin(): void {
    this.#head = this.#open();
    if (this.#wanted !== null) this.#head.sensing.take(this.#wanted);
    for (const message of this.#watched.values()) this.#head.sensing.take(message);
    this.#head.hold();
    this.#isRestarted = true;
    this.#outputs = {};
    this.#heldBlocks = [];
  }

  #anchor(): void {
    this.#clock.anchor(this.#now(), this.#head.time);
  }

  #wake(milliseconds: number): void {
    if (this.#timer !== null) clearTimeout(this.#timer);
    this.#timer = setTimeout(() => this.#work(), milliseconds);
  }

  #work(): void {
    this.#timer = null;
    const begun = performance.now();
    let pause = this.#goal !== null ? this.#catchUp(begun) : this.#follow(begun);
    if (this.#baseline !== null && this.#goal === null && !this.#runBaseline(this.#baseline)) pause = 0;
    this.#reports.addWork(performance.now() - begun);
    const ahead = this.#ahead.isDone ? (this.#baseline?.ahead ?? this.#ahead) : this.#ahead;
    if (!ahead.isDone && this.#hasTimeAhead(pause)) {
      ahead.work(SLICE);
      pause = 0;
    }
    this.tick();
    if (pause !== null) this.#wake(pause);
  }

  /** Whether the head ahead may work: while nothing else does, and in every EVERY_NTH_AHEAD-th slice, so that it also ends on a busy machine. */
  #hasTimeAhead(pause: number | null): boolean {
    const isIdle = pause === null || pause > 0;
    this.#slicesWithoutAhead = isIdle ? 0 : this.#slicesWithoutAhead + 1;
    if (!isIdle && this.#slicesWithoutAhead % EVERY_NTH_AHEAD !== 0) return false;
    return true;
  }

  /** Runs the head towards the goal. @returns milliseconds until the next work; null when paused */
  #catchUp(begun: number): number | null {
    const head = this.#head;
    while (performance.now() - begun < SLICE) {
      const isThere = head.frames >= this.#goal! && head.isBetweenFrames;
      if (isThere) {
        this.#arrive();
        this.#toldBaseline = 0;
        return this.#clock.speed > 0 ? 0 : null;
      }
      this.#step();
    }
    return 0;
  }

  /** Takes one event. The outputs of a frame are complete when the next frame comes. */
  #step(): void {
    const head = this.#head;
    if (head.next?.kind === "depth") this.#keep();
    head.step();
    if (head.next === null) this.#keep();
  }

  #keep(): void {
    const { frames } = this.#head;
    if (frames === 0 || this.#journal.has(frames)) return;
    this.#journal.add(frames, this.#outputs);
  }

  /** Runs the baseline's head up to the shown frame. @returns whether it has reached it */
  #runBaseline(baseline: Baseline): boolean {
    if (!baseline.reach(this.#shown.frames, SLICE)) return false;
    if (this.#now() - this.#toldBaseline > TELL_BASELINE_EVERY || this.#clock.speed === 0)
      this.#tellBaseline();
    return true;
  }

  #tellBaseline(): void {
    this.#toldBaseline = this.#now();
    const { frames } = this.#shown;
    this.#say({
      kind: "baseline",
      ...(this.#baseline?.messageOf(frames, this.#settings) ?? noBaseline(frames)),
    });
  }

  #arrive(): void {
    this.#goal = null;
    if (!this.#playsOn) this.#clock.speed = 0;
    this.#anchor();
    if (this.#isRestarted) {
      this.#isRestarted = false;
      this.#say({ kind: "restarted" });
    }
    for (const blocks of this.#heldBlocks) this.#say(blocks);
    this.#heldBlocks = [];
    this.#showAll(this.#outputs, this.#head.frames);
    this.#head.release();
    this.#head.sensing.showAgain();
    const questions = this.#questions;
    this.#questions = [];
    for (const question of questions) this.#head.sensing.take(question);
    this.#tell();
  }

  #showAll(outputs: FrameOutputs, frames: number): void {
    this.#shown = { frames, time: this.#outline.frames[frames - 1] ?? this.#outline.first };
    for (const kind of ["reach", "frame", "brinks"] as const) {
      const one = outputs[kind];
      if (one !== undefined) this.#show(one);
    }
  }

  /** Plays by the clock. @returns as #catchUp */
  #follow(begun: number): number | null {
    if (this.#clock.speed === 0) return null;
    const head = this.#head;
    while (performance.now() - begun < SLICE) {
      if (head.next === null) return this.#end();
      const now = this.#now();
      const early = this.#clock.stamp(head.next.time) - now;
      if (early > EARLY) return Math.min(LONGEST_WAIT, early / 1000);
      if (early < -MOST_BEHIND) this.#clock.anchor(now, head.next.time);
      this.#step();
      this.#shown = { frames: head.frames, time: this.#outline.frames[head.frames - 1] ?? head.time };
    }
    return 0;
  }

  #end(): number | null {
    const now = this.#now();
    if (!this.#repeat || this.#outline.frames.length === 0) {
      this.#clock.speed = 0;
      this.#tell();
      return null;
    }
    if (this.#resumeAt === 0) this.#resumeAt = now + PAUSE;
    if (now < this.#resumeAt) return LONGEST_WAIT;
    this.#resumeAt = 0;
    this.#seek(0, true);
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
        this.#reports.takeLoad(message, !isOnTheWay);
        break;
      case "frame":
      case "reach":
      case "brinks": {
        const known = message.kind === "frame" ? { ...message, cost: this.#head.cost } : message;
        this.#outputs[message.kind] = known;
        if (!isOnTheWay) this.#show(known);
        break;
      }
      case "knock":
      case "waiver":
      case "finding":
      case "track":
      case "frozen":
      case "lens":
      case "image":
      case "ground":
      case "trail":
      case "way":
        if (!isOnTheWay) this.#say({ ...message, time: this.#clock.stamp(message.time) });
        break;
      case "skipped":
        if (!isOnTheWay) this.#say(message);
        break;
      case "blocks":
      case "tiles":
        if (isOnTheWay) this.#heldBlocks.push(message);
        else this.#say(message);
        break;
      case "answer":
        this.#say({ ...message, time: message.time === null ? null : this.#clock.stamp(message.time) });
        break;
      default:
        this.#say(message);
    }
  }

  #show(message: FromSensing): void {
    if (message.kind !== "reach" && message.kind !== "frame" && message.kind !== "brinks") return;
    this.#say({ ...message, time: this.#clock.stamp(message.time) });
  }

  /** Sends the reports that are due, also while paused. Called a few times a second. */
  tick(): void {
    this.#reports.report(this.#now(), this.#position, this.#ahead, this.#baseline?.ahead ?? null);
  }

  #tell(): void {
    this.#reports.tellPosition(this.#now(), this.#position);
  }

  get #position(): Position {
    const goal = this.#goal;
    const { frames, first } = this.#outline;
    const way = goal === null ? 0 : goal - this.#goalFrom;
    return {
      at: this.#at,
      frame: this.#shown.frames,
      speed: this.#clock.speed,
      repeat: this.#repeat,
      goal: goal === null ? null : Math.max(0, (frames[goal - 1] ?? first) - first),
      share: goal === null ? 1 : way <= 0 ? 0 : (this.#head.frames - this.#goalFrom) / way,
    };
  }
}
