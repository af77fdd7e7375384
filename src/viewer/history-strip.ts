import type { FromServer } from "../wire/messages.ts";
import { changesOf, isFit, type Note } from "./reach-events.ts";
import type { Theme } from "./theme.ts";

/** Seconds that the strip goes back. */
const SPAN = 120;
const SAMPLES = 4096;
/** Ages above this are drawn at full height, milliseconds. */
const TALLEST = 250;

type Reach = FromServer<"reach">;

/** The last two minutes: how old the head's answers were when they came, when they were not to be trusted, and what happened. */
export class Strip {
  readonly #canvas: HTMLCanvasElement;
  readonly #context: CanvasRenderingContext2D;
  readonly #time = new Float64Array(SAMPLES);
  readonly #age = new Float32Array(SAMPLES);
  readonly #isGood = new Uint8Array(SAMPLES);
  #count = 0;
  #last: Reach | null = null;
  #theme: Theme | null = null;
  /** With when they came, by the clock of whoever looks. */
  readonly notes: (Note & { readonly came: Date })[] = [];

  constructor(canvas: HTMLCanvasElement) {
    this.#canvas = canvas;
    this.#context = canvas.getContext("2d")!;
  }

  paint(theme: Theme): void {
    this.#theme = theme;
    this.draw();
  }

  /** @returns whether something happened with it */
  add(reach: Reach): boolean {
    // Another head, or one that began again: its clock is another.
    if (this.#last !== null && reach.time < this.#last.time - 1e6) this.#forget();
    const n = this.#count++ % SAMPLES;
    this.#time[n] = reach.time;
    this.#age[n] = reach.age / 1000;
    this.#isGood[n] = isFit(reach) ? 1 : 0;
    const changes = changesOf(this.#last, reach);
    this.#last = reach;
    for (const note of changes) this.note(note);
    return changes.length > 0;
  }

  #forget(): void {
    this.#count = 0;
    this.#last = null;
    this.notes.length = 0;
  }

  note(note: Note): void {
    this.notes.push({ ...note, came: new Date() });
    if (this.notes.length > 200) this.notes.splice(0, 100);
  }

  draw(): void {
    const theme = this.#theme;
    const canvas = this.#canvas;
    if (theme === null || canvas.clientWidth < 10) return;
    const scale = Math.min(2, globalThis.devicePixelRatio || 1);
    canvas.width = Math.round(canvas.clientWidth * scale);
    canvas.height = Math.round(canvas.clientHeight * scale);
    const c = this.#context;
    c.setTransform(scale, 0, 0, scale, 0, 0);
    const [wide, high] = [canvas.clientWidth, canvas.clientHeight];
    const base = high - 16;
    const stored = Math.min(this.#count, SAMPLES);
    const newest = stored === 0 ? 0 : this.#time[(this.#count - 1) % SAMPLES]!;
    const x = (time: number): number => wide - 1 - (((newest - time) / 1e6) * wide) / SPAN;
    c.font = "11px system-ui, sans-serif";
    c.textBaseline = "alphabetic";
    c.strokeStyle = theme.faint;
    c.fillStyle = theme.ink;
    for (let back = 0; back <= SPAN; back += 30) {
      const at = wide - (back / SPAN) * wide;
      c.beginPath();
      c.moveTo(Math.round(at) - 0.5, 0);
      c.lineTo(Math.round(at) - 0.5, base);
      c.stroke();
      c.textAlign = back === 0 ? "right" : back === SPAN ? "left" : "center";
      c.fillText(back === 0 ? "now" : `${back} s ago`, at, high - 4);
    }
    const share = (ms: number): number => Math.min(1, ms / TALLEST) * (base - 8);
    for (let k = 0; k < stored; k++) {
      const n = (this.#count - 1 - k) % SAMPLES;
      const at = x(this.#time[n]!);
      if (at < 0) break;
      const isGood = this.#isGood[n] === 1;
      c.fillStyle = isGood ? theme.obstacle : theme.brink;
      const tall = isGood ? Math.max(1, share(this.#age[n]!)) : base;
      c.fillRect(at, base - tall, isGood ? 1 : 2, tall);
    }
    c.textAlign = "center";
    for (const { time, what, text } of this.notes) {
      const at = x(time);
      if (at < 0 || at > wide) continue;
      c.fillStyle = theme.mark;
      c.fillRect(at - 0.5, 0, 1, base);
      c.fillText(symbolOf({ what, text }), at, 10);
    }
  }
}

const SYMBOLS: Readonly<Record<string, string>> = {
  brink: "▼",
  sight: "◌",
  pose: "⌖",
  knock: "✱",
  waiver: "!",
  mark: "◆",
  sensor: "■",
  map: "▣",
  setting: "≡",
  load: "▲",
  pretrigger: "●",
};
export const symbolOf = ({ what, text }: Pick<Note, "what" | "text">): string =>
  what === "pose" && text.startsWith("lost") ? "✕" : (SYMBOLS[what] ?? "•");
