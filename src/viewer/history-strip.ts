import type { FromServer } from "../wire/messages.ts";
import { canvasSized } from "./canvas.ts";
import { setText } from "./dom.ts";
import { signOf } from "./event-signs.ts";
import { isFit, type Note, ReachEvents } from "./reach-events.ts";
import { whyText } from "./reach-text.ts";
import { ageText } from "./text.ts";
import type { Theme } from "./theme.ts";

/** Seconds: time span of the strip, and spacing of its lines. */
const SPAN = 120;
const EVERY = 30;
/** Reaches that are kept: 30 a second over the time span, and a margin. */
const SAMPLES = 4096;
/** Milliseconds: ages above this are drawn at full height. */
const TALLEST = 250;
/** Pixels: margin below for the seconds, and above for the signs of events. */
const FOOT = 16;
const HEAD = 14;
/** Pixels: height of the lane for the load, below pace and age, and the gap between them. */
const LANE = 18;
const GAP = 4;
const MOST_NOTES = 200;
/** Microseconds: a clock that jumps back by more belongs to another head. */
const OTHER_CLOCK = 1e6;
/** Seconds: reaches further from a place on the strip are not read out there. */
const NEAR = 1;
/** Seconds by which each key moves the place that is read out. */
const KEYS: Readonly<Record<string, number>> = { ArrowLeft: 1, ArrowRight: -1, PageUp: 10, PageDown: -10 };

const LEGEND = "line: pace; grey bars: age of the answers; below: load";

type Reach = FromServer<"reach">;

/** One drawing of the strip. */
interface Frame {
  readonly c: CanvasRenderingContext2D;
  readonly theme: Theme;
  readonly wide: number;
  /** The foot of pace and age, pixels from the top. */
  readonly base: number;
  /** x in pixels of a time in microseconds. */
  readonly x: (time: number) => number;
}

/**
 * The last two minutes of a live head: pace, age of each reach when it was sent, load, spans in which the base had to stop, and events.
 * Pointer and arrow keys read the values.
 */
export class HistoryStrip {
  readonly #canvas: HTMLCanvasElement;
  readonly #context: CanvasRenderingContext2D;
  readonly #time = new Float64Array(SAMPLES);
  readonly #age = new Float32Array(SAMPLES);
  readonly #isFit = new Uint8Array(SAMPLES);
  readonly #load = new Float32Array(SAMPLES);
  readonly #states: Reach["state"][] = [];
  readonly #paces: Reach["pace"][] = [];
  #topSpeed = 1;
  #count = 0;
  #last: Reach | null = null;
  #theme: Theme | null = null;
  /** Seconds ago that are read out; null: none. The place stays while the strip moves. */
  #readAt: number | null = null;
  readonly #events = new ReachEvents();
  /** Notes, with the time of day at which each arrived. */
  readonly notes: (Note & { readonly came: Date })[] = [];
  /** Share of time that the head works, by its last pulse. */
  load = 0;

  constructor(canvas: HTMLCanvasElement) {
    this.#canvas = canvas;
    this.#context = canvas.getContext("2d")!;
    canvas.addEventListener("pointermove", ({ offsetX }) => {
      this.#read(SPAN * (1 - offsetX / Math.max(1, canvas.clientWidth)));
    });
    for (const leaving of ["pointerleave", "blur"]) canvas.addEventListener(leaving, () => this.#read(null));
    canvas.addEventListener("keydown", (event) => {
      const by = KEYS[event.key];
      if (by === undefined) return;
      event.preventDefault();
      event.stopPropagation();
      this.#read(Math.min(SPAN, Math.max(0, (this.#readAt ?? 0) + by)));
    });
  }

  paint(theme: Theme): void {
    this.#theme = theme;
    this.draw();
  }

  /** Adds a reach. @returns whether it begins an event */
  add(reach: Reach): boolean {
    if (this.#last !== null && reach.time < this.#last.time - OTHER_CLOCK) this.forget();
    const n = this.#count++ % SAMPLES;
    this.#time[n] = reach.time;
    this.#age[n] = reach.age / 1000;
    this.#isFit[n] = isFit(reach) ? 1 : 0;
    this.#load[n] = this.load;
    this.#states[n] = reach.state;
    this.#paces[n] = reach.pace;
    const events = this.#events.take(reach);
    this.#last = reach;
    for (const note of events) this.note(note);
    return events.length > 0;
  }

  /** Forgets everything: the head is another one. */
  forget(): void {
    this.#count = 0;
    this.#last = null;
    this.#events.forget();
    this.notes.length = 0;
  }

  /** The top speed in the settings, m/s. */
  set topSpeed(speed: number) {
    this.#events.topSpeed = this.#topSpeed = speed;
  }

  note(note: Note): void {
    this.notes.push({ ...note, came: new Date() });
    if (this.notes.length > MOST_NOTES) this.notes.splice(0, MOST_NOTES / 2);
  }

  get #newest(): number {
    return this.#count === 0 ? 0 : this.#time[(this.#count - 1) % SAMPLES]!;
  }

  #read(ago: number | null): void {
    this.#readAt = ago;
    this.draw();
  }

  /** The values at the place that is read out, in words. */
  #readText(): string {
    if (this.#readAt === null) return LEGEND;
    const ago = `${this.#readAt.toFixed(0)} s ago: `;
    const time = this.#newest - 1e6 * this.#readAt;
    let best = -1;
    let least = 1e6 * NEAR;
    for (let n = 0; n < Math.min(this.#count, SAMPLES); n++) {
      const off = Math.abs(this.#time[n]! - time);
      if (off <= least) [best, least] = [n, off];
    }
    if (best < 0) return `${ago}nothing received`;
    const why =
      whyText({ pace: this.#paces[best]! }, this.#topSpeed) || `no pace, head: ${this.#states[best]}`;
    const load = `load ${Math.round(100 * this.#load[best]!)} %`;
    return `${ago}${why}; answer ${ageText(1000 * this.#age[best]!)} old; ${load}`;
  }

  draw(): void {
    const theme = this.#theme;
    const size = theme === null ? null : canvasSized(this.#canvas, this.#context);
    if (theme === null || size === null) return;
    const [wide, high] = size;
    const c = this.#context;
    const newest = this.#newest;
    const x = (time: number): number => wide - 1 - (((newest - time) / 1e6) * wide) / SPAN;
    const frame: Frame = { c, theme, wide, base: high - FOOT - LANE - GAP, x };
    drawSeconds(frame, high);
    this.#drawSamples(frame, high - FOOT);
    this.#drawPace(frame);
    drawNotes(frame, this.notes);
    if (this.#readAt !== null) {
      c.fillStyle = theme.ink;
      c.fillRect(wide - 1 - (this.#readAt / SPAN) * wide, 0, 1, high - FOOT);
    }
    setText("history-at", this.#readText());
  }

  /** Draws ages and spans in which the base had to stop, and below them the load, with full height where the head works all the time. */
  #drawSamples({ c, theme, wide, base, x }: Frame, foot: number): void {
    c.fillStyle = theme.faint;
    c.fillRect(0, foot - LANE, wide, 1);
    for (let k = 0; k < Math.min(this.#count, SAMPLES); k++) {
      const n = (this.#count - 1 - k) % SAMPLES;
      const at = x(this.#time[n]!);
      if (at < 0) break;
      const isGood = this.#isFit[n] === 1;
      const tall = isGood ? Math.max(1, Math.min(1, this.#age[n]! / TALLEST) * (base - HEAD)) : base;
      c.fillStyle = isGood ? theme.faint : theme.brink;
      c.fillRect(at, base - tall, isGood ? 1 : 2, tall);
      const busy = Math.min(1, this.#load[n]!) * LANE;
      c.fillStyle = theme.unseen;
      c.fillRect(at, foot - busy, 1, busy);
    }
  }

  /** Draws the pace as a line, with full height at the top speed. */
  #drawPace({ c, theme, base, x }: Frame): void {
    const top = Number.isFinite(this.#topSpeed) ? this.#topSpeed : 1;
    c.strokeStyle = theme.accent;
    c.lineWidth = 1.5;
    c.beginPath();
    for (let k = 0; k < Math.min(this.#count, SAMPLES); k++) {
      const n = (this.#count - 1 - k) % SAMPLES;
      const at = x(this.#time[n]!);
      if (at < 0) break;
      c.lineTo(at, base - Math.min(1, (this.#paces[n]?.forward ?? 0) / top) * (base - HEAD));
    }
    c.stroke();
  }
}

function drawSeconds({ c, theme, wide }: Frame, high: number): void {
  c.font = "11px system-ui, sans-serif";
  c.textBaseline = "alphabetic";
  for (let back = 0; back <= SPAN; back += EVERY) {
    const at = wide - (back / SPAN) * wide;
    c.fillStyle = theme.faint;
    c.fillRect(Math.round(at) - 1, 0, 1, high - FOOT);
    c.fillStyle = theme.ink;
    c.textAlign = back === 0 ? "right" : back === SPAN ? "left" : "center";
    c.fillText(back === 0 ? "now" : `${back} s ago`, at, high - 4);
  }
}

function drawNotes({ c, theme, wide, base, x }: Frame, notes: readonly Note[]): void {
  c.textAlign = "center";
  c.fillStyle = theme.mark;
  for (const note of notes) {
    const at = x(note.time);
    if (at < 0 || at > wide) continue;
    c.fillRect(at - 0.5, 0, 1, base);
    c.fillText(signOf(note.what, note.text).sign, at, 10);
  }
}
