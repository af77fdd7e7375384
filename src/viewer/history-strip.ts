import type { FromServer } from "../wire/messages.ts";
import { canvasSized } from "./canvas.ts";
import { signOf } from "./event-signs.ts";
import { isFit, type Note, ReachEvents } from "./reach-events.ts";
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
const HEAD = 8;
const MOST_NOTES = 200;
/** Microseconds: a clock that jumps back by more belongs to another head. */
const OTHER_CLOCK = 1e6;

type Reach = FromServer<"reach">;

/** The last two minutes: the age of each reach when it was sent, spans in which the base had to stop, and events. */
export class HistoryStrip {
  readonly #canvas: HTMLCanvasElement;
  readonly #context: CanvasRenderingContext2D;
  readonly #time = new Float64Array(SAMPLES);
  readonly #age = new Float32Array(SAMPLES);
  readonly #isFit = new Uint8Array(SAMPLES);
  readonly #pace = new Float32Array(SAMPLES);
  #topSpeed = 1;
  #count = 0;
  #last: Reach | null = null;
  #theme: Theme | null = null;
  readonly #events = new ReachEvents();
  /** Notes, with the time of day at which each arrived. */
  readonly notes: (Note & { readonly came: Date })[] = [];

  constructor(canvas: HTMLCanvasElement) {
    this.#canvas = canvas;
    this.#context = canvas.getContext("2d")!;
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
    this.#pace[n] = reach.pace?.forward ?? 0;
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

  draw(): void {
    const theme = this.#theme;
    const size = theme === null ? null : canvasSized(this.#canvas, this.#context);
    if (theme === null || size === null) return;
    const [wide, high] = size;
    const c = this.#context;
    const base = high - FOOT;
    c.font = "11px system-ui, sans-serif";
    c.textBaseline = "alphabetic";
    c.fillStyle = theme.ink;
    for (let back = 0; back <= SPAN; back += EVERY) {
      const at = wide - (back / SPAN) * wide;
      c.fillStyle = theme.faint;
      c.fillRect(Math.round(at) - 1, 0, 1, base);
      c.fillStyle = theme.ink;
      c.textAlign = back === 0 ? "right" : back === SPAN ? "left" : "center";
      c.fillText(back === 0 ? "now" : `${back} s ago`, at, high - 4);
    }
    this.#drawAges(c, theme, wide, base);
  }

  #drawAges(c: CanvasRenderingContext2D, theme: Theme, wide: number, base: number): void {
    const stored = Math.min(this.#count, SAMPLES);
    const newest = stored === 0 ? 0 : this.#time[(this.#count - 1) % SAMPLES]!;
    const x = (time: number): number => wide - 1 - (((newest - time) / 1e6) * wide) / SPAN;
    for (let k = 0; k < stored; k++) {
      const n = (this.#count - 1 - k) % SAMPLES;
      const at = x(this.#time[n]!);
      if (at < 0) break;
      const isGood = this.#isFit[n] === 1;
      const tall = isGood ? Math.max(1, Math.min(1, this.#age[n]! / TALLEST) * (base - HEAD)) : base;
      c.fillStyle = isGood ? theme.faint : theme.brink;
      c.fillRect(at, base - tall, isGood ? 1 : 2, tall);
    }
    this.#drawPace(c, theme, x, base);
    c.textAlign = "center";
    for (const note of this.notes) {
      const at = x(note.time);
      if (at < 0 || at > wide) continue;
      c.fillStyle = theme.mark;
      c.fillRect(at - 0.5, 0, 1, base);
      c.fillText(signOf(note.what, note.text).sign, at, 10);
    }
  }

  /** Draws the pace as a line, with full height at the top speed. */
  #drawPace(c: CanvasRenderingContext2D, theme: Theme, x: (time: number) => number, base: number): void {
    const stored = Math.min(this.#count, SAMPLES);
    const top = Number.isFinite(this.#topSpeed) ? this.#topSpeed : 1;
    c.strokeStyle = theme.accent;
    c.lineWidth = 1.5;
    c.beginPath();
    for (let k = 0; k < stored; k++) {
      const n = (this.#count - 1 - k) % SAMPLES;
      const at = x(this.#time[n]!);
      if (at < 0) break;
      c.lineTo(at, base - Math.min(1, this.#pace[n]! / top) * (base - 14));
    }
    c.stroke();
    c.textAlign = "left";
    c.fillStyle = theme.soft;
    c.fillText("line: pace; bars: age of the answers", 2, 10);
  }
}
