import type { FromServer } from "../wire/messages.ts";
import { canvasSized } from "./canvas.ts";
import { secondsText } from "./text.ts";
import type { Theme } from "./theme.ts";

type Playing = FromServer<"playing">;
type Recording = FromServer<"recording">;
type EventKind = Recording["moments"][number]["what"];

/** Each kind of event has a letter and a row of its own. */
const KINDS: Readonly<Record<EventKind, { readonly letter: string; readonly row: number }>> = {
  brink: { letter: "B", row: 0 },
  knock: { letter: "K", row: 0 },
  lost: { letter: "L", row: 1 },
  found: { letter: "F", row: 1 },
  sight: { letter: "S", row: 1 },
  track: { letter: "T", row: 1 },
  gap: { letter: "G", row: 2 },
  waiver: { letter: "W", row: 2 },
  floorcheck: { letter: "C", row: 2 },
  mark: { letter: "M", row: 3 },
};
const ROW = 13;
/** Pixels at both ends, so that the cursor is whole at the start and the end. */
const MARGIN = 9;
/** Pixels below the bar for the seconds. */
const FOOT = 16;
/** Least pixels between two letters of a row, and between two of the seconds. */
const LETTER = 11;
const SECONDS_APART = 60;
const STEPS = [1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600];

/** What a key on the timeline moves by, microseconds. */
const KEYS: Readonly<Record<string, number>> = {
  ArrowLeft: -1e6,
  ArrowRight: 1e6,
  ArrowDown: -1e6,
  ArrowUp: 1e6,
  PageDown: -10e6,
  PageUp: 10e6,
  Home: Number.NEGATIVE_INFINITY,
  End: Number.POSITIVE_INFINITY,
};

/** One drawing of the timeline. */
interface Frame {
  readonly c: CanvasRenderingContext2D;
  readonly theme: Theme;
  readonly wide: number;
  readonly high: number;
  /** Pixels from the left of a time, microseconds. */
  readonly x: (at: number) => number;
}

/** The recording from start to end, with its events: pointer and keys choose a time in it. */
export class Timeline {
  readonly #canvas: HTMLCanvasElement;
  readonly #context: CanvasRenderingContext2D;
  readonly #seek: (to: number) => void;
  #theme: Theme | null = null;
  #recording: Recording | null = null;
  #playing: Playing | null = null;
  /** Where a pointer is about to go, microseconds. */
  #aim: number | null = null;

  /** @param seek is given the time that was chosen, microseconds */
  constructor(canvas: HTMLCanvasElement, seek: (to: number) => void) {
    this.#canvas = canvas;
    this.#context = canvas.getContext("2d")!;
    this.#seek = seek;
    this.#listenToPointer();
    canvas.addEventListener("keydown", (event) => {
      const by = KEYS[event.key];
      if (by === undefined) return;
      event.preventDefault();
      event.stopPropagation();
      const from = this.#playing?.goal ?? this.#playing?.at ?? 0;
      this.#seek(Math.min(this.#length, Math.max(0, from + by)));
    });
  }

  get #length(): number {
    return this.#recording?.length ?? 0;
  }

  #listenToPointer(): void {
    const canvas = this.#canvas;
    const timeAt = ({ offsetX }: PointerEvent): number => {
      const share = (offsetX - MARGIN) / Math.max(1, canvas.clientWidth - 2 * MARGIN);
      return Math.round(Math.min(1, Math.max(0, share)) * this.#length);
    };
    const aim = (at: number | null): void => {
      this.#aim = at;
      this.draw();
    };
    canvas.addEventListener("pointerdown", (event) => {
      canvas.setPointerCapture(event.pointerId);
      aim(timeAt(event));
    });
    canvas.addEventListener("pointermove", (event) => {
      if (this.#aim !== null) aim(timeAt(event));
    });
    canvas.addEventListener("pointerup", () => {
      if (this.#aim !== null) this.#seek(this.#aim);
      this.#aim = null;
    });
    canvas.addEventListener("pointercancel", () => aim(null));
  }

  paint(theme: Theme): void {
    this.#theme = theme;
    this.draw();
  }

  show(recording: Recording | null, playing: Playing | null): void {
    this.#recording = recording;
    this.#playing = playing;
    this.draw();
  }

  draw(): void {
    const [theme, recording, playing] = [this.#theme, this.#recording, this.#playing];
    if (theme === null || recording === null || playing === null) return;
    this.#describe(recording, playing);
    const size = canvasSized(this.#canvas, this.#context);
    if (size === null) return;
    const [wide, high] = size;
    const x = (at: number): number => MARGIN + (at / Math.max(1, recording.length)) * (wide - 2 * MARGIN);
    const frame: Frame = { c: this.#context, theme, wide, high, x };
    drawSeconds(frame, recording.length);
    drawBar(frame, recording.length, playing.at);
    drawEvents(frame, recording.moments);
    drawCursor(frame, playing.at);
    const aim = this.#aim ?? playing.goal;
    if (aim !== null) drawAim(frame, aim);
  }

  /** The same in words, for those who do not see it. */
  #describe({ length, frames }: Recording, { at, frame }: Playing): void {
    const canvas = this.#canvas;
    canvas.setAttribute("aria-valuemax", (length / 1e6).toFixed(1));
    canvas.setAttribute("aria-valuenow", (at / 1e6).toFixed(1));
    const text = `${secondsText(at)} of ${secondsText(length)}, frame ${frame} of ${frames}`;
    canvas.setAttribute("aria-valuetext", text);
  }
}

function drawSeconds({ c, theme, wide, high, x }: Frame, length: number): void {
  c.font = "11px system-ui, sans-serif";
  c.textBaseline = "alphabetic";
  const least = (length * SECONDS_APART) / Math.max(SECONDS_APART, wide);
  const every = STEPS.find((seconds) => 1e6 * seconds >= least) ?? 7200;
  for (let at = 0; at <= length; at += 1e6 * every) {
    c.fillStyle = theme.faint;
    c.fillRect(x(at) - 0.5, 0, 1, high - FOOT);
    c.fillStyle = theme.ink;
    c.textAlign = at === 0 ? "left" : x(at) > wide - 24 ? "right" : "center";
    c.fillText(`${at / 1e6} s`, at === 0 ? 1 : x(at), high - 3);
  }
}

function drawBar({ c, theme, high, x }: Frame, length: number, at: number): void {
  const top = high - FOOT - 7;
  c.fillStyle = theme.faint;
  c.fillRect(x(0), top, x(length) - x(0), 6);
  c.fillStyle = theme.obstacle;
  c.fillRect(x(0), top, x(at) - x(0), 6);
}

function drawEvents({ c, theme, high, x }: Frame, events: Recording["moments"]): void {
  const last = new Map<number, number>();
  for (const { at, what } of events) {
    const { letter, row } = KINDS[what];
    const ink = row < 2 ? theme.brink : theme.mark;
    c.fillStyle = ink;
    c.fillRect(x(at) - 0.5, 0, 1, high - FOOT - 8);
    // Letters that would cover each other are left out; their lines remain.
    if (x(at) - (last.get(row) ?? Number.NEGATIVE_INFINITY) < LETTER) continue;
    last.set(row, x(at));
    c.textAlign = "center";
    c.fillStyle = theme.card;
    c.fillRect(x(at) - 5, row * ROW, 10, ROW - 1);
    c.fillStyle = ink;
    c.fillText(letter, x(at), row * ROW + 10);
  }
}

function drawLine({ c, high, x }: Frame, at: number, ink: string): void {
  c.strokeStyle = ink;
  c.lineWidth = 2;
  c.beginPath();
  c.moveTo(x(at), 0);
  c.lineTo(x(at), high - FOOT);
  c.stroke();
}

/** Where the recording is. */
function drawCursor(frame: Frame, at: number): void {
  const { c, theme, high, x } = frame;
  drawLine(frame, at, theme.ink);
  const foot = high - FOOT;
  c.fillStyle = theme.ink;
  c.beginPath();
  c.moveTo(x(at) - 6, foot + 2);
  c.lineTo(x(at) + 6, foot + 2);
  c.lineTo(x(at), foot - 7);
  c.closePath();
  c.fill();
}

/** Where it is about to go. */
function drawAim(frame: Frame, at: number): void {
  frame.c.setLineDash([3, 3]);
  drawLine(frame, at, frame.theme.robot);
  frame.c.setLineDash([]);
}
