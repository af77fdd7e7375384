import { REACH_STATES } from "../terms/safety.ts";
import { heldBy } from "../terms/slowing.ts";
import type { CurvePoint } from "../wire/curve.ts";
import type { FromServer } from "../wire/messages.ts";
import { canvasSized } from "./canvas.ts";
import { limitsPace, signOf } from "./event-signs.ts";
import { secondsText } from "./text.ts";
import type { Theme } from "./theme.ts";

type Playing = FromServer<"playing">;
type Recording = FromServer<"recording">;
type Moments = Recording["moments"];

const ROW = 13;
/** Pixels: margin at both ends, so that the cursor is fully visible at the start and the end. */
const MARGIN = 9;
/** Pixels: margin below the bar for the seconds, and above the curve for two rows of events. */
const FOOT = 16;
const HEAD = 2 * ROW + 2;
/** Pixels: height of the lane for load and age, below the curve of the pace. */
const LANE = 26;
/** Seconds since the ground that limits the pace was seen, at the full height of the lane. */
const OLDEST = 2;
/** Pixels: least spacing of the signs in a row, and of the seconds. */
const SIGN = 11;
const SECONDS_APART = 60;
const STEPS = [1, 2, 5, 10, 30, 60, 120, 300, 600, 1800, 3600];

/** Metres of free way at the top of the chart. */
const FARTHEST = 3;
/** Index of the last state in which the base may move. */
const LAST_FIT = REACH_STATES.indexOf("dark");

/** Microseconds by which each key moves the position. */
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
  /** x in pixels of a time in microseconds. */
  readonly x: (at: number) => number;
}

/** The timeline of a recording, with its events. Pointer and keys choose a time on it. */
export class Timeline {
  readonly #canvas: HTMLCanvasElement;
  readonly #context: CanvasRenderingContext2D;
  readonly #seek: (to: number) => void;
  readonly #tell: (at: number | null) => void;
  #theme: Theme | null = null;
  #recording: Recording | null = null;
  #playing: Playing | null = null;
  /** Time under a pressed pointer, microseconds; null while none is pressed. */
  #aim: number | null = null;

  #curve: readonly CurvePoint[] = [];
  #moments: Moments = [];
  #topSpeed = 1;
  /** Time under the pointer, microseconds; null while it is elsewhere. */
  #hovered: number | null = null;

  /**
   * @param seek gets the chosen time, microseconds
   * @param tell gets the time under the pointer; null when it leaves
   */
  constructor(canvas: HTMLCanvasElement, seek: (to: number) => void, tell: (at: number | null) => void) {
    this.#tell = tell;
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
    const hover = (at: number | null): void => {
      this.#hovered = at;
      this.#tell(at);
      this.draw();
    };
    canvas.addEventListener("pointerdown", (event) => {
      canvas.setPointerCapture(event.pointerId);
      aim(timeAt(event));
    });
    canvas.addEventListener("pointermove", (event) => {
      if (this.#aim !== null) aim(timeAt(event));
      hover(timeAt(event));
    });
    canvas.addEventListener("pointerleave", () => hover(null));
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

  /** Shows the known part of the curve, and events. @param topSpeed m/s, at full height */
  showCurve(curve: readonly CurvePoint[], moments: Moments, topSpeed: number): void {
    this.#curve = curve;
    this.#moments = moments;
    this.#topSpeed = Number.isFinite(topSpeed) ? topSpeed : 1;
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
    drawCurve(frame, this.#curve, this.#topSpeed);
    drawLane(frame, this.#curve);
    drawUnknown(frame, recording);
    drawBar(frame, recording.length, playing.at);
    drawEvents(frame, this.#moments);
    if (this.#hovered !== null) drawLine(frame, this.#hovered, theme.faint);
    drawCursor(frame, playing.at);
    const aim = this.#aim ?? playing.goal;
    if (aim !== null) drawAim(frame, aim);
  }

  /** Describes the timeline in words, for screen readers. */
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
  const top = high - FOOT - 4;
  c.fillStyle = theme.faint;
  c.fillRect(x(0), top, x(length) - x(0), 4);
  c.fillStyle = theme.accent;
  c.fillRect(x(0), top, x(at) - x(0), 4);
}

/** Draws the pace as an area, stops as columns in the drop's colour, the free way ahead as a line, and lost sight as bars. */
function drawCurve({ c, theme, high, x }: Frame, curve: readonly CurvePoint[], topSpeed: number): void {
  const [top, foot] = [HEAD, high - FOOT - LANE - 6];
  const y = (share: number): number => foot - Math.min(1, share) * (foot - top);
  for (let n = 0; n + 1 < curve.length; n++) {
    const { at, pace, state } = curve[n]!;
    // Rounded to whole pixels, because seams between the pieces would be visible.
    const left = Math.round(x(at));
    const wide = Math.max(1, Math.round(x(curve[n + 1]!.at)) - left);
    const held = heldBy(pace, topSpeed);
    c.fillStyle = held === "stop" ? theme.brink : held === "slow" ? theme.doubtful : theme.high;
    // A stop has the full height, because a pace of zero is invisible. Its paler colour distinguishes it from a pace.
    c.globalAlpha = held === "stop" ? 0.28 : 0.85;
    const head = held === "stop" ? top : y(pace / topSpeed);
    c.fillRect(left, head, wide, foot - head);
    c.globalAlpha = 1;
    if (held === "stop") c.fillRect(left, foot - 2, wide, 2);
    if (state > LAST_FIT) c.fillRect(left, top - 2, wide, 2);
  }
  c.strokeStyle = theme.ink;
  c.lineWidth = 1;
  c.beginPath();
  for (const { at, room } of curve) c.lineTo(x(at), y(room / FARTHEST));
  c.stroke();
}

/** Draws the load of the head as bars, at full height where it worked the whole frame interval; and the age of what limits the pace as a line. */
function drawLane({ c, theme, wide, high, x }: Frame, curve: readonly CurvePoint[]): void {
  const foot = high - FOOT - 6;
  const tall = LANE - 4;
  c.fillStyle = theme.faint;
  c.fillRect(MARGIN, foot - tall, wide - 2 * MARGIN, 1);
  c.fillStyle = theme.unseen;
  for (let n = 0; n + 1 < curve.length; n++) {
    const { at, load } = curve[n]!;
    const left = Math.round(x(at));
    const share = Math.min(1, load);
    c.fillRect(left, foot - share * tall, Math.max(1, Math.round(x(curve[n + 1]!.at)) - left), share * tall);
  }
  c.strokeStyle = theme.robot;
  c.lineWidth = 1;
  c.beginPath();
  let isBroken = true;
  for (const { at, age } of curve) {
    if (age !== null) {
      const y = foot - Math.min(1, age / OLDEST) * tall;
      if (isBroken) c.moveTo(x(at), y);
      else c.lineTo(x(at), y);
    }
    isBroken = age === null;
  }
  c.stroke();
}

/** Draws the part that the head ahead has not reached yet. */
function drawUnknown({ c, theme, high, x }: Frame, { known, length }: Recording): void {
  if (known >= 1) return;
  c.fillStyle = theme.soft;
  c.textAlign = "right";
  c.fillText(`looking ahead: ${Math.floor(100 * known)} %`, x(length), high - FOOT - 10);
}

function drawEvents({ c, theme, high, x }: Frame, moments: Moments): void {
  // Stops first: of overlapping signs the first is drawn.
  const sorted = [...moments].sort((a, b) => Number(a.what === "slow") - Number(b.what === "slow"));
  const taken: [row: number, at: number][] = [];
  for (const { at, what } of sorted) {
    const row = limitsPace(what) ? 0 : 1;
    const ink = what === "slow" ? theme.mark : row === 0 ? theme.brink : theme.accent;
    c.fillStyle = ink;
    c.globalAlpha = 0.5;
    c.fillRect(x(at) - 0.5, row * ROW, 1, high - FOOT - row * ROW - 4);
    c.globalAlpha = 1;
    // An overlapping sign is left out; its line is drawn.
    if (taken.some(([one, there]) => one === row && Math.abs(there - x(at)) < SIGN)) continue;
    taken.push([row, x(at)]);
    c.textAlign = "center";
    c.fillStyle = theme.card;
    c.fillRect(x(at) - 5, row * ROW, 10, ROW - 1);
    c.fillStyle = ink;
    c.fillText(signOf(what).sign, x(at), row * ROW + 10);
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

/** Draws the present position. */
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

/** Draws the position under the pressed pointer. */
function drawAim(frame: Frame, at: number): void {
  frame.c.setLineDash([3, 3]);
  drawLine(frame, at, frame.theme.robot);
  frame.c.setLineDash([]);
}
