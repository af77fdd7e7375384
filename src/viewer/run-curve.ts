import { canvasSized } from "./canvas.ts";
import { apartOf, type PairedRuns } from "./run-pairs.ts";
import type { Theme } from "./theme.ts";

/** Pixels: as in the timeline, so that one moment stands above the other. */
const MARGIN = 9;
/** Metres between the places of two runs at the full height of the drawing. */
export const FARTHEST_APART = 0.5;

/** The difference of two runs over the whole time: pace as bars up (faster) and down (slower), distance of the places as a line. */
export class RunCurve {
  readonly #canvas: HTMLCanvasElement;
  readonly #context: CanvasRenderingContext2D;
  #theme: Theme | null = null;
  #runs: PairedRuns | null = null;
  #length = 0;
  #topSpeed = 1;
  #hasPlaces = false;

  /**
   * @param seek is given the time that was clicked, microseconds
   * @param read is given the frame of `now` under the pointer; null when it leaves
   */
  constructor(canvas: HTMLCanvasElement, seek: (to: number) => void, read: (frame: number | null) => void) {
    this.#canvas = canvas;
    this.#context = canvas.getContext("2d")!;
    const timeAt = ({ offsetX }: PointerEvent): number => {
      const share = (offsetX - MARGIN) / Math.max(1, canvas.clientWidth - 2 * MARGIN);
      return Math.round(Math.min(1, Math.max(0, share)) * this.#length);
    };
    canvas.addEventListener("pointermove", (event) => read(this.#frameAt(timeAt(event))));
    canvas.addEventListener("pointerleave", () => read(null));
    canvas.addEventListener("click", (event) => seek(timeAt(event as PointerEvent)));
  }

  #frameAt(at: number): number | null {
    const frame = this.#runs?.now.findLastIndex((one) => one.at <= at) ?? -1;
    return frame < 0 ? null : frame;
  }

  paint(theme: Theme): void {
    this.#theme = theme;
    this.draw();
  }

  /**
   * @param length    of the recording, microseconds
   * @param topSpeed  m/s, at full height
   * @param hasPlaces whether the distance of the places says something
   */
  show(runs: PairedRuns | null, length: number, topSpeed: number, hasPlaces: boolean): void {
    this.#runs = runs;
    this.#length = length;
    this.#topSpeed = topSpeed;
    this.#hasPlaces = hasPlaces;
    this.draw();
  }

  draw(): void {
    const [theme, runs, c] = [this.#theme, this.#runs, this.#context];
    if (theme === null || runs === null) return;
    const size = canvasSized(this.#canvas, c);
    if (size === null) return;
    const [wide, high] = size;
    const x = (at: number): number => MARGIN + (at / Math.max(1, this.#length)) * (wide - 2 * MARGIN);
    const middle = high / 2;
    const { was, now, pairs } = runs;
    for (let n = 0; n < now.length; n++) {
      const { at, pace } = now[n]!;
      const left = Math.round(x(at));
      const next = now[n + 1]?.at ?? at;
      const width = Math.max(1, Math.round(x(next)) - left);
      const pair = pairs[n]!;
      if (pair < 0) {
        // Nothing of the other run belongs to this frame.
        c.fillStyle = theme.faint;
        if (left % 4 === 0) c.fillRect(left, 0, 1, high);
        continue;
      }
      const share = Math.max(-1, Math.min(1, (pace - was[pair]!.pace) / this.#topSpeed));
      c.fillStyle = share > 0 ? theme.high : theme.doubtful;
      c.fillRect(left, share > 0 ? middle - share * middle : middle, width, Math.abs(share) * middle);
    }
    c.fillStyle = theme.soft;
    c.fillRect(MARGIN, Math.round(middle), wide - 2 * MARGIN, 1);
    if (this.#hasPlaces) drawPlaces(c, theme, runs, x, high);
  }
}

function drawPlaces(
  c: CanvasRenderingContext2D,
  theme: Theme,
  { was, now, pairs }: PairedRuns,
  x: (at: number) => number,
  high: number,
): void {
  c.strokeStyle = theme.robot;
  c.lineWidth = 1;
  c.beginPath();
  for (let n = 0; n < now.length; n++) {
    const pair = pairs[n]!;
    if (pair < 0) continue;
    const share = Math.min(1, apartOf(was[pair]!, now[n]!) / FARTHEST_APART);
    c.lineTo(x(now[n]!.at), high - 1 - share * (high - 2));
  }
  c.stroke();
}
