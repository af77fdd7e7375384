import { setText } from "./dom.ts";
import { countText, metresText } from "./text.ts";
import type { Theme } from "./theme.ts";
import type { UnpackedImage } from "./worker-messages.ts";

/** Why a pixel is not used, by its code on the wire; and its pattern. */
export const REASONS = ["used", "no return", "saturated", "weak", "flying", "out of range"] as const;

/** Whether the pattern of a reason has ink at this pixel. Each reason has its own pattern, so that it does not depend on colour alone. */
const PATTERNS: readonly ((u: number, v: number) => boolean)[] = [
  () => true,
  (u, v) => u % 4 === 0 && v % 4 === 0,
  () => true,
  (u, v) => (u + v) % 2 === 0,
  (u, v) => (u + v) % 4 < 2,
  (_u, v) => v % 4 < 2,
];

type Colour = readonly [number, number, number];

/** The newest depth image: distance or amplitude of used pixels, and the reason for each unused one. */
export class DepthImage {
  readonly #canvas: HTMLCanvasElement;
  readonly #context: CanvasRenderingContext2D;
  #image: UnpackedImage | null = null;
  #isAmplitude = false;
  #inks: readonly Colour[] = [];
  #paper: Colour = [255, 255, 255];
  #near: Colour = [0, 0, 0];
  #far: Colour = [255, 255, 255];
  /** The pixel whose values are shown; null: the one in the middle. */
  #at: readonly [number, number] | null = null;

  constructor(canvas: HTMLCanvasElement) {
    this.#canvas = canvas;
    this.#context = canvas.getContext("2d")!;
    canvas.addEventListener("pointermove", ({ offsetX, offsetY }) => {
      const image = this.#image;
      if (image === null) return;
      const u = Math.floor((offsetX / canvas.clientWidth) * image.width);
      const v = Math.floor((offsetY / canvas.clientHeight) * image.height);
      this.#read(u, v);
    });
    canvas.addEventListener("keydown", (event) => {
      const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      const image = this.#image;
      if (way === undefined || image === null) return;
      event.preventDefault();
      event.stopPropagation();
      const by = event.shiftKey ? 1 : 4;
      const [u, v] = this.#at ?? [image.width >> 1, image.height >> 1];
      this.#read(u + by * way[0]!, v + by * way[1]!);
    });
  }

  paint(theme: Theme): void {
    const of = (css: string): Colour => colourOf(this.#context, css);
    this.#paper = of(theme.paper);
    this.#near = of(theme.depthNear);
    this.#far = of(theme.depthFar);
    const unseen = of(theme.unseen);
    this.#inks = [unseen, unseen, of(theme.brink), of(theme.doubtful), of(theme.robot), unseen];
    this.draw();
  }

  show(image: UnpackedImage | null): void {
    this.#image = image;
    this.draw();
    if (image !== null) this.#describe(image);
  }

  /** Whether the amplitude is shown, instead of depth. */
  set isAmplitude(isAmplitude: boolean) {
    this.#isAmplitude = isAmplitude;
    this.draw();
    if (this.#image !== null) this.#describe(this.#image);
  }

  draw(): void {
    const image = this.#image;
    const canvas = this.#canvas;
    if (image === null || this.#inks.length === 0) return;
    const { width, height, depth, reason, amplitude } = image;
    if (canvas.width !== width || canvas.height !== height) {
      canvas.width = width;
      canvas.height = height;
      canvas.style.aspectRatio = `${width} / ${height}`;
    }
    const values = this.#isAmplitude && amplitude !== null ? amplitude : depth;
    const top = topOf(values);
    const data = this.#context.createImageData(width, height);
    const out = data.data;
    const [near, far] = [this.#near, this.#far];
    for (let v = 0, n = 0; v < height; v++) {
      for (let u = 0; u < width; u++, n++) {
        const why = reason[n]!;
        let colour: Colour;
        if (why === 0) {
          // The square root gives near distances more contrast, so that near ground and far walls are equally readable.
          const share = Math.sqrt(Math.min(1, values[n]! / top));
          colour = [0, 1, 2].map((k) => near[k]! + share * (far[k]! - near[k]!)) as unknown as Colour;
        } else colour = PATTERNS[why]?.(u, v) ? this.#inks[why]! : this.#paper;
        out[4 * n] = colour[0];
        out[4 * n + 1] = colour[1];
        out[4 * n + 2] = colour[2];
        out[4 * n + 3] = 255;
      }
    }
    this.#context.putImageData(data, 0, 0);
    if (this.#at !== null) {
      const [u, v] = this.#at;
      this.#context.strokeStyle = `rgb(${this.#inks[4]!.join(" ")})`;
      this.#context.strokeRect(u - 1.5, v - 1.5, 4, 4);
    }
  }

  #read(u: number, v: number): void {
    const image = this.#image;
    if (image === null) return;
    this.#at = [Math.min(image.width - 1, Math.max(0, u)), Math.min(image.height - 1, Math.max(0, v))];
    this.draw();
    this.#describe(image);
  }

  /** Describes the image in words: the share of each reason, and the pixel under the cross. */
  #describe({ width, height, depth, reason, amplitude, unit, sensor }: UnpackedImage): void {
    const tally = new Array<number>(REASONS.length).fill(0);
    for (const why of reason) tally[why]!++;
    tally.forEach((count, why) => {
      const element = document.getElementById(`share-${why}`);
      const text = `${Math.round((100 * count) / reason.length)} %`;
      if (element !== null && element.textContent !== text) element.textContent = text;
    });
    const [u, v] = this.#at ?? [width >> 1, height >> 1];
    const n = v * width + u;
    const what = reason[n] === 0 ? metresText(depth[n]! * unit) : (REASONS[reason[n]!] ?? "not used");
    const signal = amplitude === null ? "no amplitude" : `amplitude ${countText(amplitude[n]!)}`;
    setText("depth-at", `${sensor}, column ${u}, row ${v}: ${what}, ${signal}`);
  }
}

/** The 99th percentile of the measured values, so that a single strong return does not darken the rest. */
function topOf(values: Uint16Array): number {
  const sample: number[] = [];
  for (let n = 0; n < values.length; n += 7) if (values[n]! > 0) sample.push(values[n]!);
  sample.sort((a, b) => a - b);
  return sample[Math.floor(0.99 * (sample.length - 1))] ?? 1;
}

function colourOf(context: CanvasRenderingContext2D, css: string): Colour {
  context.fillStyle = css;
  const text = String(context.fillStyle); // as #rrggbb
  return [1, 3, 5].map((at) => Number.parseInt(text.slice(at, at + 2), 16)) as unknown as Colour;
}
